"""Recordings of receivers on this tablet and on removable media: their names only."""

from collections.abc import Iterable
from pathlib import Path

from store.durability.carrier_files import names_ending, regular_files

SUFFIXES = (".nmea", ".nmea.gz", ".gpx", ".csv", ".log")
MOST = 60


def recordings(own: Iterable[Path], media: Iterable[Path] = ()) -> list[Path]:
    """Return files that may be recordings, the newest of each folder first, the tablet's own folders first.

    Parameters
    ----------
    own : iterable of Path
        Folders of this tablet; only what lies in them directly.
    media : iterable of Path
        Folders searched three folders deep, as `sync.removable_media.mounts` gives them.
    """
    wanted = names_ending(SUFFIXES)
    places = [*((folder, 1) for folder in own), *((folder, 3) for folder in media)]
    found = [sorted(regular_files(folder, wanted, deep), reverse=True) for folder, deep in places]
    return [path for files in found for _, path in sorted(files, key=lambda one: len(one[1].parts))][:MOST]
