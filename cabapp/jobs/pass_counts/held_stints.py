"""Stints that a fault keeps out of a count: which one, whose, why and what to do. Nothing else is stopped by them."""

import logging
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from cabapp.common.message import Message, message
from store.errors import Refused
from store.models import Stint

log = logging.getLogger(__name__)

Made = TypeVar("Made")


@dataclass(frozen=True, slots=True)
class HeldStint:
    """A stint left out of the count, and the sentence that says so."""

    row: Stint
    said: Message


@dataclass
class HeldStints:
    """The stints of a job that could not be read or counted, each once.

    `names`: names of operators by id.
    """

    names: dict[str, str]
    held: dict[str, HeldStint] = field(default_factory=dict)

    def attempt(self, row: Stint, work: Callable[[], Made]) -> Made | None:
        """Return what the work on a stint returns; None where it fails, which is logged and held against the stint."""
        try:
            return work()
        except Refused as refusal:
            self.held[row.id] = HeldStint(row, _said(row, self.names.get(row.operator_id, "?"), refusal.message))
            return None
        except Exception as fault:
            log.exception("stint %s cannot be counted", row.id)
            self.held[row.id] = HeldStint(
                row, _said(row, self.names.get(row.operator_id, "?"), f"{type(fault).__name__}: {fault}"[:200])
            )
            return None


def _said(row: Stint, operator: str, why: object) -> Message:
    return message(
        "The stint {stint} of {operator} is left out of the count, for it cannot be read ({why}). All else is counted. "
        "Look at its times and widths; 'rollbook correct' sets them right.",
        stint=row.id[:8], operator=operator, why=why,
    )  # fmt: skip
