"""Isolates faults in counting and advice so that recording continues."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
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


@contextmanager
def advice_guarded() -> Iterator[None]:
    """Log a fault in the advice of the day; counting and warnings continue."""
    try:
        yield
    except Exception:
        log.exception("the day could not be looked at")


@contextmanager
def count_guarded(runner: FaultState) -> Iterator[None]:
    """Log a fault in counting or evaluation and make it a message; recording continues."""
    try:
        yield
    except Refused as refused:
        log.exception("counting or judging failed")
        runner.trouble = refused.message
    except Exception:
        log.exception("counting or judging failed")
        runner.broken, runner.trouble = True, FAULT
