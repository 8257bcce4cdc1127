"""Write the field log, hand-over sheets, GPX and GeoJSON of a field's work."""

import argparse
import json
import sys
import time
from functools import partial
from pathlib import Path

from cabapp.common import paths as places
from cabapp.common.rendering import render
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.reports.job.write_job import write_job
from cabapp.reports.model.job_record import jobs_of, read_job, unless_held
from cabapp.reports.model.time_doubts import doubts_of_job
from store import Store, open_store
from store.errors import Message
from store.models import Job

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
        made = [unless_held(store, job, partial(_write, store, job, args.out)) for job in jobs]
        written = [one for one in made if not isinstance(one, Message)]
        held = [render(one, farm=FarmSettings(store).format) for one in made if isinstance(one, Message)]
    paths = [str(path) for one in written for group in one.values() for path in group]
    print("".join(f"{said}\n" for said in held), end="", file=sys.stderr)
    if args.json:
        print(json.dumps({"written": paths}))
    else:
        print("\n".join(paths))
    return 0 if written else 1


def _write(store: Store, job: Job, directory: Path) -> dict[str, list[Path]]:
    record = read_job(store, job)
    now = time.time()
    for said in (*record.remarks, *doubts_of_job(record, now)):
        print(f"rollbook: {record.field.name}, {said}", file=sys.stderr)
    return write_job(store, record, directory, now)
