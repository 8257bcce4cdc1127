"""Which devices are trusted: those on the roll of the office, which a person named by its card, and those paired here.

A copy that is paired with nobody takes in nothing of others: their bundles are left where they are. A key is taken from a
card or from the office's roll, never from what another device says. What a person paired at a machine that is not the
office counts at that machine, until the office has its own word on it.
"""

import hashlib
import logging
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Protocol

from sqlalchemy import select
from sqlalchemy.orm import Session

from store.durability.carrier_files import CarrierHangs
from store.errors import BundleRefused, Message, message
from store.facts.fact_lines import InvalidFact
from store.facts.fact_validation import read_page
from store.facts.signed_pages import holds, is_signed, public_key_of
from store.facts.succession import succession
from store.models import PAIRED_HERE, Enrolment, EnrolmentState, Own, Peer

LOG = logging.getLogger("rollbook.sync")
SIGNERS = ("office", "tablet")  # states of the roll whose bundles are taken; of all others only records passed on
MOST_TRUSTED = 5_000  # beyond it a successor has to be paired by a person
ENROLMENT = b'"enrolment"'
"""Is on each line that is an enrolment."""
MOST_STRANGERS = 50  # that are shown to a person
MOST_FIRST = 200  # pages of unknown devices of one bundle whose first record is looked at
LONGEST_FIRST = 2**16  # bytes of such a record
MOST_EARLIER = 20  # so that a card still fits a QR code


class Carrier(Protocol):
    """What one device says of itself and of what it carries, its signature valid: a bundle, or a head."""

    @property
    def path(self) -> Path: ...
    @property
    def manifest(self) -> dict[str, Any]: ...
    @property
    def public_key(self) -> bytes: ...


class UnreadPage(Protocol):
    """A page whose signature and lines are not checked yet."""

    @property
    def key(self) -> tuple[str, int, int, str]: ...
    @property
    def device(self) -> str: ...
    @property
    def first(self) -> int: ...
    @property
    def signature(self) -> str: ...
    def lines(self) -> bytes: ...
    def first_line(self, most: int) -> bytes: ...


@dataclass(frozen=True)
class Card:
    """The identity of a device: id, name, public key; `earlier` are devices not on the roll whose records it has.

    `farm`: id and name of its farm, where that was found with the card.
    """

    device: str
    name: str
    public_key: bytes
    earlier: tuple["Card", ...] = field(default=(), compare=False)
    farm: tuple[str, str] | None = field(default=None, compare=False)

    @property
    def fingerprint(self) -> str:
        """Sixteen letters that two people can compare aloud."""
        letters = hashlib.sha256(self.device.encode() + self.public_key).hexdigest()[:16]
        return " ".join(letters[i : i + 4] for i in range(0, 16, 4))


@dataclass(frozen=True)
class RollEntry:
    """The office's newest enrolment of one device, or the state it has from the device it succeeds, `before`.

    `keys`: all it was ever enrolled with, the newest last.
    `direct`: whether a person paired it here, and the office has no word on it.
    `struck`: whether it was ever struck off; who goes on in its place then has to be enrolled by a person.
    """

    device: str
    name: str
    keys: tuple[bytes, ...]
    state: EnrolmentState
    at: float
    reason: str | None
    before: str | None = None
    direct: bool = False
    struck: bool = False

    @property
    def public_key(self) -> bytes:
        return self.keys[-1]


class Unpaired(BundleRefused):
    """A bundle left where it is, because its signer is not paired; `card` is what it says it is."""

    def __init__(self, sentence: str, card: Card, /, **values: object):
        super().__init__(sentence, **values)
        self.card = card


@dataclass(frozen=True)
class Trust:
    """What a copy trusts: its own id and key, its office, the office's roll, and keys of other devices whose records are here.

    `offices`: the office, and those that go on in its place; `handed_on`: those of them that made another one the office.
    """

    device: str
    own_key: bytes
    office: str | None
    office_key: bytes | None
    offices: frozenset[str]
    handed_on: frozenset[str]
    roll: dict[str, RollEntry]
    met: dict[str, bytes]

    def keys_of(self, device: str) -> tuple[bytes, ...]:
        """Return the public keys that may have signed records of a device; none if it is not trusted."""
        if device == self.device:
            return (self.own_key,)
        if device == self.office and self.office_key is not None:
            return (self.office_key,)
        if device in self.roll:
            return self.roll[device].keys
        return (self.met[device],) if device in self.met else ()


def device_roll(
    enrolments: Iterable[dict[str, Any]], office: str | None, keys: dict[str, bytes], own: str = ""
) -> tuple[dict[str, RollEntry], frozenset[str]]:
    """Return the newest enrolment of each device, and the devices that are the office, given enrolments as columns.

    `keys`: the public keys of the office and of this copy, by device.
    `own`: this copy; whom a person paired here counts where the office has no word on it.

    Notes: Only what the office wrote counts, and successors by the key of the device they go on for. A successor is trusted
    as that device is: if it was ever struck off, so is the successor. What an office wrote after it made another device the
    office does not count.
    """
    given = sorted(enrolments, key=lambda e: (e["stamp"], e["device"], e["seq"]))
    until = handed_on_at(given)
    after: dict[str, list[dict[str, Any]]] = {}
    for e in given:
        if e["state"] == "successor" and e["device"] == e["subject"]:
            after.setdefault((e["reason"] or "").partition(" ")[0], []).append(e)
    offices = {office} if office else set()
    while True:
        found: dict[str, RollEntry] = {}
        for e in given:
            counts = e["device"] in offices and e["state"] != "successor" and e["reason"] != PAIRED_HERE
            if counts and e["seq"] <= until.get(e["device"], e["seq"]):
                _enter(found, e)
        new_offices = _enter_successors(found, after, offices - until.keys(), keys)
        new_offices |= {entry.device for entry in found.values() if entry.state == "office"} - offices
        if not new_offices:
            break
        offices |= new_offices
    if own not in offices - until.keys():
        _enter_direct(found, given, own)
        _enter_successors(found, after, set(), keys)
    return found, frozenset(offices)


def handed_on_at(enrolments: Iterable[dict[str, Any]]) -> dict[str, int]:
    """Return the number of the record by which each device made another one the office in its place."""
    found: dict[str, int] = {}
    for e in enrolments:
        if e["state"] == "office" and e["subject"] != e["device"]:
            found[e["device"]] = min(e["seq"], found.get(e["device"], e["seq"]))
    return found


def _enter_direct(found: dict[str, RollEntry], given: list[dict[str, Any]], own: str) -> None:
    """Enter whom a person paired here, where the office has no word on it but that its records are passed on.

    Notes: A machine that was an office is left to the office of now, which keeps a lost one's records only.
    """
    direct: dict[str, RollEntry] = {}
    for e in given:
        if e["device"] == own != e["subject"] and (e["reason"] == PAIRED_HERE or e["state"] == "revoked"):
            _enter(direct, e)
    offices = {e["subject"] for e in given if e["state"] == "office"}
    for device, entry in direct.items():
        there = found.get(device)
        known = there is not None and there.state == "known" and there.public_key == entry.public_key
        if there is None or (known and device not in offices):
            reason = None if entry.reason == PAIRED_HERE else entry.reason
            found[device] = replace(entry, reason=reason, direct=True)


def _enter(found: dict[str, RollEntry], e: dict[str, Any]) -> None:
    key, old = bytes.fromhex(e["public_key"]), found.get(e["subject"])
    keys = (*(k for k in old.keys if k != key), key) if old else (key,)
    struck = e["state"] == "revoked" or (old is not None and old.struck)
    found[e["subject"]] = RollEntry(e["subject"], e["name"], keys, e["state"], e["at"], e["reason"], struck=struck)


def _enter_successors(
    found: dict[str, RollEntry], after: dict[str, list[dict[str, Any]]], offices: set[str], known: dict[str, bytes]
) -> set[str]:
    """Put the successors of devices on the roll there; return those that succeed an office and are none yet."""
    new_offices, queue = set(), [*found, *(known.keys() - found.keys())]
    for old in queue:
        entry = found.get(old)
        keys = entry.keys if entry else (known[old],)
        for e in after.get(old, ()):
            signature, subject = e["reason"].partition(" ")[2], e["subject"]
            said = succession(old, subject, e["public_key"])
            if (
                len(queue) >= MOST_TRUSTED
                or subject in found
                or not any(is_signed(said, signature, key) for key in keys)
            ):
                continue
            struck, direct = (entry.struck, entry.direct) if entry else (False, False)
            state = "revoked" if struck else entry.state if entry and entry.state != "office" else "tablet"
            reason, key = entry.reason if entry else None, bytes.fromhex(e["public_key"])
            found[subject] = RollEntry(subject, e["name"], (key,), state, e["at"], reason, old, direct, struck)
            queue.append(subject)
            if old in offices and subject not in offices and not struck:
                new_offices.add(subject)
    return new_offices


def enrolments_here(session: Session) -> list[dict[str, Any]]:
    """Return the enrolments of this copy as columns."""
    return [dict(row) for row in session.execute(select(Enrolment.__table__)).mappings()]


def trust_here(session: Session, more: Iterable[dict[str, Any]] = ()) -> Trust:
    """Return what this copy trusts; `more` are enrolments that are not here yet, as columns."""
    own = session.scalars(select(Own)).one()
    own_key = public_key_of(own.private_key)
    met = {p.device: p.public_key for p in session.scalars(select(Peer)) if p.public_key}
    known = {own.office: met[own.office]} if own.office in met else {}
    known[own.device] = own_key
    enrolments = [*enrolments_here(session), *more]
    roll, offices = device_roll(enrolments, own.office, known, own.device)
    handed_on = offices & handed_on_at(enrolments).keys()
    return Trust(own.device, own_key, own.office, known.get(own.office or ""), offices, handed_on, roll, met)


def other_offices(session: Session) -> list[Message]:
    """Return sentences on devices that act as the farm's office beside the one this copy goes by."""
    trust, given = trust_here(session), enrolments_here(session)
    if trust.office is None:
        return []
    ends = handed_on_at(given)
    gave_up = {e["device"]: e["seq"] for e in given if e["state"] == "office" and e["subject"] in trust.offices}
    begun = {e["subject"]: e["stamp"] for e in given if e["subject"] in trust.offices and e["state"] == "successor"}
    names = {e["subject"]: e["name"] for e in sorted(given, key=lambda e: (e["stamp"], e["seq"]))}
    entered: dict[str, str] = {}  # the office's newest word on each device
    for e in given:
        if e["device"] in trust.offices and e["subject"] != e["device"]:
            entered[e["subject"]] = max(e["stamp"], entered.get(e["subject"], ""))
    found: set[str] = set()
    for e in given:
        device = e["device"]
        if e["state"] == "successor":
            continue
        if device not in trust.offices:
            later = entered.get(device, "") < e["stamp"] and e["seq"] > gave_up.get(device, 0)
            if e["state"] == "office" and e["subject"] == device and later:
                found.add(device)  # of an older one the office knows
        elif e["seq"] > ends.get(device, e["seq"]) or any(
            trust.roll[new].before == device and e["stamp"] > stamp for new, stamp in begun.items() if new in trust.roll
        ):
            found.add(device)
    return [
        message(
            "Another machine acts as the farm's office: {name} ({device}). This copy goes by {office}. If the office has "
            "moved there, give this copy its card (enrol --office); else strike it off at the office (enrol --lost).",
            name=names.get(device, device[:8]),
            device=device[:8],
            office=", ".join(sorted(names.get(one, one[:8]) for one in trust.offices - trust.handed_on - {device})),
        )
        for device in sorted(found)
    ]


def trust_in(session: Session, bundle: Carrier, fresh: Sequence[UnreadPage]) -> Trust:
    """Return what is trusted once the enrolments on the fresh pages of a bundle count.

    Raises Unpaired if its signer is not paired, BundleRefused if it was struck off or uses another key.

    Notes: Of a stranger's bundle nothing is read but its manifest, pages that the office has signed, and first records.
    """
    trust = trust_with(session, fresh)
    check_signer(bundle, trust)
    return trust


def trust_with(session: Session, fresh: Sequence[UnreadPage]) -> Trust:
    """Return what is trusted once the enrolments on some pages count that the office, or a successor, has signed."""
    trust = trust_here(session)
    if trust.office is not None or trust.roll:
        found: list[dict[str, Any]] = []
        read: dict[tuple[str, int, int, str], list[dict[str, Any]]] = {}
        while more := [e for e in _enrolments_on(fresh, trust, read) if e not in found]:  # of an office's successor too
            found += more
            trust = trust_here(session, found)
    return trust


def _enrolments_on(
    pages: Sequence[UnreadPage], trust: Trust, read: dict[tuple[str, int, int, str], list[dict[str, Any]]]
) -> Iterator[dict[str, Any]]:
    """Yield the enrolments on the pages that the office has signed, and the first records of successors, as columns.

    `read`: those on the pages of the office that were read already, by their keys; gets those read now.

    Notes: A page that cannot be read is passed over alone, so that nobody's page takes an entry of another's off the roll.
    """
    looked_at = 0
    for page in pages:
        if page.key in read:
            yield from read[page.key]
            continue
        by_office = page.device in trust.offices and _is_by(page, trust.keys_of(page.device))
        if not by_office:
            if page.first != 1 or page.device in trust.roll or looked_at == MOST_FIRST:
                continue
            looked_at += 1
        try:
            if by_office:
                read[page.key] = _signed_enrolments(page)
                yield from read[page.key]
            else:
                yield from _signed_successor(page)
        except CarrierHangs:
            raise
        except (InvalidFact, OSError) as fault:
            LOG.warning("an enrolment of device %s was passed over: %s", page.device[:8], fault)


def _is_by(page: UnreadPage, keys: Iterable[bytes]) -> bool:
    return any(holds(*page.key, page.signature, key) for key in keys)


def _signed_enrolments(page: UnreadPage) -> list[dict[str, Any]]:
    text = page.lines()
    lines = text.split(b"\n")[:-1] if ENROLMENT in text else []
    return [e for seq, line in enumerate(lines, page.first) for e in _enrolment_of(line, page.device, seq)]


def _signed_successor(page: UnreadPage) -> list[dict[str, Any]]:
    """Return the first record if it names a successor and the page is signed by its key; the rest is not unpacked before."""
    found = _enrolment_of(page.first_line(LONGEST_FIRST), page.device, page.first)
    signed = [e for e in found if e["state"] == "successor" and _is_by(page, (bytes.fromhex(e["public_key"]),))]
    return signed if signed and page.lines() else []


def _enrolment_of(line: bytes, device: str, seq: int) -> list[dict[str, Any]]:
    """Return the enrolment that a line is, as columns; none if it is another record."""
    if ENROLMENT not in line:
        return []
    rows = read_page(line + b"\n", device, seq, lambda _id: None).get(Enrolment.__tablename__, [])
    return [dict(zip(Enrolment.__table__.columns.keys(), row, strict=True)) for row in rows]


def card_in(bundle: Carrier, trust: Trust) -> Card:
    """Return the card of a bundle's signer, as the bundle says it."""
    manifest = bundle.manifest
    devices = {page["device"] for page in manifest["pages"]} if "pages" in manifest else set(manifest["has"])
    named = devices - {manifest["device"]["id"]}
    unknown = [d for d in manifest["devices"] if d["id"] in named and not trust.keys_of(d["id"])]
    earlier = [Card(d["id"], d["name"], bytes.fromhex(d["public_key"])) for d in unknown[:MOST_EARLIER]]
    farm = manifest["farm"]["id"], manifest["farm"]["name"]
    return Card(manifest["device"]["id"], manifest["device"]["name"], bundle.public_key, tuple(earlier), farm)


def check_signer(bundle: Carrier, trust: Trust) -> None:
    """Refuse a bundle unless its signer is one whose bundles are taken.

    Raises Unpaired if its signer is not paired, BundleRefused if it was struck off or uses another key.
    """
    signer, places = bundle.manifest["device"], {"name": bundle.path.name}
    entry, own = trust.roll.get(signer["id"]), signer["id"] in {trust.device, trust.office} - trust.handed_on
    keys = trust.keys_of(signer["id"]) if own else entry.keys[-1:] if entry else ()
    if keys and bundle.public_key not in keys:
        raise BundleRefused(
            "{name} was not merged: it says it is from {signer}, but is not signed with the key of that device. "
            "Ask who made it. If the key is a new one, the office can enrol its card again (enrol --new-key).",
            **places,
            signer=signer["name"],
        )
    if (own and keys) or (entry is not None and entry.state in SIGNERS):
        return
    if entry is not None and entry.state == "revoked":
        if entry.reason:
            raise BundleRefused(
                "{name} was not merged: {device} was reported lost ({reason}), so its bundles are not taken "
                "any more. If it was found again, let the office enrol it again.",
                **places,
                device=entry.name,
                reason=entry.reason,
            )
        raise BundleRefused(
            "{name} was not merged: {device} was reported lost, so its bundles are not taken "
            "any more. If it was found again, let the office enrol it again.",
            **places,
            device=entry.name,
        )
    places |= {"signer": signer["name"], "device": signer["id"][:8]}
    if trust.office is None or trust.device in trust.offices:
        raise Unpaired(
            "{name} was left where it is, because {signer} ({device}) is not paired with this device yet. "
            "Nothing is lost: pair the two by their codes (Pairing in the cab, enrol in the office), and it is taken in.",
            card_in(bundle, trust),
            **places,
        )
    raise Unpaired(
        "{name} was left where it is, because {signer} ({device}) is not paired with the farm's office yet. "
        "Nothing is lost: pair it there by its code, or here until then, and it is taken in.",
        card_in(bundle, trust),
        **places,
    )
