"""Isolates faults in counting and advice so that recording continues."""

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
    """State after a fault: ``trouble`` is the message, ``broken`` stops the count."""

    trouble: Message | None
    broken: bool


class AdviceFaultGuard:
    """Logs a fault in the advice of the day; counting and warnings continue."""

    def __enter__(self):
        return self

    def __exit__(self, kind, error, _trace):
        if isinstance(error, Exception):
            log.error("the day could not be looked at", exc_info=error)
        return isinstance(error, Exception)


class CountFaultGuard:
    """Logs a fault in counting or evaluation and makes it a message; recording continues."""

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
