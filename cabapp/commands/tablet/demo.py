"""Build an invented farm, roll half a field, hand it over, finish it, and show what came of it."""

import argparse
import json
import sys
import time
from pathlib import Path

from cabapp.commands.options import number_between
from cabapp.common.clock import FASTEST, SLOWEST, ReplayClock
from cabapp.common.progress import show
from cabapp.reports.export.job_export import stem
from cabapp.reports.export.output_file import write_output
from cabapp.reports.job.write_job import write_job
from cabapp.reports.model.job_record import jobs_of, read_job
from cabapp.reports.render.map_png import map_png
from cabapp.reports.render.page_elements import map_of
from demo_db.build import Built, build
from demo_db.fault_check import compare
from demo_db.result_report import report, result_text
from demo_db.session_player import Played, play, replay_of
from store import Store, open_store
from store.errors import Refused
from sync import MergeResult, export_bundle, merge_bundles

EXAMPLE = "rollbook demo --out rollbook-demo --speed 20"

SHORT = 0.3
"""A short demo's fields are so many times as long."""
STEPS = 6
"""What is done when both operators have gone home."""


def arguments(parser: argparse.ArgumentParser) -> None:
    add, folder = parser.add_argument, Path("rollbook-demo")
    add("--out", type=Path, metavar="DIR", default=folder, help=f"where everything goes (default: {folder})")
    add("--headless", action="store_true", help="open no window, even where there is a screen")
    text = "how many times faster the window replays, 1 to 60 (default: 20)"
    add("--speed", type=number_between(SLOWEST, FASTEST), default=20.0, metavar="N", help=text)
    add("--short", action="store_true", help="a shorter field, done in a third of the time")
    add("--json", action="store_true", help="print what was found as JSON")


def run(args: argparse.Namespace) -> int:
    _may_write(args.out)
    built = build(args.out, along=SHORT if args.short else 1.0)
    bundles = args.out / "bundles"
    with open_store(built.stores["tablet 1"]) as tablet:
        oda = play(tablet, built.demo.oda, built.rows, progress=show)
        first = export_bundle(tablet, bundles)
    with open_store(built.stores["tablet 2"]) as tablet:
        _merged(merge_bundles(tablet, [first]))
        tam = _second(args, tablet, built)
        show(0, STEPS, "Tam Willet's tablet writes its records into a bundle")
        second = export_bundle(tablet, bundles)
    with open_store(built.stores["office"]) as office:
        show(1, STEPS, "the office takes in both tablets' bundles")
        merged = _merged(merge_bundles(office, [first, second]))
        show(2, STEPS, "the office counts the field anew")
        record = read_job(office, next(job for job in jobs_of(office) if job.operation == "rolling"))
        show(3, STEPS, "the office writes the pages")
        pages = write_job(office, record, args.out / "pages", time.time())
    show(4, STEPS, "the office draws the map")
    drawn = map_of(record, f"{record.field.name}, {record.job.operation}")
    pages["map"] = [write_output(args.out / "pages", f"{stem(record)}-map.svg", str(drawn))]
    pages["map"].append(write_output(args.out / "pages", f"{stem(record)}-map.png", map_png(record)))
    show(5, STEPS, "the count is held against the story")
    compared = compare(built.demo.expected, record.count)
    show(STEPS, STEPS, "the office is done")
    found = report(record, {"Oda Bracken": oda, "Tam Willet": tam}, merged, compared, pages)
    print(json.dumps(found) if args.json else result_text(found, record.format))
    return 0


def _may_write(directory: Path) -> None:
    """Raise `Refused` unless a folder is empty or an earlier demo's."""
    if directory.exists() and not directory.is_dir():
        raise Refused("{directory} is a file. Name a folder with --out.", directory=directory)
    if directory.is_dir() and any(directory.iterdir()) and not (directory / "expected.json").exists():
        raise Refused(
            "{directory} holds something that is no demo, so it was left alone. Name another folder with --out.",
            directory=directory,
        )


def _merged(result: MergeResult) -> MergeResult:
    if result.refused:
        raise Refused(result.refused[0][1])
    return result


def _second(args: argparse.Namespace, tablet: Store, built: Built) -> Played:
    """Play the second operator's part: in the window where there is one, else headless."""
    from cabapp.screens.system.launcher import NoScreen, configure_window, run_cab

    part, seen, after = built.demo.tam, Played(), 0.0
    try:
        if not args.headless:
            configure_window((1280, 800), False)
            seen = play(tablet, part, built.rows, until="start")
            after = next(tap["t"] for tap in part.taps if tap["tap"] == "start")
            _tell("Tam Willet has taken over and started, and the cab opens. "
                  "To leave it, hold its top left corner for three seconds.")  # fmt: skip
            run_cab(tablet, ReplayClock(after, args.speed), replay_of(part, after))
            _tell("The cab is closed. Now the office takes in what both tablets wrote; that takes some seconds.")
            return seen
    except NoScreen as why:
        _tell(f"{why} The same work goes on without one.")
    seen.warnings += play(tablet, part, built.rows, after=after, progress=show).warnings
    return seen


def _tell(text: str) -> None:
    print(text, file=sys.stderr)
