"""`rollbook office`: the pages of every job in this copy, with an index."""

import argparse
import json
import time
from pathlib import Path

from cabapp import places
from cabapp.pages.gather import gather, jobs_of
from cabapp.pages.index import index_page
from cabapp.pages.write import put, write_job
from cabapp.progress import show
from store import open_store

NAME = "office"
HELP = "Write the pages of every job in this copy into a folder, with an index page."
EXAMPLE = "rollbook office --store office.sqlite --out pages"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("--out", type=Path, metavar="DIR", required=True, help="where the pages go")
    parser.add_argument("--json", action="store_true", help="print what was written as JSON")
    places.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it."""
    now, done = time.time(), []
    with open_store(places.existing_store(args)) as store:
        jobs = jobs_of(store)
        for job in jobs:
            log = gather(store, job)
            done.append((log, write_job(store, log, args.out, now)))
            show(len(done), len(jobs), "pages")
    index = put(args.out, "index.html", index_page(done, now))
    if args.json:
        print(json.dumps({"index": str(index), "jobs": len(done)}))
    else:
        print(f"{index}: {len(done)} {'job' if len(done) == 1 else 'jobs'}")
    return 0
