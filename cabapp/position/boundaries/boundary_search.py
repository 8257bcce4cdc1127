"""Files of fields in the tablet's own folder and on removable media."""

from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path

from cabapp.position.boundaries.field_readers import ON_A_TABLET

MOST = 60


def boundary_files(own: Path, media: Iterable[Path] = ()) -> list[Path]:
    """Return files that may hold fields: in the tablet's own folder, then three folders deep on media."""
    found: list[Path] = []
    for folder, deep in [(own, "*"), *((medium, deep) for medium in media for deep in ("*", "*/*", "*/*/*"))]:
        with suppress(OSError):
            found += sorted(p for p in folder.glob(deep) if p.suffix.lower() in ON_A_TABLET and p.is_file())
    return found[:MOST]
