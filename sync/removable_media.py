"""Where sticks and memory cards are mounted, on Linux, macOS and Windows."""

import os
import re
import string
import sys
from pathlib import Path

_MOUNTED = ("/media/", "/run/media/", "/mnt/")


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
