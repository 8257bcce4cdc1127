"""Check that the logbook is whole: file, links, sequence numbers, traces; odd values are named."""

import argparse
import json
import sys

from sqlalchemy import func, select

from cabapp.common import paths
from cabapp.jobs.imports.trace_recovery import refill
from cabapp.jobs.pass_counts.odd_details import odd_details
from store import open_store
from store.models import FACTS
from store.values.sound_rows import MOST_NAMED, odd_rows
from sync.device_trust import other_offices
from sync.trust_news import struck_off

EXAMPLE = "rollbook check --store logbook.sqlite"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--mend", action="store_true", help="end that two machines write as one device (a cloned card)")
    parser.add_argument("--json", action="store_true", help="print figures as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it, filling traces from the raw log where pieces are missing; 1 if a fault was found."""
    with open_store(paths.existing_store(args)) as store:
        filled = refill(store, store.path.parent / paths.RECEIVER)
        mended = [store.mended, *(store.end_doubled() if args.mend else ())]
        faults = store.check()
        with store.session() as session:
            odd = [*odd_rows(session), *odd_details(store)][:MOST_NAMED]
            faults += other_offices(session)
            counts = {name: session.scalar(select(func.count()).select_from(model)) for name, model in FACTS.items()}
        faults += struck_off(store)
        path = store.path
    if args.json:
        print(
            json.dumps(
                {"records": counts, "faults": [str(fault) for fault in faults], "odd": [str(one) for one in odd]}
            )
        )
    elif not faults:
        print(f"{path} is whole: {sum(counts.values()):,} records, none missing.")
    for sentence in (*filter(None, (*mended, filled)), *faults, *odd):
        print(f"rollbook: {sentence}", file=sys.stderr)
    return 1 if faults else 0
