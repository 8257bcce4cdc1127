"""Which stint to continue after a restart."""

from cabapp.jobs.records import stint_state
from cabapp.jobs.records.pending_handovers import pending_handovers
from cabapp.jobs.records.stint_reader import last_stint, state_of
from store import Store
from store.models import HandOver, Stint


def stint_to_resume(store: Store) -> tuple[Stint, str | None] | None:
    """Return the stint to continue and the id of its hand-over while not received; None without one."""
    stint = last_stint(store)
    if stint is None:
        return None
    state = state_of(store, stint).state
    if state in stint_state.OPEN:
        return stint, None
    if state != stint_state.HANDED_OVER:
        return None
    open_ones = {one.id for one in pending_handovers(store, stint.job_id)}
    given = [one.id for one in store.all(HandOver, stint_id=stint.id)]
    handed = next((one for one in reversed(given) if one in open_ones), None)
    return None if handed is None else (stint, handed)
