"""How the tablet itself is doing, in words: battery, heat, room on the disk. Reads files only.

Linux tells battery and heat under /sys; where it does not, nothing is said of them.
"""

import shutil
from pathlib import Path

from cabapp.common.message import Message, message

LOW_BATTERY = 20  # per cent, while not charging (common practice)
HOT_C = 75.0  # chips slow themselves down from about 80 degrees C on (common practice)
LEAST_FREE = 200 << 20  # bytes; some hundred hours of trace


def tablet_trouble(folder: Path, system: Path = Path("/sys"), free: int | None = None) -> Message | None:
    """Return the first thing the operator should see to, or None.

    `folder`: where the logbook lies.
    `system`: the kernel's files.
    `free`: bytes free where the logbook lies; asked of the system when not given.
    """
    if free is None:
        free = shutil.disk_usage(folder).free
    if free < LEAST_FREE:
        return message("The tablet is nearly full: {size} MB left. Move old files to a stick soon.", size=free >> 20)
    battery = _battery(system)
    if battery is not None and battery <= LOW_BATTERY:
        return message("The tablet's battery is at {percent} % and not charging. Plug it in.", percent=battery)
    heat = _heat(system)
    if heat is not None and heat >= HOT_C:
        return message("The tablet is hot ({heat} °C). Shade it, and give it air.", heat=f"{heat:.0f}")
    return None


def _battery(system):
    """Return the charge of a battery that is running down, per cent."""
    for supply in sorted((system / "class/power_supply").glob("*")):
        if _word(supply / "type") == "Battery" and _word(supply / "status") == "Discharging":
            charge = _word(supply / "capacity")
            if charge and charge.isdigit():
                return int(charge)
    return None


def _heat(system):
    """Return the hottest chip, degrees Celsius."""
    found = []
    for zone in (system / "class/thermal").glob("thermal_zone*"):
        word = _word(zone / "temp")
        if word and word.lstrip("-").isdigit():
            found.append(int(word) / 1000)
    return max(found, default=None)


def _word(path):
    try:
        return path.read_text().strip()
    except (OSError, UnicodeDecodeError):
        return None
