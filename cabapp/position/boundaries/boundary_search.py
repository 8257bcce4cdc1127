"""Files of fields in the tablet's own folder and on removable media."""

from collections.abc import Iterable
from pathlib import Path

from cabapp.position.boundaries.field_readers import ON_A_TABLET
from store.durability.carrier_files import names_ending, regular_files

MOST = 60


def boundary_files(own: Path, media: Iterable[Path] = ()) -> list[Path]:
    """Return files that may hold fields: in the tablet's own folder, then three folders deep on media."""
    wanted = names_ending(ON_A_TABLET)
    places = [(own, 1), *((medium, 3) for medium in media)]
    found = [sorted(path for _, path in regular_files(folder, wanted, deep)) for folder, deep in places]
    return [path for files in found for path in sorted(files, key=lambda path: len(path.parts))][:MOST]
