"""Merge what is new in shared folders or on sticks and write our bundle there; can watch."""

import argparse
import sys
import time
from pathlib import Path

from cabapp.commands.options import GIVE_WORDS
from cabapp.common import paths, progress
from store import open_store
from store.durability.carrier_files import is_folder
from store.errors import Refused, printable
from store.models import Farm
from sync.bundle_encryption import is_locked, read_passphrase
from sync.folder_exchange import FolderWatcher
from sync.removable_media import STICK_FOLDER, meeting_places, mounts
from sync.trust_news import struck_off

EXAMPLE = "rollbook exchange ~/Shared/rollbook --sticks --watch"
PAUSE_S = 2.0


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folders", nargs="*", type=Path, metavar="DIR", help="a shared folder")
    parser.add_argument("--sticks", action="store_true", help=f"sticks that have a folder named {STICK_FOLDER}, too")
    parser.add_argument("--watch", action="store_true", help="go on until stopped with Ctrl-C")
    parser.add_argument("--passphrase-file", type=Path, metavar="FILE", help="lock and unlock with the words in it")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it; 1 if anything was refused."""
    passphrase, wrong = read_passphrase(args.passphrase_file), False
    if not args.folders and not args.sticks:
        raise Refused("Say with whom: name a shared folder, or --sticks.")
    for folder in [] if args.watch else args.folders:  # while it watches, one may come later
        if not folder.is_dir():
            raise Refused("There is no folder {folder}. Look whether it is there, or make it.", folder=folder)
    with open_store(paths.existing_store(args)) as store:
        watch = FolderWatcher(store, args.folders, mounts if args.sticks else None, passphrase)
        said, locked, looks = set(), False, 2  # a bundle must stand still between two looks
        while looks > 0 or args.watch:
            for news in watch.look(progress.show):
                bad = bool(news.merged.refused or news.trouble)
                said.add(news.folder)
                for sentence in news.messages:
                    print(
                        f"{printable(str(news.folder))}: {sentence}", file=sys.stderr if bad else sys.stdout, flush=True
                    )
                wrong = wrong or bad
                locked = locked or any(is_locked(sentence) for _path, sentence in news.merged.refused)
            looks -= 1
            if looks > 0 or args.watch:
                time.sleep(PAUSE_S)
        sticks = [stick for mount in mounts() if is_folder(stick := mount / STICK_FOLDER)] if args.sticks else []
        places = [place for folder in args.folders for place in meeting_places(folder)]
        for folder in dict.fromkeys([*places, *sticks]):
            if folder not in said:
                print(f"Nothing new in {printable(str(folder))}.")
        if args.sticks and not sticks:
            print(f"No stick with a folder named {STICK_FOLDER} is here.")
        for sentence in struck_off(store):
            print(f"rollbook: {sentence}", file=sys.stderr)
        if locked:
            print(GIVE_WORDS, file=sys.stderr)
        if not store.all(Farm):
            print("Nothing of ours was written: this logbook has no farm yet. Set up the farm in the cab first.")
    return 1 if wrong else 0
