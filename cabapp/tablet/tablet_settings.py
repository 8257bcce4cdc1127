"""What one tablet remembers for itself: its light, its language, the number before set-up, where backups go,
the passphrase of its bundles.

One small JSON file beside the logbook that is open, so that a cab opened on another logbook changes
nothing for this one. It belongs to the tablet, not to the farm, so it never travels.
"""

import json
import logging
from pathlib import Path

from cabapp.common.message import N_
from store.durability.atomic_file import write_file

LOG = logging.getLogger("rollbook.settings")
DEFAULTS = {"light": "by the sun", "language": None, "number": None, "backup": None, "passphrase": None}
LIGHTS = N_(("by the sun", "day", "night"))


class Settings:
    """The settings in the file at `path`; a file that is missing or damaged gives the defaults."""

    def __init__(self, path: Path):
        self._path, self._values = path, dict(DEFAULTS)
        try:
            kept = json.loads(path.read_text(encoding="utf-8"))
            self._values |= {name: kept[name] for name in DEFAULTS if name in kept}
        except FileNotFoundError:
            pass
        except (OSError, ValueError, TypeError):
            LOG.warning("the tablet's settings could not be read", exc_info=True)
        for name in ("backup", "passphrase"):
            if not isinstance(self._values[name], str):
                self._values[name] = None
        if self._values["light"] not in LIGHTS:
            self._values["light"] = DEFAULTS["light"]

    def __getitem__(self, name: str):
        return self._values[name]

    def __setitem__(self, name: str, value) -> None:
        """Remember a value in the file; an error is logged only."""
        self._values[name] = value
        try:
            write_file(self._path, json.dumps(self._values, ensure_ascii=False, indent=1), private=True)
        except OSError:
            LOG.warning("the tablet's settings could not be kept", exc_info=True)
