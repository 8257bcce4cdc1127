"""The walk of one fix and of one tap: which file hands on to which, in the order of the calls.

python -m tests.bench.handoffs
"""

import sys
import tempfile
from pathlib import Path

from cabapp.common.clock import ManualClock
from cabapp.position.recordings.replay_source import Replay
from cabapp.session import Session
from store import open_store
from tests.session.conftest import along, key, rows, stock

ROOT = Path(__file__).resolve().parents[2]
T0 = 1_779_000_000.0
VALUES = {
    "fix", "view", "sentence", "situation", "day_facts", "pose", "tool", "units", "quantities", "wording", "errors",
    "models", "clock", "angles", "message", "work_switches", "farm_format", "limits", "swept_ground",
}  # fmt: skip
"""Modules of plain values: to make or read one is no hand-off."""

REASONS = {
    "replay_source": "the source of fixes; a receiver stands there in the cab, and both give fixes by one protocol",
    "position_state": "the newest fix, its quality and whether it is old: asked by recording, warnings and view alike",
    "stint_runner": "the open stint: the only one that writes, so that nothing is shown before it is durable",
    "fix_recorder": "writes every fix before anything is counted, and turns a disk error into a message",
    "trace_writer": "the open tail of a trace on disk, synced each second",
    "trace_codec": "how a trace is packed; also read by sync, which knows no writer",
    "varint": "whole numbers of the codec and of signed pages, packed in one way",
    "transactions": "durable transactions, and memory mode when the disk fails",
    "fault_isolation": "a fault in counting or advice must not stop recording",
    "day_reader": "rain, dusk, seeder and fuel of the day, once a minute",
    "live_count": "the stint that is driven, on top of the assembled job",
    "job_count": "all stints of a job: one count for cab, pages and commands",
    "live_stint": "the driven stint's own path, until it is one of the earlier ones",
    "usable_fixes": "which fixes are positions at all; files and reports ask the same",
    "plane": "degrees to metres, in one place",
    "course": "heading and bend of the last seconds, for the look ahead only",
    "swath": "fixes to the ground the tool swept",
    "filter": "fixes no machine can have made; knows no tool",
    "path": "the curve through the fixes; knows no tool",
    "towing": "the tool behind its drawbar; knows no time",
    "grid": "the picture: cells with a count",
    "quad_rows": "a quadrilateral on rows; planning and exports cut with it too",
    "polygon_rows": "a polygon on rows, the field's outline as well",
    "visit_rule": "when covering ground adds a pass: the one rule of figures and picture",
    "cell_totals": "acres at once, while driving",
    "field_ground": "the field, and how many passes are wanted where",
    "fix_error": "a fix's error in words and metres; the receiver's pages say the same",
    "situation_reader": "all a warning may ask for, gathered once a fix as plain values",
    "go_rules": "rules of the crop and the day; the office edits them",
    "finished_ground": "when a warning of finished ground comes and goes, with its two thresholds",
    "look_ahead": "counts before the tool if the curve is held",
    "live_spacing": "spacing to the pass before, from the live pieces",
    "spacing_estimate": "spacing needs an estimate of its spread before it is told",
    "stint_state": "what the taps mean: may this one come, does the tool work",
    "work_intervals": "spans of work and why not: the one walk over the switches",
    "tap_log": "taps as they count now, undone ones left out",
    "work_rate": "acres an hour of the last hour",
    "finish_time": "when the field will be done; plan and pages reckon the same",
    "warning_evaluator": "which one sentence is shown",
    "missed_tap": "work that is not recorded, and recording without work",
    "half_lap": "how far to go over for half a lap",
    "warning_outcome": "whether a warning was followed, for the log",
    "view_builder": "one frozen value for all that a screen draws",
    "stop_summary": "what a stop shows: acres, hours, fuel so far",
    "tap_details": "what this tap writes, decided before anything is written",
    "tap_kinds": "the one table of kinds of taps",
    "logbook": "the face of the store",
    "reference_changes": "names and machines as the sum of their changes",
    "hybrid_clock": "a stamp in one order on all copies",
    "tap_effects": "all that follows a tap, in one place",
}
"""Why each file that is entered is one of its own."""


def walk(act) -> list[str]:
    """Return the hand-offs "file -> file" of a call, each once, in the order they first occur."""
    found: dict[str, None] = {}

    def note(frame, event, _arg):
        if event != "call" or frame.f_back is None:
            return
        ends = [Path(one.f_code.co_filename) for one in (frame.f_back, frame)]
        if all(path.is_relative_to(ROOT) and ".venv" not in path.parts and "tests" not in path.parts for path in ends):
            a, b = (path.stem for path in ends)
            if a != b and not {a, b} & VALUES:
                found.setdefault(f"{a} -> {b}")

    sys.setprofile(note)
    try:
        act()
    finally:
        sys.setprofile(None)
    return list(found)


def main() -> None:
    """Print both walks of a session in the middle of a pass."""
    fixes = along(rows([-6.0, 0.0], -200.0, 200.0), T0 + 10.0)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "logbook.sqlite", "tablet") as store:
        stock(store)
        clock = ManualClock(T0)
        session = Session(store, clock, Replay(fixes, "a drive"))
        session.take_over(key("ann"), key("red"), key("roller"), key("field"))
        clock.advance(10.0)
        session.tick()
        session.tap("start")
        for _ in range(100):
            clock.advance(1.0)
            session.tick()
        clock.advance(1.0)
        walks = {"one fix": walk(session.tick), "one tap (stop)": walk(lambda: session.tap("stop", reason="fuel"))}
    for name, steps in walks.items():
        files = list(dict.fromkeys(step.split(" -> ")[1] for step in steps))
        print(f"{name}: {len(steps)} hand-offs, {len(files)} files entered: {', '.join(files)}")
        for step in steps:
            print(f"    {step:42} {REASONS[step.split(' -> ')[1]]}")


if __name__ == "__main__":
    main()
