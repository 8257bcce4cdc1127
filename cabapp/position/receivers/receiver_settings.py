"""What a tablet remembers of its receivers: which one to use, and where each antenna sits.

One small JSON file beside the raw logs. It belongs to the tablet and its tractor, so it never
travels. A file that is missing or damaged means: find a receiver, and one antenna.
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
    """The file in a folder.

    Parameters
    ----------
    folder : Path or None
        None: nothing is kept beyond this run.

    Examples
    --------
    >>> kept = ReceiverSettings(None)
    >>> kept.use, kept.antenna("ttyUSB0")
    ('auto', None)
    >>> kept.put_antenna("ttyUSB0", Antenna(ahead=1.5))
    >>> kept.antenna("ttyUSB0")
    Antenna(ahead=1.5, right=0.0)
    """

    def __init__(self, folder: Path | None):
        self._path = None if folder is None else Path(folder) / FILE
        self._use, self._antennas = "auto", {}
        if self._path is None:
            return
        try:
            said = json.loads(self._path.read_text(encoding="utf-8"))
            self._use = str(said.get("use", "auto"))
            for name, place in dict(said.get("antennas", {})).items():
                antenna = Antenna(float(place["ahead_m"]), float(place["right_m"]))
                if math.isfinite(antenna.away) and antenna.away <= FARTHEST_M:
                    self._antennas[name] = antenna
        except FileNotFoundError:
            pass
        except (OSError, ValueError, TypeError, KeyError, AttributeError):
            log.warning("what is kept of the receivers could not be read", exc_info=True)

    @property
    def use(self) -> str:
        """The receiver to use, as `opening` names them."""
        return self._use

    @use.setter
    def use(self, words: str) -> None:
        self._use = words
        self._write()

    def antenna(self, name: str) -> Antenna | None:
        """Return where a receiver's antenna sits; None where nobody has said."""
        return self._antennas.get(name)

    def put_antenna(self, name: str, antenna: Antenna) -> None:
        """Remember where a receiver's antenna sits."""
        self._antennas[name] = antenna
        self._write()

    def _write(self):
        if self._path is None:
            return
        places = {n: {"ahead_m": a.ahead, "right_m": a.right} for n, a in self._antennas.items()}
        try:
            write_file(self._path, json.dumps({"use": self._use, "antennas": places}, indent=1))
        except OSError:
            log.warning("what is known of the receivers could not be kept", exc_info=True)
