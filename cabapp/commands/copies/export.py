"""Write everything this logbook knows as one signed bundle, for a stick or shared folder."""

import argparse
import json
import sys
from pathlib import Path

from cabapp.common import paths
from store import open_store
from sync.bundle_encryption import read_passphrase
from sync.folder_exchange import write_own
from sync.removable_media import meeting_places
from sync.trust_news import struck_off

EXAMPLE = "rollbook export /media/stick"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("directory", type=Path, metavar="DIR", help="where the bundle goes")
    parser.add_argument("--passphrase-file", type=Path, metavar="FILE", help="lock the bundle with the words in it")
    parser.add_argument("--json", action="store_true", help="print figures as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    with open_store(paths.existing_store(args)) as store:
        path = write_own(store, meeting_places(args.directory)[0], read_passphrase(args.passphrase_file))
        struck = struck_off(store)
    size = path.stat().st_size
    if args.json:
        print(json.dumps({"bundle": str(path), "bytes": size}))
    else:
        print(f"Written: {path} ({size / 1000:,.0f} kB). Merge it in the other copies.")
    for sentence in struck:
        print(f"rollbook: {sentence}", file=sys.stderr)
    return 0
