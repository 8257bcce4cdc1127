"""Hand-overs not yet received."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from cabapp.common.message import Message, as_json, from_json
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import order_of
from cabapp.jobs.records.dating.stint_rows import brought_in, handovers_of, stints_of
from store import Store
from store.models import Field, HandOverReceipt, Job, Operator, Stint

POINTS = (
    "state", "where", "odd", "marks", "machine", "seeder", "if_then", "to_do", "closing",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class WaitingHandOver:
    """A hand-over not yet received: its receiver shows the next pass first."""

    id: str
    field_id: str
    field: str
    operation: str
    outgoing: str
    at: float
    state: str
    left_for: bool
    sheet: dict[str, Any]


def pending_handovers(store: Store, job: str | None = None) -> list[WaitingHandOver]:
    """Return the hand-overs not yet received: the last of each job, with no stint after it."""
    corrections = Corrections(store)
    last = {one.job_id: one for one in handovers_of(store, corrections, job)}
    found = []
    for one in last.values():
        answered = any(r.agreed for r in store.all(HandOverReceipt, hand_over_id=one.id))
        after = [s for s in stints_of(store, one.job_id, corrections) if order_of(s) > order_of(one)]
        gone_on = any(s.at > one.at or not brought_in(store, s) for s in after)
        if answered or gone_on:
            continue
        work, given_by = store.get(Job, one.job_id), store.get(Stint, one.stint_id)
        if work is None or given_by is None:
            continue  # their rows have not arrived yet
        field, outgoing = store.get(Field, work.field_id), store.get(Operator, given_by.operator_id)
        if field is None or outgoing is None:
            continue
        found.append(
            WaitingHandOver(
                one.id, field.id, field.name, work.operation, outgoing.name,
                one.at, one.state, one.left_for, one.sheet,
            )
        )  # fmt: skip
    return found


def told_of(sheet: dict[str, Any], point: str) -> list[Message]:
    """Return what was said for a point; a sheet from elsewhere may hold anything there.

    >>> [str(one) for one in told_of({"told": {"odd": ["headland not done"]}}, "odd")], told_of({"told": 3}, "odd")
    (['headland not done'], [])
    """
    told = sheet.get("told")
    return messages_of(told.get(point) if isinstance(told, dict) else None)


def messages_of(kept: object) -> list[Message]:
    """Return messages kept in a sheet (``as_json``; a string is an English sentence), whatever else stands there."""
    found = []
    for one in kept if isinstance(kept, list) else ():
        try:
            said = from_json(one)
        except ValueError:
            said = one
        found.append(said if isinstance(said, Message) else Message(str(said)))
    return found


def kept(messages: Iterable[Message]) -> list[Any]:
    """Return messages as a sheet keeps them: one without values as its sentence."""
    return [as_json(one) if one.values else one.id for one in messages]
