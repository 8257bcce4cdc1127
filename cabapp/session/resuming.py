"""What a session goes on with when it is opened: this tablet's last stint, if nothing ended it."""

from __future__ import annotations

from cabapp.session import rules
from cabapp.session.count import taps_of
from cabapp.session.taking import waiting
from store import Store
from store.models import HandOver, Stint


def left_open(store: Store) -> tuple[Stint, str | None] | None:
    """Return the stint to go on with, and the id of its hand-over while nobody answered that.

    None when there is nothing to go on with.
    """
    own = [stint for stint in store.all(Stint) if stint.device == store.device]
    if not own:
        return None
    stint = max(own, key=lambda one: one.seq)
    state = rules.standing(stint.at, taps_of(store, stint.id)).state
    if state in rules.OPEN:
        return stint, None
    if state != rules.HANDED_OVER:
        return None
    open_ones = {one.id for one in waiting(store, stint.job_id)}
    given = [one.id for one in store.all(HandOver, stint_id=stint.id)]
    handed = next((one for one in reversed(given) if one in open_ones), None)
    return None if handed is None else (stint, handed)
