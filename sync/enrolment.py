"""Pairing: the card a device shows, the office's roll, a tablet reported lost.

A card is one line of text, short enough for a QR code, and holds nothing secret::

    rollbook-card:2:<device>:<public key in hex>:<name, percent-encoded>:<earlier>:<check in hex>

`earlier` are devices, not on the roll, whose records this one has and passes on: ``<device>=<key>`` with commas. The check
is the first 8 letters of the SHA-256 of all before the last colon; it finds typing errors, not forgeries. The protection
is that a person takes the card from the device itself, or compares its code on both screens. Version 1 had no `earlier`.
"""

import hashlib
from collections.abc import Iterable
from contextlib import suppress
from fnmatch import fnmatch
from pathlib import Path
from urllib.parse import quote, unquote

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.durability.atomic_file import write_atomically
from store.durability.carrier_files import read_regular, regular_files
from store.errors import BundleRefused, Message, message
from store.facts.fact_lines import is_hash, is_uuid
from store.models import PAIRED_HERE, Enrolment, EnrolmentState, Farm, Own, Peer
from sync.bundle_file import LONGEST_NAME, open_bundle
from sync.bundle_merge import bundles_in
from sync.device_trust import (
    MOST_EARLIER,
    SIGNERS,
    Card,
    RollEntry,
    Trust,
    card_in,
    device_roll,
    enrolments_here,
    trust_here,
)
from sync.segments.place_reader import head_of_zip, heads_in, is_zip_of_segments

LARGEST_CARD = 4096
CARD_FILES = "rollbook-card-*.txt"
MOST_CARDS = 200  # of one folder
MOST_ENROLLED = 2_000
"""Devices on a roll; a farm of fifty tablets that each get a new identity once a year takes forty years."""


class OfficeKnown(BundleRefused):
    """Another machine is the office here; a person has to say once more that it is so no longer."""


def card_of(store: Store) -> Card:
    """Return this copy's card."""
    with store.session() as session:
        trust = trust_here(session)
        return Card(trust.device, session.scalars(select(Own.name)).one(), trust.own_key, _not_on_roll(session, trust))


def _not_on_roll(session: Session, trust: Trust) -> tuple[Card, ...]:
    """Return devices whose records are here but that are on no office's roll."""
    names = dict(session.execute(select(Peer.device, Peer.name)).all())
    listed = {device for device, entry in trust.roll.items() if not entry.direct} | {trust.office}
    unknown = [device for device in trust.met if device not in listed]
    return tuple(Card(device, names[device], trust.met[device]) for device in unknown)


def text_of_card(card: Card) -> str:
    """Return a card as its line of text."""
    earlier = ",".join(f"{one.device}={one.public_key.hex()}" for one in card.earlier[:MOST_EARLIER])
    text = f"rollbook-card:2:{card.device}:{card.public_key.hex()}:{quote(card.name, safe='')}:{earlier}"
    return f"{text}:{_check(text)}"


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
                "{text} is no card and no file with one. The other machine shows its card under Pairing, or by "
                "'rollbook enrol --card'. A code needs --from and the stick that the other machine has exchanged with.",
                text=text[:80],
            ) from error
    parts = text.split(":")
    if parts[1:2] == ["1"]:
        parts.insert(5, "")
    if len(parts) != 7 or parts[0] != "rollbook-card" or parts[1] not in ("1", "2") or len(text) > LARGEST_CARD:
        raise BundleRefused("That is no card of a device. Copy or scan the whole line again.")
    name, earlier = unquote(parts[4]), [one.split("=") for one in parts[5].split(",") if one]
    sound = _check(text.rpartition(":")[0]) == parts[6] and len(earlier) <= MOST_EARLIER
    sound = sound and all(len(one) == 2 and is_uuid(one[0]) and is_hash(one[1]) for one in (parts[2:4], *earlier))
    if not sound or not 0 < len(name) <= LONGEST_NAME or not name.isprintable():
        raise BundleRefused("A letter of the card is wrong. Copy or scan the whole line again.")
    cards = [Card(device, device[:8], bytes.fromhex(key)) for device, key in earlier]
    return Card(parts[2], name, bytes.fromhex(parts[3]), tuple(cards))


def cards_in(folder: Path, passphrase: str | None = None) -> list[Card]:
    """Return the cards that lie in a folder, as files and in bundles; what cannot be read is left out."""
    found: dict[str, Card] = {}
    nobody = Trust("", b"", None, None, frozenset(), frozenset(), {}, {})
    written = regular_files(folder, lambda name: fnmatch(name, CARD_FILES), most=MOST_CARDS)
    for path in sorted(path for _, path in written):
        with suppress(BundleRefused):
            card = read_card(str(path))
            found[card.device] = card
    # a card in a bundle or head says the farm too
    for path in bundles_in(folder)[:MOST_CARDS]:
        with suppress(BundleRefused):
            if is_zip_of_segments(path):
                card = card_in(head_of_zip(path, passphrase), nobody)
            else:
                with open_bundle(path, passphrase) as bundle:
                    card = card_in(bundle, nobody)
            found[card.device] = card
    for head in heads_in(folder, passphrase)[:MOST_CARDS]:
        found[head.device] = card_in(head, nobody)
    return list(found.values())


def _check(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def enrol(store: Store, *cards: Card, new_key: bool = False) -> None:
    """Put devices on the farm's roll, all or none; a copy of a farm without an office becomes the office by this.

    `new_key`: take the key of a card though the roll has another one.

    Raises BundleRefused if this copy is not the office, a card is its own or of another farm, or the roll has another key or
    is full.

    Notes: The office vouches for records of others that are here, or come with the device: state "known" means that they
    are taken, and bundles of that device are not.
    """
    store.durably(lambda session: _enter(store, session, _as_office(store, session), cards, new_key))


def pair_here(store: Store, *cards: Card) -> None:
    """Take the records of devices whose codes a person has compared: the office enrols them, any other copy holds to them.

    Raises BundleRefused if a card is this copy's own or of another farm, or the office has struck the device off or knows
    another key of it.

    Notes: It makes nobody the office. What the office says of the device counts more, now and later.
    """

    def work(session: Session) -> None:
        trust = trust_here(session)
        if trust.device in trust.offices - trust.handed_on:
            _enter(store, session, _as_office(store, session), cards)
            return
        listed = {device: entry for device, entry in trust.roll.items() if not entry.direct}
        for card in cards:
            entry = listed.get(card.device)
            if entry is not None and entry.state == "revoked":
                raise BundleRefused(
                    "{name} ({device}) was struck off by the farm's office. Only the office can take it in again. "
                    "Nothing was done.",
                    name=card.name,
                    device=card.device[:8],
                )
            if entry is not None and entry.public_key != card.public_key:
                raise BundleRefused(
                    "{name} was not paired: the farm's office knows another key of it. Look at the code on that machine "
                    "itself, and ask the office.",
                    name=card.name,
                )
        new = [card for card in cards if card.device not in listed or listed[card.device].state not in SIGNERS]
        _enter(store, session, trust, new, reason=PAIRED_HERE)

    store.durably(work)


def _enter(
    store: Store,
    session: Session,
    trust: Trust,
    cards: Iterable[Card],
    new_key: bool = False,
    reason: str | None = None,
) -> None:
    """Write the entries of devices, and of those whose records come with them, where they are not there as such."""
    states = {device: (entry.state, entry.public_key) for device, entry in trust.roll.items()}
    names = {device: entry.name for device, entry in trust.roll.items()}
    for card in cards:
        _refuse_own(card, trust)
        _refuse_other_farm(session, card)
        state, key = states.get(card.device, (None, None))
        if key not in (None, card.public_key) and state != "known" and not new_key:
            raise BundleRefused(
                "{name} was not enrolled: the device of that id has shown another key before. "
                "Look at the card on the tablet itself; if it is right, enrol it with --new-key.",
                name=card.name,
            )
        for one in card.earlier:
            if one.device not in states and one.device != trust.device:
                states[one.device] = _write(store, session, one, "known", reason)
        if states.get(card.device) != ("tablet", card.public_key) or names.get(card.device) != card.name:
            states[card.device] = _write(store, session, card, "tablet", reason)
    if len(states) > MOST_ENROLLED:
        raise BundleRefused("Nobody was enrolled: the roll has its {most} devices already.", most=MOST_ENROLLED)


def revoke(store: Store, name: str, reason: str | None = None) -> RollEntry:
    """Strike off a lost device, given its name or the start of its id; return its entry until now.

    Raises BundleRefused if another copy is the office, or no one device on the roll is meant.
    """

    def work(session: Session) -> RollEntry:
        trust = trust_here(session)
        _check_office(trust)
        on_roll = sorted((e for e in trust.roll.values() if e.state == "tablet"), key=lambda e: (e.name, e.device))
        named = {e.device: e for e in on_roll if e.name == name or e.device.startswith(name)}
        meant = [e for e in named.values() if e.before not in named]  # its successors are struck off with it
        if len(meant) > 1:
            raise BundleRefused(
                "More than one device is called '{name}': {names}. Say which, by the first letters of its id: {example}. "
                "Nothing was done.",
                name=name,
                names=[f"{e.name} ({e.device[:8]})" for e in meant],
                example=f"--lost {meant[0].device[:8]}",
            )
        if not meant:
            raise BundleRefused(
                "Not one device on the roll is called '{name}'. On it: {names}. "
                "Give the name, or the first letters of the id.",
                name=name,
                names=[f"{e.name} ({e.device[:8]})" for e in on_roll] or message("nobody"),
            )
        _write(store, session, Card(meant[0].device, meant[0].name, meant[0].public_key), "revoked", reason)
        return meant[0]

    return store.durably(work)


def hand_on(store: Store, card: Card) -> None:
    """Make another device the farm's office in place of this one, by its card; what this one enrols later does not count.

    Raises BundleRefused if this copy is not the office, the card is its own, or the roll has another key.
    """

    store.durably(lambda session: _hand_on(store, session, card))


def _hand_on(store: Store, session: Session, card: Card) -> None:
    trust = _as_office(store, session)
    _refuse_own(card, trust)
    _refuse_other_farm(session, card)
    entry = trust.roll.get(card.device)
    if entry is not None and entry.state != "known" and entry.public_key != card.public_key:
        raise BundleRefused(
            "The office was not handed on: {name} has shown another key before. Look at the card on that machine itself.",
            name=card.name,
        )
    own = session.scalars(select(Own)).one()
    _write(store, session, Card(own.device, own.name, trust.own_key), "tablet")
    _write(store, session, card, "office")


def become_office(store: Store) -> None:
    """Make this copy the farm's office in place of one that is lost, with its roll; each other copy is given its card then.

    Raises BundleRefused if it is the office already.
    """

    def work(session: Session) -> None:
        own, trust = session.scalars(select(Own)).one(), trust_here(session)
        if trust.device in trust.offices - trust.handed_on:
            raise BundleRefused("This device is the farm's office already. Nothing was done.")
        roll = trust.roll if trust.office is not None else {**_roll_of_records(session), **trust.roll}
        lost = trust.offices | {entry.device for entry in roll.values() if entry.state == "office"}
        strangers = [card for card in _not_on_roll(session, trust) if card.device not in roll]
        own.office = own.device
        _write(store, session, Card(own.device, own.name, trust.own_key), "office")
        for entry in roll.values():
            if entry.device != own.device:
                card = Card(entry.device, entry.name, entry.public_key)
                _write(store, session, card, "known" if entry.device in lost else entry.state, _why_struck(entry))
        for card in strangers:
            _write(store, session, card, "known")

    store.durably(work)


def _roll_of_records(session: Session) -> dict[str, RollEntry]:
    """Return the roll of the office that the records here name last; none if they name none."""
    given = enrolments_here(session)
    offices = [e for e in given if e["state"] == "office" and e["subject"] == e["device"]]
    newest = max(offices, key=lambda e: (e["stamp"], e["seq"]), default=None)
    if newest is None:
        return {}
    return device_roll(given, newest["device"], {newest["device"]: bytes.fromhex(newest["public_key"])})[0]


def hold_to(store: Store, card: Card, instead: bool = False) -> None:
    """Take a device as this copy's office, by its card: its roll counts from now on.

    `instead`: in place of the office there is. Where this copy is that, it hands the office on, so that all others follow.

    Raises BundleRefused if the card is this copy's own or of another farm; OfficeKnown if another one is the office and not
    `instead`.
    """

    def work(session: Session) -> None:
        trust = trust_here(session)
        _refuse_own(card, trust)
        _refuse_other_farm(session, card)
        now = trust.offices - trust.handed_on
        if trust.office is not None and card.device not in now:
            if not instead:
                raise OfficeKnown(_office_known(session, trust, card))
            if trust.device in now:
                _hand_on(store, session, card)
                return
        session.scalars(select(Own)).one().office = card.device
        session.merge(Peer(device=card.device, name=card.name, public_key=card.public_key))

    store.durably(work)


def rename(store: Store, name: str) -> None:
    """Give this machine another name, which its cards and files show from now on; BundleRefused if it cannot be one."""
    check_name(name)

    def work(session: Session) -> None:
        session.scalars(select(Own)).one().name = name

    store.durably(work)


def check_name(name: str) -> None:
    """Refuse what is no name of a machine."""
    if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
        raise BundleRefused("Give a name of one line, {most} letters at most. Nothing was done.", most=LONGEST_NAME)


def pair(office: Store, *tablets: Store) -> None:
    """Pair copies whose screens or cards a person has at hand: the office enrols them, and they hold to it."""
    for tablet in tablets:
        hold_to(tablet, card_of(office), instead=True)
    enrol(office, *map(card_of, tablets))


def roll_of(store: Store) -> list[RollEntry]:
    """Return the roll as this copy knows it, by name; empty while no device is enrolled."""
    with store.session() as session:
        return sorted(trust_here(session).roll.values(), key=lambda e: (e.name, e.device))


def office_of(store: Store) -> str | None:
    """Return the device this copy takes as its office; None while it is not paired."""
    with store.session() as session:
        return session.scalars(select(Own.office)).one()


def whose_bundles_are_taken(store: Store) -> set[str]:
    """Return the devices whose bundles are taken here, this one among them."""
    with store.session() as session:
        trust = trust_here(session)
        listed = {entry.device for entry in trust.roll.values() if entry.state in SIGNERS}
        return {trust.device, *trust.offices, *listed}


def is_paired(store: Store) -> bool:
    """Return whether this copy has an office, and is on its roll as far as is known here."""
    with store.session() as session:
        trust = trust_here(session)
        return trust.device in trust.offices or trust.device in trust.roll


def is_office(store: Store) -> bool:
    """Return whether this copy is the farm's office."""
    with store.session() as session:
        trust = trust_here(session)
        return trust.device in trust.offices - trust.handed_on


def met_but_not_enrolled(store: Store) -> list[Card]:
    """Return the devices whose records are here and whose bundles are not taken, though none was lost, by name."""
    with store.session() as session:
        trust = trust_here(session)
        known = [Card(e.device, e.name, e.public_key) for e in trust.roll.values() if e.state == "known"]
        return sorted((*known, *_not_on_roll(session, trust)), key=lambda card: (card.name, card.device))


def remark_on(store: Store, card: Card) -> Message | None:
    """Return the name on a card with what is known against it: of another farm, or struck off; None if nothing is."""
    with store.session() as session:
        ours, entry = session.scalars(select(Farm)).first(), trust_here(session).roll.get(card.device)
    if ours is not None and card.farm is not None and card.farm[0] != ours.id:
        return message("{name}, of the farm {farm}", name=card.name, farm=card.farm[1])
    if entry is not None and entry.state == "revoked":
        return message("{name}, struck off", name=card.name)
    return None


def write_card(store: Store, path: Path) -> None:
    """Write this copy's card to a file; BundleRefused if it cannot be written."""
    try:
        with write_atomically(path) as beside:
            beside.write_text(text_of_card(card_of(store)) + "\n", encoding="utf-8")
    except OSError as error:
        raise BundleRefused(
            "The card could not be written to {path} ({reason}). "
            "Look whether the folder is there and may be written to.",
            path=path,
            reason=error.strerror or error,
        ) from error


def _refuse_own(card: Card, trust: Trust) -> None:
    if card.device == trust.device:
        raise BundleRefused("That is the card of this device itself. Take the one of the other device.")


def _refuse_other_farm(session: Session, card: Card) -> None:
    ours = session.scalars(select(Farm)).first()
    if ours is not None and card.farm is not None and card.farm[0] != ours.id:
        raise BundleRefused(
            "{name} ({device}) belongs to the farm '{theirs}', and this logbook to '{ours}'. Nothing was done.",
            name=card.name,
            device=card.device[:8],
            theirs=card.farm[1],
            ours=ours.name,
        )


def _office_known(session: Session, trust: Trust, card: Card) -> Message:
    """Return the sentence that another machine is the office here."""
    names = dict(session.execute(select(Peer.device, Peer.name)).all())
    new = f"{card.name} ({card.device[:8]})"
    now = trust.offices - trust.handed_on
    if trust.device in now:
        return message(
            "This machine is the farm's office. If {new} is to be the office from now on, say so once more: the office is "
            "handed on to it, and all others follow. Nothing was done yet.",
            new=new,
        )
    return message(
        "The farm has an office already: {office}. If that machine is lost, or was never the office, say once more that {new} "
        "is the office in its place; else hand the office on there, or pair {new} as one of ours. Nothing was done yet.",
        office=[f"{names.get(one, one[:8])} ({one[:8]})" for one in sorted(now)],
        new=new,
    )


def _check_office(trust: Trust) -> None:
    """Refuse what only the office may do, if this copy holds to another one."""
    if trust.office is not None and trust.device not in trust.offices:
        raise BundleRefused(
            "Only the farm's office enrols and strikes off devices, and that is another copy ({office}). Do it there.",
            office=(trust.office or "")[:8],
        )
    if trust.device in trust.handed_on:
        raise BundleRefused("The office was handed on from here to another machine. Do it there.")


def _why_struck(entry: RollEntry) -> str | None:
    return entry.reason if entry.state == "revoked" else None


def _as_office(store: Store, session: Session) -> Trust:
    """Become the office if there is none yet, or this copy goes on for it, and return what is trusted then.

    Notes: The new office says itself whom it trusts, for a tablet that is given its card only.
    """
    trust = trust_here(session)
    _check_office(trust)
    if trust.office is None and (there := _roll_of_records(session)):
        raise BundleRefused(
            "The farm has an office already: {name}. If that machine is lost, make this one the office in its place "
            "(enrol --as-office) and give its card to every tablet; else enrol the device there. Nothing was done.",
            name=next(entry.name for entry in there.values() if entry.state == "office"),
        )
    own = session.scalars(select(Own)).one()
    if session.scalars(select(Enrolment.id).filter_by(device=own.device, state="office")).first() is None:
        roll = trust.roll.values()
        before = [(Card(e.device, e.name, e.public_key), e.state, _why_struck(e)) for e in roll]
        before += [(one, "known", None) for one in _not_on_roll(session, trust) if one.device not in trust.roll]
        if own.office is None:
            own.office = own.device
        _write(store, session, Card(own.device, own.name, trust.own_key), "office")
        for card, state, reason in before:
            if card.device != own.device:
                _write(store, session, card, "tablet" if state == "office" else state, reason)
        session.flush()
        trust = trust_here(session)
    return trust


def _write(
    store: Store, session: Session, card: Card, state: EnrolmentState, reason: str | None = None
) -> tuple[EnrolmentState, bytes]:
    """Write an enrolment and return its state and key."""
    key = card.public_key.hex()
    store.number(
        session,
        Enrolment(subject=card.device, name=card.name, public_key=key, state=state, at=store.now(), reason=reason),
    )
    return state, card.public_key
