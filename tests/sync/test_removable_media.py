"""Mounted sticks on Linux, macOS and Windows; the last two are simulated."""

import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from sync import removable_media

TABLE = (
    "/dev/sda1 / ext4 rw 0 0\n"
    "/dev/sdb1 /media/ada/MY\\040STICK\\011A vfat rw 0 0\n"
    "/dev/sdc1 /run/media/ada/B exfat rw 0 0\n"
    "/dev/sdd1 /mnt vfat rw 0 0\n"
    "/dev/sde1 /mntx vfat rw 0 0\n"
    "/media/x /home ext4 rw 0 0\n"
    "/dev/sdf1 /media/cut\n"
)
FOUND = [Path("/media/ada/MY STICK\tA"), Path("/run/media/ada/B"), Path("/mnt")]


@pytest.mark.parametrize(
    ("table", "found"), [(TABLE, FOUND), ("", []), ("\n\n", []), ("x", []), ("a b\n" * 3, []), ("a /media/x", [])]
)
def test_a_mount_table_gives_the_removable_media(table, found):
    """Mount points below the three folders, octal escapes read (fstab(5)); an odd table raises nothing."""
    assert removable_media.mounted_in(table) == found


def test_linux_reads_the_mount_table_of_the_process(monkeypatch):
    """The kernel's table is read whatever bytes are in it; where there is none, there are no media."""
    asked = []
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(Path, "read_text", lambda path, **how: asked.append((path, how)) or TABLE)
    assert removable_media.mounts() == FOUND
    assert asked == [(Path("/proc/self/mounts"), {"encoding": "utf-8", "errors": "replace"})]
    monkeypatch.undo()
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(Path, "read_text", lambda *_, **__: (_ for _ in ()).throw(FileNotFoundError()))
    assert removable_media.mounts() == []


def test_macos_gives_the_mounted_volumes(monkeypatch):
    """Of the folders in /Volumes those that are mounts, by name; without that folder none."""
    volumes = [Path("/Volumes/B"), Path("/Volumes/A"), Path("/Volumes/folder")]
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(Path, "iterdir", lambda path: iter(volumes if path == Path("/Volumes") else []))
    monkeypatch.setattr("os.path.ismount", lambda path: path.name != "folder")
    assert removable_media.mounts() == [Path("/Volumes/A"), Path("/Volumes/B")]
    monkeypatch.setattr(Path, "iterdir", lambda _path: (_ for _ in ()).throw(FileNotFoundError()))
    assert removable_media.mounts() == []


def test_windows_gives_the_removable_drives(monkeypatch):
    """Drives of type 2, DRIVE_REMOVABLE (Microsoft, GetDriveTypeW); 3 is a fixed disk."""
    kinds = {"C:\\": 3, "E:\\": 2, "Z:\\": 2}
    kernel = SimpleNamespace(GetDriveTypeW=lambda root: kinds.get(root, 1))
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setitem(sys.modules, "ctypes", SimpleNamespace(windll=SimpleNamespace(kernel32=kernel)))
    assert removable_media.mounts() == [Path("E:\\"), Path("Z:\\")]
