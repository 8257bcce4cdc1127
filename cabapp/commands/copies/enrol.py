"""Pair devices: show this one's card, enrol tablets at the office by card or code, strike off a lost one."""

import argparse
import re
import sys
from pathlib import Path

import segno

from cabapp.common import paths
from store import Store, open_store
from store.durability.carrier_files import is_folder, regular_files
from store.errors import Refused, printable
from sync import enrolment
from sync.bundle_encryption import read_passphrase
from sync.device_trust import Card, other_offices
from sync.removable_media import meeting_places
from sync.segments.segment_places import LOCKED
from sync.trust_news import struck_off

EXAMPLE = "rollbook enrol --from /media/stick"
STRUCK_OFF = "struck off"


def arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add(
        "cards",
        nargs="*",
        metavar="CARD",
        help="enrol the device of a card: its text, a file with it, or a code (--from)",
    )
    add("--from", dest="place", type=Path, metavar="DIR", help="a stick or folder: show who wrote there and their codes; "
        "CARD may then be the code that the other device shows on its own screen")  # fmt: skip
    add("--name", help="what this machine is called from now on (a new one: office)")
    add("--new-key", action="store_true", help="with CARD: take its key though the roll has another")
    add("--reason", help="with --lost: why it was struck off")
    add("--instead", action="store_true", help="with --office: in place of the office there is")
    add("--passphrase-file", type=Path, metavar="FILE", help="with --from: unlock bundles with the words in it")
    act = parser.add_mutually_exclusive_group()
    act.add_argument("--card", action="store_true", help="show this device's own card and its code")
    act.add_argument(
        "--out",
        type=Path,
        metavar="FILE",
        help="write this device's card there, or into a folder under a name that --from finds",
    )
    act.add_argument("--met", action="store_true", help="enrol every device whose records are here")
    act.add_argument("--lost", metavar="NAME", help="strike off a device that was lost")
    act.add_argument(
        "--office", metavar="CARD", help="on a tablet: take the device of this card, or code, as the office"
    )
    act.add_argument(
        "--hand-on", metavar="CARD", help="at the office: make the device of this card, or code, the office"
    )
    act.add_argument(
        "--as-office", action="store_true", help="make this copy the office in place of a lost one, with its roll"
    )
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do the one thing that is asked, then show the roll."""
    if args.cards and (args.card or args.out or args.met or args.lost or args.office or args.hand_on or args.as_office):
        raise Refused("Give cards to enrol, or one option, but not both. Nothing was done.")
    there = {} if args.place is None else _cards_by_code(args.place, read_passphrase(args.passphrase_file))
    cards = [_card(text, there) for text in _whole_codes(args.cards)]
    office = _card(args.office, there) if args.office else None
    handed = _card(args.hand_on, there) if args.hand_on else None
    if args.name is not None:
        enrolment.check_name(args.name)
    new = cards or office or args.card or args.out
    path = paths.chosen_store(args) if new else paths.existing_store(args)
    with open_store(path, args.name or "office") as store:
        led = enrolment.is_office(store)
        name = args.name if args.name not in (None, store.device_name) else None
        if name and (args.card or args.out):  # which shows it
            enrolment.rename(store, name)
        if args.card:
            _show_card(store)
            return 0
        if args.out:
            path = args.out
            if is_folder(path):
                path = meeting_places(path)[0] / enrolment.CARD_FILES.replace("*", store.device[:8])
            enrolment.write_card(store, path)
            print(f"The card of this machine is in {printable(str(path))}.")
        elif office:
            _hold_to(store, office, args.instead)
        elif handed:
            enrolment.hand_on(store, handed)
        elif args.as_office:
            enrolment.become_office(store)
        elif args.lost:
            enrolment.revoke(store, args.lost, args.reason)
        elif args.met:
            enrolment.enrol(store, *enrolment.met_but_not_enrolled(store))
        elif cards:
            enrolment.enrol(store, *cards, new_key=args.new_key)
        if name and not args.out:
            enrolment.rename(store, name)
        if enrolment.is_office(store) and not led:
            print("This machine is the farm's office from now on. Tell each tablet: it is our office.")
        _show_roll(store)
        with store.session() as session:
            for sentence in other_offices(session):
                print(f"rollbook: {sentence}", file=sys.stderr)
        for sentence in struck_off(store):
            print(f"rollbook: {sentence}", file=sys.stderr)
        for code, card in there.items():
            print(f"{_standing(store, card)}: {card.name} ({card.device[:8]}), {code}")
    return 0


def _standing(store: Store, card: Card) -> str:
    """Return what a device that was met is to this one."""
    entry = {entry.device: entry for entry in enrolment.roll_of(store)}.get(card.device)
    if entry is not None and entry.state == "revoked":
        return STRUCK_OFF
    if card.device in enrolment.whose_bundles_are_taken(store):
        return "paired"
    return "not paired" if (remark := enrolment.remark_on(store, card)) is None else f"not paired ({remark})"


def _hold_to(store: Store, office: Card, instead: bool) -> None:
    try:
        enrolment.hold_to(store, office, instead)
    except enrolment.OfficeKnown as known:
        raise Refused("{why} Here it is said once more by --instead.", why=known.message) from known


def _cards_by_code(place: Path, passphrase: str | None) -> dict[str, Card]:
    """Return the cards of those who wrote into a folder, by code; Refused if there are none."""
    folders = [folder for folder in dict.fromkeys([place, *meeting_places(place)]) if is_folder(folder)]
    found = {card.fingerprint: card for folder in folders for card in enrolment.cards_in(folder, passphrase)}
    if not found and any(regular_files(folder, lambda name: name.endswith(LOCKED), most=1) for folder in folders):
        raise Refused(
            "What others wrote into {place} is locked with a passphrase. Give it by --passphrase-file. Nothing was done.",
            place=place,
        )
    if not found:
        raise Refused("Nobody wrote into {place} yet. Exchange with it on the other device first.", place=place)
    return found


def _whole_codes(words: list[str]) -> list[str]:
    """Return the cards that were typed, a code in four words as one."""
    if len(words) % 4 or not all(re.fullmatch("[0-9a-fA-F]{4}", word) for word in words):
        return words
    return [" ".join(words[n : n + 4]) for n in range(0, len(words), 4)]


def _card(text: str, there: dict[str, Card]) -> Card:
    code = "".join(text.split()).lower()
    for card in there.values():
        if card.fingerprint.replace(" ", "") == code:
            return card
    if there and len(code) == 16:
        raise Refused(
            "Nobody there has the code {code}. Read it again from the screen of the other device. Nothing was done.",
            code=text,
        )
    return enrolment.read_card(text)


def _show_card(store: Store) -> None:
    card = enrolment.card_of(store)
    text = enrolment.text_of_card(card)
    print(f"{text}\n{card.name}: {card.fingerprint}")
    if sys.stdout.isatty():
        segno.make(text, error="m", micro=False).terminal(compact=True)


def _show_roll(store: Store) -> None:
    own, office = enrolment.card_of(store), enrolment.office_of(store)
    print(f"This device: {own.name} ({own.device[:8]}), {own.fingerprint}")
    roll = enrolment.roll_of(store)
    if office is None and not roll:
        print("It is paired with nobody yet, so it takes in nothing of others. Nothing is lost meanwhile.")
    elif office is None:
        print("No machine is the office here. It takes in what those write that were paired at this machine.")
    names = {entry.device: entry.name for entry in roll}
    for entry in roll:
        card = Card(entry.device, entry.name, entry.public_key)
        state = STRUCK_OFF if entry.state == "revoked" else entry.state
        more = ", paired at this machine" if entry.direct else ""
        if entry.before:
            more += f", goes on for {names.get(entry.before, entry.name)} ({entry.before[:8]})"
        print(f"{state:8} {entry.name} ({entry.device[:8]}), {card.fingerprint}{more}")
    if office == own.device and (strangers := enrolment.met_but_not_enrolled(store)):
        names = ", ".join(card.name for card in strangers)
        print(f"Their records are here, but new ones are not taken: {names}. Enrol them with --met.")
