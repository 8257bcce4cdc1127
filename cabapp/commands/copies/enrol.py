"""Show this device's card, or at the office enrol a tablet by its card or strike it off."""

import argparse
from pathlib import Path

from cabapp.common import paths
from store import open_store
from sync import enrolment as enrolling

EXAMPLE = "rollbook enrol rollbook-card:1:..."


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("cards", nargs="*", metavar="CARD", help="a card's text, or a file with it")
    parser.add_argument("--card", action="store_true", help="show this device's own card")
    parser.add_argument("--out", type=Path, metavar="FILE", help="write this device's card there")
    parser.add_argument("--met", action="store_true", help="enrol every device whose bundles were merged so far")
    parser.add_argument("--lost", metavar="NAME", help="strike off a device that was lost")
    parser.add_argument("--reason", help="why it was struck off")
    parser.add_argument("--office", metavar="CARD", help="on a tablet: take the device of this card as the office")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do what is asked, then show the roll."""
    with open_store(paths.existing_store(args)) as store:
        if args.card:
            card = enrolling.card_of(store)
            print(f"{card.text()}\n{card.name}: {card.fingerprint}")
            return 0
        if args.out:
            enrolling.write_card(store, args.out)
        if args.office:
            enrolling.hold_to(store, enrolling.read_card(args.office))
        for text in args.cards:
            enrolling.enrol(store, enrolling.read_card(text))
        if args.met:
            for card in enrolling.met_but_not_enrolled(store):
                enrolling.enrol(store, card)
        if args.lost:
            enrolling.revoke(store, args.lost, args.reason)
        entries = enrolling.roll_of(store)
        strangers = enrolling.met_but_not_enrolled(store)
    for entry in entries:
        card = enrolling.Card(entry.device, entry.name, entry.public_key)
        print(f"{entry.state:8} {entry.name} ({entry.device[:8]}), {card.fingerprint}")
    if not entries:
        print("Nobody is enrolled: a device is believed by the key it was first seen with.")
    elif strangers:
        names = ", ".join(card.name for card in strangers)
        print(f"Not enrolled, so not merged any more: {names}. Enrol them with --met.")
    return 0
