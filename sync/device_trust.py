"""Whose word is taken: the office's roll of devices, or the first sight of a key.

While nobody has been enrolled, a device is held to the key it was first seen with. From the
moment a copy knows its office (`Own.office`), only devices on the office's roll are believed.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import select
from sqlalchemy.orm import Session

from store.errors import BundleRefused
from store.models import Enrolment, Own, Peer
from sync.bundle_file import Bundle


@dataclass(frozen=True)
class Entry:
    """The office's newest word on one device."""

    device: str
    name: str
    public_key: bytes
    state: str
    at: float
    reason: str | None


def public_key(own: Own) -> bytes:
    """Return the public key of this copy."""
    return Ed25519PrivateKey.from_private_bytes(own.private_key).public_key().public_bytes_raw()


def device_roll(words: Iterable[dict], office: str | None) -> dict[str, Entry]:
    """Return the office's newest word on each device; what others say does not count.

    Parameters
    ----------
    words : iterable of dict
        Enrolments as columns, in any order.
    office : str or None
        The device whose enrolments count.
    """
    theirs = [word for word in words if word["device"] == office]
    theirs.sort(key=lambda word: (word["stamp"], word["device"], word["seq"]))
    return {
        word["subject"]: Entry(
            word["subject"],
            word["name"],
            bytes.fromhex(word["public_key"]),
            word["state"],
            word["at"],
            word["reason"],
        )
        for word in theirs
    }


def words_here(session: Session) -> list[dict]:
    """Return the enrolments of this copy as columns."""
    return [dict(row) for row in session.execute(select(Enrolment.__table__)).mappings()]


def accepted_keys(session: Session, bundle: Bundle, fresh: list[dict]) -> dict[str, bytes]:
    """Return the public keys by which each device's pages are to be judged.

    Parameters
    ----------
    session : Session
        A writing one: the farm's office is taken down when it is first met.
    bundle : Bundle
        One whose own signature has held.
    fresh : list of dict
        The enrolments it brings, as columns; believed only if their page then holds.

    Raises
    ------
    BundleRefused
        If its signer is not to be believed.
    """
    own = session.scalars(select(Own)).one()
    met = {p.device: p.public_key for p in session.scalars(select(Peer)) if p.public_key}
    met[own.device] = public_key(own)
    signer = bundle.manifest["device"]
    said = {d["id"]: bytes.fromhex(d["public_key"]) for d in bundle.manifest["devices"]}
    said[signer["id"]] = bundle.public_key
    if met.get(signer["id"], bundle.public_key) != bundle.public_key:
        raise BundleRefused(
            f"{bundle.path.name} was not merged: it says it is from {signer['name']}, but is not "
            "signed with the key that device has always used here. Ask who made it."
        )
    keys = said | met  # a key once met is held to, whatever a third says of it
    words = words_here(session) + fresh
    if own.office is None:
        own.office = _first_office(bundle, words, keys)
    if own.office is None:
        return keys
    entries = device_roll(words, own.office)
    _judge_signer(bundle, entries.get(signer["id"]), own.office)
    on_roll = {e.device: e.public_key for e in entries.values()}
    return on_roll | {d: keys[d] for d in (own.office, own.device) if d in keys}


def _first_office(bundle: Bundle, words: list[dict], keys: dict[str, bytes]) -> str | None:
    """Return the one device that says it is the office; its key must be the one we know."""
    claims = [w for w in words if w["state"] == "office" and w["subject"] == w["device"]]
    offices = {w["subject"] for w in claims}
    if len(offices) > 1:
        raise BundleRefused(
            f"{bundle.path.name} was not merged: two devices say they are the office. "
            "Give this copy the card of the right one first (enrol --office CARD)."
        )
    return offices.pop() if offices and offices <= keys.keys() else None


def _judge_signer(bundle: Bundle, entry: Entry | None, office: str) -> None:
    signer = bundle.manifest["device"]
    if entry is not None and entry.state == "revoked":
        raise BundleRefused(
            f"{bundle.path.name} was not merged: {entry.name} was reported lost"
            f"{f' ({entry.reason})' if entry.reason else ''}, so its bundles are not taken "
            "any more. If it was found again, let the office enrol it again."
        )
    known = entry is not None and entry.public_key == bundle.public_key
    if not known and signer["id"] != office:
        raise BundleRefused(
            f"{bundle.path.name} was not merged: {signer['name']} ({signer['id'][:8]}) is not "
            "enrolled on this farm. If it is one of yours, enrol it at the office with its card."
        )
