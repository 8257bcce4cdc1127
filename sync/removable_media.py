"""Where sticks and memory cards are mounted, on Linux, macOS and Windows, and where on them copies meet."""

import os
import re
import string
import sys
from pathlib import Path

from store.durability.carrier_files import answered, is_folder, regular_files

STICK_FOLDER = "rollbook"
_MOUNTED = ("/media/", "/run/media/", "/mnt/")


def meeting_places(place: Path) -> list[Path]:
    """Return where copies meet at a place: its folder ``rollbook``, as on a stick, if it has one; else the place itself.

    Notes: Where copies have met in the place itself before, they go on to, too.
    """
    inside = place / STICK_FOLDER
    if not is_folder(inside) or answered(inside, inside.is_symlink):
        return [place]
    met = regular_files(place, lambda name: name.startswith("rollbook-") and ".head" in name, most=1)
    return [inside, place] if met else [inside]


def mounts() -> list[Path]:
    """Return the folders where removable media are mounted now."""
    if sys.platform == "win32":
        import ctypes

        kind = ctypes.windll.kernel32.GetDriveTypeW  # 2 is DRIVE_REMOVABLE
        return [Path(f"{c}:\\") for c in string.ascii_uppercase if kind(f"{c}:\\") == 2]
    try:
        if sys.platform == "darwin":
            return sorted(p for p in Path("/Volumes").iterdir() if os.path.ismount(p))
        return mounted_in(Path("/proc/self/mounts").read_text(encoding="utf-8", errors="replace"))
    except OSError:
        return []


def mounted_in(table: str) -> list[Path]:
    r"""Return the media in a mount table of Linux, whose blanks are octal (fstab(5)).

    >>> table = "/dev/sda1 / ext4 rw 0 0\n/dev/sdb1 /media/ada/MY\\040STICK vfat rw 0 0\n"
    >>> [str(path) for path in mounted_in(table)]
    ['/media/ada/MY STICK']
    """
    points = [line.split(" ")[1] for line in table.splitlines() if line.count(" ") > 2]
    plain = [re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), point) for point in points]
    return [Path(point) for point in plain if f"{point}/".startswith(_MOUNTED)]
