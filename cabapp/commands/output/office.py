"""Write the pages and files of all work in this copy, with a home page; only what changed is made anew."""

import argparse
import json
import sys
import time
from pathlib import Path

from cabapp.common import paths
from cabapp.common.progress import show
from cabapp.reports.model.job_record import jobs_of
from cabapp.reports.season.local_server import server
from cabapp.reports.season.office_build import build
from store import open_store
from store.errors import Refused

EXAMPLE = "rollbook office --store office.sqlite --out pages --serve"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--out", type=Path, metavar="DIR", help="where the pages go (default: office, beside the logbook)")  # fmt: skip
    parser.add_argument("--serve", action="store_true", help="then show them on this machine until Ctrl-C")
    parser.add_argument("--port", type=int, default=8177, help="the port to show them on (default: 8177)")
    parser.add_argument("--json", action="store_true", help="print what was written as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    path = paths.existing_store(args)
    out = args.out or (paths.home() if paths.is_server(path) else Path(path).parent) / "office"
    with open_store(path) as store:
        done = build(store, jobs_of(store), out, time.time(), show)
    index = out / "index.html"
    if args.json:
        print(json.dumps({"index": str(index), **done}))
    else:
        jobs = f"{done['jobs']} {'job' if done['jobs'] == 1 else 'jobs'}"
        print(f"{index}: {jobs}, {done['written']} written anew", flush=True)
        print("".join(f"{said}\n" for said in done.get("left_out", ())), end="", file=sys.stderr)
    if args.serve:
        _serve(out, args.port)
    return 0


def _serve(out: Path, port: int) -> None:
    try:
        pages = server(out, port)
    except (OSError, OverflowError) as error:
        raise Refused("Port {port} cannot be used ({why}). Name another with --port.", port=port, why=error) from error
    print(f"Open http://127.0.0.1:{pages.server_address[1]}/ on this machine. Ctrl-C ends it.", flush=True)
    try:
        pages.serve_forever()
    except KeyboardInterrupt:
        print("Ended.")
    finally:
        pages.server_close()
