"""Who goes on in place of whom, by the key of the device left; so the office stays the office under a new identity."""

from collections.abc import Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from store.facts.signed_pages import is_signed, public_key_of
from store.models import Enrolment, Own, Peer


def succession(old: str, new: str, key: str) -> bytes:
    """Return what the key of a device signs to say that another one, with this public key in hex, goes on in its place."""
    return b"rollbook succession\n" + f"{old} {new} {key}".encode()


def offices_here(session: Session, fresh: Iterable[Enrolment] = ()) -> set[str]:
    """Return the office of this copy and the devices that go on in its place; none while it has no office.

    `fresh`: enrolments that are not here yet.
    """
    own = session.scalars(select(Own)).one()
    if own.office is None:
        return set()
    keys = {peer.device: peer.public_key for peer in session.scalars(select(Peer)) if peer.public_key}
    keys[own.device] = public_key_of(own.private_key)
    found, queue = {own.office}, [own.office]
    said = [*session.scalars(select(Enrolment)), *fresh]
    said = [one for one in said if one.state == "successor" and one.device == one.subject]
    for old in queue:
        for one in said:
            before, _, signature = (one.reason or "").partition(" ")
            key = keys.get(old)
            if before != old or one.subject in found or key is None:
                continue
            if is_signed(succession(old, one.subject, one.public_key), signature, key):
                keys[one.subject] = bytes.fromhex(one.public_key)
                found.add(one.subject)
                queue.append(one.subject)
    return found
