"""Where faults are held, so that what does not depend on them goes on: writing above all."""

from __future__ import annotations

import logging
from typing import Protocol

from cabapp.common.message import Message, message
from store.errors import Refused

log = logging.getLogger(__name__)

FAULT = message(
    "A fault in the program has stopped the count. Your driving is still recorded, "
    "and the count can be made again from it."
)


class FaultState(Protocol):
    """Whose counting may fail: ``trouble`` is said on the line, ``broken`` stops the count."""

    trouble: Message | None
    broken: bool


class AdviceFaultGuard:
    """Holds a fault in what the day asks: without that, counting and warning go on as before."""

    def __enter__(self):
        return self

    def __exit__(self, kind, error, _trace):
        if isinstance(error, Exception):
            log.error("the day could not be looked at", exc_info=error)
        return isinstance(error, Exception)


class CountFaultGuard:
    """The one place where a fault in counting or judging is held, so that writing goes on."""

    def __init__(self, runner: FaultState):
        self._runner = runner

    def __enter__(self):
        return self

    def __exit__(self, kind, error, _trace):
        if error is None or not isinstance(error, Exception):
            return False
        if isinstance(error, Refused):
            self._runner.trouble = error.message
        else:
            self._runner.broken = True
            self._runner.trouble = FAULT
        log.error("counting or judging failed", exc_info=error)
        return True
