"""What a bundle brought that is right in form and cannot be: taps, boundaries and rules; each passed over, and said here.

Notes: `store.values.sound_rows.odd_rows` names plain values.
"""

from collections.abc import Callable, Iterable
from typing import Any

from cabapp.common.message import Message, message, plural
from cabapp.jobs.records.tap_kinds import is_odd
from cabapp.planning.emergence import with_own
from cabapp.planning.go_rules import own_rules
from cabapp.position.boundaries import boundary_judge
from store import Store
from store.models import Farm, Field, Parcel, Tap


def odd_taps(store: Store, stint_ids: Iterable[str]) -> list[Message]:
    """Return a sentence on the taps of some stints that say what no such tap can; none where there are none."""
    odd = [tap for id in stint_ids for tap in store.all(Tap, stint_id=id) if is_odd(tap)]
    if not odd:
        return []
    return [plural(
        "{count} tap is odd and left out: {kinds}. 'rollbook check' names it.",
        "{count} taps are odd and left out: {kinds}. 'rollbook check' names them.",
        len(odd), kinds=tuple(sorted({tap.kind for tap in odd})),
    )]  # fmt: skip


def odd_details(store: Store) -> list[Message]:
    """Return a sentence for each tap, boundary and rule that cannot be."""
    found = [
        message("The tap {kind} {row} is odd, and left out of everything.", kind=tap.kind, row=tap.id[:8])
        for tap in store.all(Tap) if is_odd(tap)
    ]  # fmt: skip
    for field in store.all(Field):
        if boundary_judge.is_odd(field.boundary):
            found.append(
                message("The boundary of {name} is none that a field can have, and counts as none.", name=field.name)
            )
        if field.once_only and boundary_judge.kept_part(field.once_only) is None:
            found.append(message("The ground for once only in {name} cannot be, and counts as none.", name=field.name))
    for parcel in store.all(Parcel):
        if boundary_judge.kept_part(parcel.boundary) is None:
            found.append(message("The ground of the parcel {name} cannot be, and counts as none.", name=parcel.name))
    for farm in store.all(Farm):
        for said, judge in ((farm.closing_rules, with_own), (farm.go_rules, own_rules)):
            if (why := _refused(judge, said)) is not None:
                found.append(message("The farm's own rules cannot be ({why}), and the program's count.", why=why))
    return found


def _refused(judge: Callable[[Any], object], said: Any) -> str | None:
    try:
        judge(said)
    except ValueError as fault:
        return str(fault)[:200]
    return None
