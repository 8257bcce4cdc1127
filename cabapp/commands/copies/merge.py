"""Merge bundles, or all bundles in a folder; each wholly or not at all, in any order."""

import argparse
import json
import sys
from pathlib import Path

from cabapp.commands.options import GIVE_WORDS
from cabapp.common import paths, progress
from store import open_store
from sync import merge_bundles
from sync.bundle_encryption import is_locked, read_passphrase
from sync.trust_news import struck_off

EXAMPLE = "rollbook merge /media/stick"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("paths", nargs="+", type=Path, metavar="PATH", help="a bundle, or a folder of bundles")
    parser.add_argument("--name", default="office", help="what this copy is called if it is new (default: office)")
    parser.add_argument("--passphrase-file", type=Path, metavar="FILE", help="unlock bundles with the words in it")
    parser.add_argument("--json", action="store_true", help="print figures as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it; 1 if any bundle was refused, though the others were merged."""
    passphrase = read_passphrase(args.passphrase_file)
    with open_store(paths.chosen_store(args), args.name) as store:
        result = merge_bundles(store, args.paths, progress.show, passphrase)
        struck = struck_off(store)
    if args.json:
        refused = [{"bundle": str(path), "why": str(why)} for path, why in result.refused]
        figures = {"added": result.added, "known": result.known}
        print(json.dumps({**figures, "refused": refused, "missing": [str(sentence) for sentence in result.missing]}))
    else:
        print(f"Records added: {result.added}. Known already: {result.known}.")
        for sentence in (*result.missing, *result.doubled, *result.told):
            print(sentence)
    for sentence in [*struck, *(sentence for _path, sentence in result.refused)]:
        print(f"rollbook: {sentence}", file=sys.stderr)
    if any(is_locked(sentence) for _path, sentence in result.refused):
        print(GIVE_WORDS, file=sys.stderr)
    return 1 if result.refused else 0
