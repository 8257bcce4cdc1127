"""Enrolling devices: the card a device shows, the office's roll, a tablet reported lost.

A card is one line of text, short enough for a QR code, and holds nothing secret::

    rollbook-card:1:<device>:<public key in hex>:<name, percent-encoded>:<check in hex>

The check is the first 8 letters of the SHA-256 of all before the last colon; it finds typing errors,
not forgeries. The protection is that the office takes the card from a person it knows.
"""

import hashlib
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote, unquote

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.durability.atomic_file import write_atomically
from store.durability.carrier_files import read_regular
from store.errors import BundleRefused, message
from store.facts.fact_lines import is_hash, is_uuid
from store.facts.signed_pages import public_key_of
from store.models import Enrolment, Own, Peer
from sync.bundle_file import LONGEST_NAME
from sync.device_trust import RollEntry, device_roll, enrolments_here

HEAD = "rollbook-card:1:"
LARGEST_CARD = 4096


@dataclass(frozen=True)
class Card:
    """The identity of a device: id, name, public key."""

    device: str
    name: str
    public_key: bytes

    @property
    def fingerprint(self) -> str:
        """Sixteen letters that two people can compare aloud."""
        letters = hashlib.sha256(self.device.encode() + self.public_key).hexdigest()[:16]
        return " ".join(letters[i : i + 4] for i in range(0, 16, 4))

    def text(self) -> str:
        """Return the card as its line of text."""
        text = f"{HEAD}{self.device}:{self.public_key.hex()}:{quote(self.name, safe='')}"
        return f"{text}:{_check(text)}"


def card_of(store: Store) -> Card:
    with store.session() as session:
        own = session.scalars(select(Own)).one()
        return Card(own.device, own.name, public_key_of(own.private_key))


def read_card(text: str) -> Card:
    """Return the card that a text, or the file it names, holds.

    Raises BundleRefused if it is no card, or a letter of it is wrong.
    """
    text = text.strip()
    if not text.startswith("rollbook-card:"):
        try:
            text = read_regular(text, LARGEST_CARD).decode("utf-8").strip()
        except (OSError, ValueError) as error:
            raise BundleRefused(
                "{text} is no card and no file with one. On the tablet, 'rollbook enrol --card' shows its card.",
                text=text[:80],
            ) from error
    parts = text.split(":")
    if len(parts) != 6 or not text.startswith(HEAD) or len(text) > LARGEST_CARD:
        raise BundleRefused("That is no card of a device. Copy or scan the whole line again.")
    name = unquote(parts[4])
    sound = is_uuid(parts[2]) and is_hash(parts[3]) and _check(text.rpartition(":")[0]) == parts[5]
    if not sound or not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        raise BundleRefused("A letter of the card is wrong. Copy or scan the whole line again.")
    return Card(parts[2], name, bytes.fromhex(parts[3]))


def _check(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def enrol(store: Store, card: Card) -> None:
    """Put a device on the farm's roll; the first copy to do so becomes the farm's office.

    Raises BundleRefused if this copy is not the office, or knows the device by another key.
    """
    own = card_of(store)
    _check_office(store, own)
    with store.session() as session:
        peer = session.get(Peer, card.device)
        entry = device_roll(enrolments_here(session), own.device).get(card.device)
    known = entry.public_key if entry else peer.public_key if peer else None
    if known is not None and known != card.public_key:
        raise BundleRefused(
            "{name} was not enrolled: the device of that id has shown another key before. "
            "Look at the card on the tablet itself.",
            name=card.name,
        )
    _become_office(store, own)
    if entry is None or entry.state == "revoked":
        _record(store, card, "tablet")


def revoke(store: Store, name: str, reason: str | None = None) -> RollEntry:
    """Revoke a lost device, given its name or the start of its id; return its entry until now.

    Raises BundleRefused if this copy is not the office, or no one device on the roll is meant.
    """
    _check_office(store, card_of(store))
    on_roll = [e for e in roll_of(store) if e.state == "tablet"]
    meant = [e for e in on_roll if e.name == name or e.device.startswith(name)]
    if len(meant) != 1:
        raise BundleRefused(
            "Not one device on the roll is called '{name}'. On it: {names}. "
            "Give the name, or the first letters of the id.",
            name=name,
            names=[f"{e.name} ({e.device[:8]})" for e in on_roll] or message("nobody"),
        )
    (entry,) = meant
    _record(store, Card(entry.device, entry.name, entry.public_key), "revoked", reason)
    return entry


def hold_to(store: Store, card: Card) -> None:
    """Take a device as this copy's office, by its card; only its roll counts from now on."""

    def work(session: Session) -> None:
        session.scalars(select(Own)).one().office = card.device
        session.merge(Peer(device=card.device, name=card.name, public_key=card.public_key))

    store.durably(work)


def roll_of(store: Store) -> list[RollEntry]:
    """Return the roll as this copy knows it, by name; empty while no device is enrolled."""
    with store.session() as session:
        office = session.scalars(select(Own)).one().office
        return sorted(device_roll(enrolments_here(session), office).values(), key=lambda e: (e.name, e.device))


def met_but_not_enrolled(store: Store) -> list[Card]:
    """Return the devices this copy has merged bundles of that are not on the roll, by name."""
    enrolled = {e.device for e in roll_of(store)}
    with store.session() as session:
        peers = session.scalars(select(Peer).order_by(Peer.name))
        return [Card(p.device, p.name, p.public_key) for p in peers if p.public_key and p.device not in enrolled]


def write_card(store: Store, path: Path) -> None:
    """Write this copy's card to a file; BundleRefused if it cannot be written."""
    try:
        with write_atomically(path) as beside:
            beside.write_text(card_of(store).text() + "\n", encoding="utf-8")
    except OSError as error:
        raise BundleRefused(
            "The card could not be written to {path} ({reason}). "
            "Look whether the folder is there and may be written to.",
            path=path,
            reason=error.strerror or error,
        ) from error


def _check_office(store: Store, own: Card) -> str | None:
    """Return the office known here; BundleRefused if that is another copy."""
    with store.session() as session:
        office = session.scalars(select(Own)).one().office
    if office is not None and office != own.device:
        raise BundleRefused(
            "Only the farm's office enrols and strikes off devices, and that is another copy ({office}). Do it there.",
            office=office[:8],
        )
    return office


def _become_office(store: Store, own: Card) -> None:
    if _check_office(store, own) is None:
        _record(store, own, "office")

        def work(session: Session) -> None:
            session.scalars(select(Own)).one().office = own.device

        store.durably(work)


def _record(store: Store, card: Card, state: str, reason: str | None = None) -> None:
    store.add(
        Enrolment(
            subject=card.device,
            name=card.name,
            public_key=card.public_key.hex(),
            state=state,
            at=store.now(),
            reason=reason,
        )
    )
