"""The identity of a copy: made at first, and made anew when the file turns out to be a copy or an old one."""

import uuid

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import select, update
from sqlalchemy.orm import Session

from store.facts import reference_changes
from store.facts.hybrid_clock import read_stamp, write_stamp
from store.facts.signed_pages import facts_after, make_page, numbered_lines, public_key_of, seal_in
from store.models import REFERENCES, Change, Own, Peer, SignedPage


def new_own(name: str) -> Own:
    """Return a new device with a key of its own."""
    return Own(device=str(uuid.uuid4()), name=name, private_key=Ed25519PrivateKey.generate().private_bytes_raw())


def renew(session: Session, first_apart: int | None = None) -> Own:
    """Go on as a new device and return it; the old one becomes a peer.

    `session`: a writing one.
    `first_apart`: the first own number that another copy has given to another record; these records, and all after
        them, go on under the new device. None: no number is known twice.

    Notes: What stays the old device's is signed by its key now, so that this copy passes it on: the other copy of the
    file, if there is one, signs the very same records.
    """
    old = session.scalars(select(Own)).one()
    new = new_own(old.name)
    new.stamp, new.office, new.next_seq = old.stamp, old.office, 1
    if first_apart is not None:
        _cut_pages(session, old, first_apart)
        _move(session, old.device, first_apart, new)
    seal_in(session)
    session.merge(Peer(device=old.device, name=old.name, public_key=public_key_of(old.private_key)))
    session.delete(old)
    session.flush()
    session.add(new)
    session.flush()
    return new


def _cut_pages(session: Session, own: Own, first_apart: int) -> None:
    """Sign anew what comes before a number on the pages that reach it."""
    reach = select(SignedPage).where(SignedPage.device == own.device, SignedPage.last >= first_apart)
    for page in session.scalars(reach).all():
        lines = [line for seq, line in numbered_lines(page) if seq < first_apart]
        session.delete(page)
        session.flush()
        if lines:
            session.merge(make_page(own.device, page.first, lines, own.private_key))
    session.flush()


def _move(session: Session, device: str, first: int, new: Own) -> None:
    """Number the facts of a device from `first` on as facts of a new one, in their order."""
    changed: dict[str, list[str]] = {}
    for fact in facts_after(session, device, first - 1):
        ms, count, _letters = read_stamp(fact.stamp)
        values = {"device": new.device, "seq": new.next_seq, "stamp": write_stamp(ms, count, new.device)}
        if isinstance(fact, Change):
            changed.setdefault(fact.table, []).append(fact.row_id)
        session.execute(update(type(fact).__table__).filter_by(id=fact.id).values(values))
        session.expunge(fact)
        new.next_seq += 1
    for name, model in REFERENCES.items():
        reference_changes.apply_changes(session, model, changed.get(name, ()))
