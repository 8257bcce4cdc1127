"""Write a checked copy of the logbook into a second place and keep the last few."""

import argparse
import sys
from pathlib import Path

from cabapp.common import paths
from store import open_store

EXAMPLE = "rollbook backup /media/stick"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("directory", type=Path, metavar="DIR", help="where the copy goes")
    parser.add_argument("--keep", type=int, default=7, metavar="N", help="how many to keep (default: 7)")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    with open_store(paths.existing_store(args)) as store:
        path = store.backup(args.directory, keep=args.keep)
        missing = store.missing()
    print(f"Written and checked: {path} ({path.stat().st_size / 1000:,.0f} kB).")
    for sentence in missing:
        print(f"rollbook: {sentence}", file=sys.stderr)
    return 0
