"""Recordings of receivers on this tablet and on sticks: their names only."""

from pathlib import Path

SUFFIXES = (".nmea", ".nmea.gz", ".gpx", ".csv", ".log")
STICKS = ("/media", "/run/media", "/mnt")
MOST = 60


def recordings(own: list[Path], sticks=STICKS) -> list[Path]:
    """Return files that may be recordings, the tablet's own folders first, the newest of each first.

    Parameters
    ----------
    own : list of Path
        Folders of this tablet; only what lies in them directly.
    sticks : iterable of str
        Where sticks appear; three folders deep.
    """
    found = []
    for folder in own:
        found += _newest(folder.glob("*"))
    for stick in map(Path, sticks):
        for deep in ("*", "*/*", "*/*/*"):
            found += _newest(stick.glob(deep))
    return found[:MOST]


def _newest(paths) -> list[Path]:
    """Return the recordings among some paths; a stick pulled out meanwhile has none."""
    try:
        dated = [(p.stat().st_mtime, p) for p in paths if p.name.lower().endswith(SUFFIXES) and p.is_file()]
    except OSError:
        return []
    return [path for _, path in sorted(dated, reverse=True)]
