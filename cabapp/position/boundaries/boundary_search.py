"""The files of fields a tablet can see: in its own folder and on sticks. No Kivy."""

from pathlib import Path

from cabapp.position.boundaries.field_readers import ON_A_TABLET

STICKS = ("/media", "/run/media", "/mnt")
MOST = 60


def boundary_files(own: Path, sticks=STICKS) -> list[Path]:
    """Return files that may hold fields: in the tablet's own folder, then on sticks."""
    folders = [own, *(Path(stick) for stick in sticks)]
    found = []
    for folder in folders:
        for deep in ("*", "*/*", "*/*/*") if folder != own else ("*",):
            try:
                found += sorted(p for p in folder.glob(deep) if p.suffix.lower() in ON_A_TABLET and p.is_file())
            except OSError:
                continue
    return found[:MOST]
