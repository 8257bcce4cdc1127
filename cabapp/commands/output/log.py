"""Write the field log, hand-over sheets, GPX and GeoJSON of a field's work."""

import argparse
import json
import sys
import time
from pathlib import Path

from cabapp.common import paths as places
from cabapp.reports.job.write_job import write_job
from cabapp.reports.model.job_record import jobs_of, read_job
from store import open_store

EXAMPLE = 'rollbook log --field "Heron Flat" --out pages'


def arguments(parser: argparse.ArgumentParser) -> None:
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--field", metavar="NAME", help="all work on this field (default: all work on all fields)")
    which.add_argument("--job", metavar="ID", help="one job, by the beginning of its id")
    which.add_argument("--stint", metavar="ID", help="the job that this stint was part of")
    parser.add_argument("--out", type=Path, metavar="DIR", required=True, help="where the pages go")
    parser.add_argument("--json", action="store_true", help="print what was written as JSON")
    places.store_option(parser)


def run(args: argparse.Namespace) -> int:
    with open_store(places.existing_store(args)) as store:
        jobs = jobs_of(store, field=args.field, job=args.job, stint=args.stint)
        records = [read_job(store, job) for job in jobs]
        written = [write_job(store, record, args.out, time.time()) for record in records]
        for record, stint in [(one, stint) for one in records for stint in one.stints if stint.nothing]:
            when = record.format.short_day(stint.row.at)
            print(f"rollbook: {record.field.name}, {stint.operator}, {when}: {stint.nothing}", file=sys.stderr)
    paths = [str(path) for one in written for group in one.values() for path in group]
    if args.json:
        print(json.dumps({"written": paths}))
    else:
        print("\n".join(paths))
    return 0
