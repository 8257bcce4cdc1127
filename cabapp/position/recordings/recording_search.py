"""Recordings of receivers on this tablet and on removable media: their names only."""

from collections.abc import Iterable
from pathlib import Path

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
    places = [(folder, "*") for folder in own]
    places += [(folder, deep) for folder in media for deep in ("*", "*/*", "*/*/*")]
    return [path for folder, deep in places for path in _newest(folder, deep)][:MOST]


def _newest(folder: Path, deep: str) -> list[Path]:
    """Return the recordings of a pattern; none in a folder that is gone meanwhile."""
    try:
        dated = [(p.stat().st_mtime, p) for p in folder.glob(deep) if p.name.lower().endswith(SUFFIXES) and p.is_file()]
    except OSError:
        return []
    return [path for _, path in sorted(dated, reverse=True)]
