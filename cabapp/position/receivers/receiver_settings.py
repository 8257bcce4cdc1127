"""Stores the receiver in use and the antenna offsets.

One small JSON file beside the raw logs. It belongs to the tablet and its tractor, so it is never
exchanged. A file that is missing or damaged means: find a receiver, and one antenna.
"""

import json
import logging
import math
from pathlib import Path

from cabapp.position.calibration.antenna_offset import Antenna
from store.durability.atomic_file import write_file

log = logging.getLogger(__name__)

FILE = "receivers.json"
FARTHEST_M = 20.0
"""No antenna of a tractor sits farther from another, m."""


class ReceiverSettings:
    """The settings file in a folder.

    Parameters
    ----------
    folder : Path or None
        None: nothing is saved.

    Examples
    --------
    >>> settings = ReceiverSettings(None)
    >>> settings.use, settings.antenna("ttyUSB0")
    ('auto', None)
    >>> settings.set_antenna("ttyUSB0", Antenna(ahead=1.5))
    >>> settings.antenna("ttyUSB0")
    Antenna(ahead=1.5, right=0.0)
    """

    def __init__(self, folder: Path | None):
        self._path = None if folder is None else Path(folder) / FILE
        self._use = "auto"
        self._antennas: dict[str, Antenna] = {}
        if self._path is None:
            return
        try:
            saved = json.loads(self._path.read_text(encoding="utf-8"))
            self._use = str(saved.get("use", "auto"))
            for name, place in dict(saved.get("antennas", {})).items():
                antenna = Antenna(float(place["ahead_m"]), float(place["right_m"]))
                if math.isfinite(antenna.away) and antenna.away <= FARTHEST_M:
                    self._antennas[name] = antenna
        except FileNotFoundError:
            pass
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            log.warning("the receiver settings could not be read", exc_info=True)

    @property
    def use(self) -> str:
        """The address of the receiver to use."""
        return self._use

    @use.setter
    def use(self, address: str) -> None:
        self._use = address
        self._write()

    def antenna(self, name: str) -> Antenna | None:
        """Return where a receiver's antenna sits; None where it is not set."""
        return self._antennas.get(name)

    def set_antenna(self, name: str, antenna: Antenna) -> None:
        """Save where a receiver's antenna sits."""
        self._antennas[name] = antenna
        self._write()

    def _write(self) -> None:
        if self._path is None:
            return
        places = {n: {"ahead_m": a.ahead, "right_m": a.right} for n, a in self._antennas.items()}
        try:
            write_file(self._path, json.dumps({"use": self._use, "antennas": places}, indent=1))
        except OSError:
            log.warning("the receiver settings could not be written", exc_info=True)
