"""Work that touches a stick, beside the thread that draws. No Kivy."""

import logging
import threading
from collections.abc import Callable
from typing import Any

from store.errors import Refused

LOG = logging.getLogger("rollbook.cab")
AT_ONCE_S = 0.1
"""A frame: so long the drawing waits for what most sticks answer at once."""


class AsideWork:
    """Work begun on a thread of its own.

    `work`: knows no widget, and changes nothing that matters when it ends late or never.
    """

    def __init__(self, work: Callable[[], Any]):
        self._work = work
        self._came: list[tuple[Any, Refused | None]] = []
        worker = threading.Thread(target=self._run, name="aside", daemon=True)
        worker.start()
        worker.join(AT_ONCE_S)

    def _run(self) -> None:
        try:
            came = self._work(), None
        except Refused as refusal:
            came = None, refusal
        except Exception:
            LOG.exception("work aside failed")
            came = None, Refused("That did not work. Pull the stick out, put it in again, and try again.")
        self._came.append(came)

    @property
    def done(self) -> bool:
        """Whether it has come to an end."""
        return bool(self._came)

    def result(self) -> Any:
        """Return what came of it, or raise what it was refused with; it is done."""
        result, refusal = self._came[0]
        if refusal is not None:
            raise refusal
        return result
