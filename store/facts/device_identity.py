"""The identity of a copy: made at first, and made anew when two machines turn out to write as one device."""

import uuid
from collections.abc import Iterable

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import select
from sqlalchemy.orm import Session

from store.facts import doubled_numbers
from store.facts.hybrid_clock import next_stamp
from store.facts.record_id import new_id
from store.facts.signed_pages import public_key_of, seal_in
from store.facts.succession import succession
from store.models import PAIRED_HERE, Base, Enrolment, Fact, Own, Peer, Retirement


def new_own(name: str) -> Own:
    """Return a new device with a key of its own."""
    return Own(device=str(uuid.uuid4()), name=name, private_key=Ed25519PrivateKey.generate().private_bytes_raw())


def renew(session: Session, now: float = 0.0, first: int | None = None) -> Own:
    """Go on as a new device and return it; the old one becomes a peer.

    `session`: a writing one.
    `now`: POSIX s.
    `first`: the first number of the old device that another machine has given too; the new one records that it left it.

    Notes: All that was written stays the old device's and is signed by its key now, so that this copy passes it on. The
    other machine's records stay beside it: two of one number have two ids, and both count.
    """
    old = session.scalars(select(Own)).one()
    new = new_own(old.name)
    new.stamp, new.office, new.next_seq = old.stamp, old.office, 1
    seal_in(session)
    last = old.next_seq - 1
    session.merge(Peer(device=old.device, name=old.name, public_key=public_key_of(old.private_key)))
    session.delete(old)
    session.flush()
    session.add(new)
    _succeed(session, old, new, now)
    _go_on_holding(session, old, new, now)
    if first is not None and first <= last:
        retire(session, old.device, first, last, now)
    session.flush()
    return new


def _succeed(session: Session, old: Own, new: Own, now: float) -> None:
    """Record, as the first fact of a new device, that the old one's key says who goes on; so nobody has to pair it again."""
    key = public_key_of(new.private_key).hex()
    signature = Ed25519PrivateKey.from_private_bytes(old.private_key).sign(succession(old.device, new.device, key))
    fact = Enrolment(subject=new.device, name=new.name, public_key=key, state="successor", at=now)
    fact.reason = f"{old.device} {signature.hex()}"
    _number(session, new, fact, now)


def _go_on_holding(session: Session, old: Own, new: Own, now: float) -> None:
    """Record anew whom the old device held to directly: what else comes of it later may be of another machine."""
    if old.office == old.device:
        return  # its successor is the office
    given = session.scalars(select(Enrolment).filter_by(device=old.device).order_by(Enrolment.seq))
    for one in {one.subject: one for one in given}.values():
        if one.reason == PAIRED_HERE or one.state == "revoked":
            fact = Enrolment(subject=one.subject, name=one.name, public_key=one.public_key, state=one.state, at=now)
            fact.reason = one.reason
            _number(session, new, fact, now)


def _number(session: Session, own: Own, fact: Fact, now: float) -> None:
    own.stamp = next_stamp(own.stamp, now, own.device)
    fact.id, fact.device, fact.seq, fact.stamp = new_id(own.device), own.device, own.next_seq, own.stamp
    own.next_seq += 1
    session.add(fact)
    session.flush()


def retire(session: Session, subject: str, first: int, last: int | None, now: float) -> None:
    """Record that a device was left, or with `last` None that nobody is to go on as it; see `Retirement`."""
    own = session.scalars(select(Own)).one()
    _number(session, own, Retirement(subject=subject, first=first, last=last, at=now), now)


def begin_empty(session: Session) -> Own:
    """Remove all records, and who was met, and begin as a new device, which is returned.

    `session`: a writing one.
    """
    name = session.scalars(select(Own.name)).one()
    for table in reversed(Base.metadata.sorted_tables):
        session.execute(table.delete())
    session.expunge_all()
    session.add(new := new_own(name))
    session.flush()
    return new


def renew_if_doubled(
    session: Session,
    theirs: Iterable[tuple[int, str]],
    retirements: Iterable[Retirement],
    enrolments: Iterable[Enrolment],
    now: float,
) -> Own | None:
    """Go on as a new device, which is returned, if another machine writes as this one or nobody is to.

    `theirs`: number and id of each record of this device that a bundle brings.
    `retirements`, `enrolments`: those it brings.

    Notes: Numbers that another machine gave before it left this device are no reason. Missing numbers below the next
    one are a repair's, and only taken.
    """
    own, theirs = session.scalars(select(Own)).one(), list(theirs)
    if theirs:
        seal_in(session)  # before pages of the other machine are here, which may reach beyond ours
    said = [*retirements, *session.scalars(select(Retirement))]
    left = [one for one in said if one.subject == own.device]
    ended = [one.first for one in doubled_numbers.counting(session, left, enrolments) if one.last is None]
    ours = doubled_numbers.ids_by_number(session, own.device, min(theirs)[0]) if theirs else {}
    twice = {n for n, id in theirs if n in ours and id not in ours[n]}
    beyond = {n for n, _id in theirs if n >= own.next_seq}
    unexplained = [n for n in twice | beyond if not any(one.last and one.first <= n <= one.last for one in left)]
    if not unexplained and not ended:
        return None
    return renew(session, now, min([*twice, *ended], default=None))
