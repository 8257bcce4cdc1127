"""Which devices are trusted: those on the office's roll, or by the first key seen.

While no device is enrolled, each is trusted by the key it was first seen with. Once a copy knows
its office (`Own.office`), only devices on the office's roll are trusted.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from store.errors import BundleRefused
from store.facts.signed_pages import public_key_of
from store.models import Enrolment, Own, Peer
from sync.bundle_file import Bundle


@dataclass(frozen=True)
class RollEntry:
    """The office's newest enrolment of one device."""

    device: str
    name: str
    public_key: bytes
    state: str
    at: float
    reason: str | None


def device_roll(enrolments: Iterable[dict[str, Any]], office: str | None) -> dict[str, RollEntry]:
    """Return the newest enrolment of each device, given enrolments as columns; only the office's count."""
    theirs = sorted((e for e in enrolments if e["device"] == office), key=lambda e: (e["stamp"], e["seq"]))
    return {
        e["subject"]: RollEntry(
            e["subject"], e["name"], bytes.fromhex(e["public_key"]), e["state"], e["at"], e["reason"]
        )
        for e in theirs
    }


def enrolments_here(session: Session) -> list[dict[str, Any]]:
    """Return the enrolments of this copy as columns."""
    return [dict(row) for row in session.execute(select(Enrolment.__table__)).mappings()]


def accepted_keys(session: Session, bundle: Bundle, fresh: list[dict[str, Any]]) -> dict[str, bytes]:
    """Return the public key by which the pages of each device are to be checked.

    `session`: a writing one: the farm's office is stored when it is first met.
    `bundle`: one whose own signature is valid.
    `fresh`: the enrolments it brings, as columns; the caller checks their page by these keys.

    Raises BundleRefused if its signer is not trusted.
    """
    own = session.scalars(select(Own)).one()
    met = {p.device: p.public_key for p in session.scalars(select(Peer)) if p.public_key}
    met[own.device] = public_key_of(own.private_key)
    signer = bundle.manifest["device"]
    named = {d["id"]: bytes.fromhex(d["public_key"]) for d in bundle.manifest["devices"]}
    named[signer["id"]] = bundle.public_key
    if met.get(signer["id"], bundle.public_key) != bundle.public_key:
        raise BundleRefused(
            "{name} was not merged: it says it is from {signer}, but is not "
            "signed with the key that device has always used here. Ask who made it.",
            name=bundle.path.name,
            signer=signer["name"],
        )
    keys = named | met  # the first key of a device is kept, whatever another device says of it
    enrolments = enrolments_here(session) + fresh
    if own.office is None:
        own.office = _first_office(bundle, enrolments, keys)
    if own.office is None:
        return keys
    entries = device_roll(enrolments, own.office)
    _check_signer(bundle, entries.get(signer["id"]), own.office)
    on_roll = {e.device: e.public_key for e in entries.values()}
    return on_roll | {d: keys[d] for d in (own.office, own.device) if d in keys}


def _first_office(bundle: Bundle, enrolments: list[dict[str, Any]], keys: dict[str, bytes]) -> str | None:
    """Return the one device that enrolled itself as the office, if its key is known."""
    offices = {e["subject"] for e in enrolments if e["state"] == "office" and e["subject"] == e["device"]}
    if len(offices) > 1:
        raise BundleRefused(
            "{name} was not merged: two devices say they are the office. "
            "Give this copy the card of the right one first (enrol --office CARD).",
            name=bundle.path.name,
        )
    return offices.pop() if offices and offices <= keys.keys() else None


def _check_signer(bundle: Bundle, entry: RollEntry | None, office: str) -> None:
    signer = bundle.manifest["device"]
    if entry is not None and entry.state == "revoked":
        places = {"name": bundle.path.name, "device": entry.name}
        if entry.reason:
            raise BundleRefused(
                "{name} was not merged: {device} was reported lost ({reason}), so its bundles are not taken "
                "any more. If it was found again, let the office enrol it again.",
                **places,
                reason=entry.reason,
            )
        raise BundleRefused(
            "{name} was not merged: {device} was reported lost, so its bundles are not taken "
            "any more. If it was found again, let the office enrol it again.",
            **places,
        )
    known = entry is not None and entry.public_key == bundle.public_key
    if not known and signer["id"] != office:
        raise BundleRefused(
            "{name} was not merged: {signer} ({device}) is not "
            "enrolled on this farm. If it is one of yours, enrol it at the office with its card.",
            name=bundle.path.name,
            signer=signer["name"],
            device=signer["id"][:8],
        )
