"""Numbers of a device that name two records each, because two machines wrote as it; which of them has left it."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise

from sqlalchemy import bindparam, select, text
from sqlalchemy.orm import Session

from store.errors import Message, message
from store.facts.succession import offices_here
from store.models import FACTS, Enrolment, Own, Peer, Retirement, SignedPage

_OF_DEVICE = " UNION ALL ".join(f'SELECT device, seq FROM "{name}" WHERE device IN :devices' for name in FACTS)
_TWICE = text(
    f"SELECT device, seq FROM ({_OF_DEVICE}) AS every GROUP BY device, seq HAVING count(*) > 1 ORDER BY device, seq"
).bindparams(bindparam("devices", expanding=True))
_DEVICES = text(" UNION ".join(f'SELECT DISTINCT device FROM "{name}"' for name in FACTS))
_IDS = text(
    " UNION ALL ".join(f'SELECT seq, id FROM "{name}" WHERE device = :device AND seq >= :first' for name in FACTS)
)


@dataclass(frozen=True)
class Doubled:
    """A device as which two machines wrote: the first and last number that names two records."""

    device: str
    name: str
    first: int
    last: int

    @property
    def said(self) -> Message:
        """Sentences for a person."""
        return message(
            "Two machines have written as {name} ({device}): its numbers {first} to {last} name two records each, as "
            "after a card was cloned. All of them are kept and counted. Let both machines exchange, "
            "or run check with --mend; then each goes on as a device of its own.",
            name=self.name, device=self.device[:8], first=self.first, last=self.last,
        )  # fmt: skip


def overlapping(session: Session) -> set[str]:
    """Return the devices of which two pages overlap; a sound logbook has numbers twice of these only."""
    columns = select(SignedPage.device, SignedPage.first, SignedPage.last)
    in_order = session.execute(columns.order_by(SignedPage.device, SignedPage.first, SignedPage.last)).all()
    found, reach = set(), 0
    for before, page in pairwise(in_order):
        reach = max(reach, before.last) if page.device == before.device else 0
        if page.first <= reach:
            found.add(page.device)
    return found


def doubled(session: Session, devices: Iterable[str] | None = None) -> list[Doubled]:
    """Return the devices that two machines wrote as and go on as; of all devices or of some."""
    some = list(session.scalars(_DEVICES) if devices is None else devices)
    numbers: dict[str, list[int]] = {}
    for device, seq in session.execute(_TWICE, {"devices": some}) if some else ():
        numbers.setdefault(device, []).append(seq)
    if not numbers:
        return []
    said = counting(session, session.scalars(select(Retirement)))
    names = {device: name for of in (Peer, Own) for device, name in session.execute(select(of.device, of.name))}
    found = []
    for device, twice in numbers.items():
        left = [(one.first, one.last or max(twice)) for one in said if one.subject == device]
        if not all(any(first <= n <= last for first, last in left) for n in twice):
            found.append(Doubled(device, names.get(device, device[:8]), twice[0], twice[-1]))
    return found


def counting(session: Session, said: Iterable[Retirement], fresh: Iterable[Enrolment] = ()) -> list[Retirement]:
    """Return the retirements that count: that nobody goes on as a device is the office's to say, where one is known.

    `fresh`: enrolments that are not here yet.
    """
    offices = offices_here(session, fresh)
    return [one for one in said if one.last is not None or not offices or one.device in offices]


def ids_by_number(session: Session, device: str, first: int) -> dict[int, set[str]]:
    """Return the ids of a device's records here, by number, from a number on."""
    found: dict[int, set[str]] = {}
    for seq, id in session.execute(_IDS, {"device": device, "first": first}):
        found.setdefault(seq, set()).add(id)
    return found
