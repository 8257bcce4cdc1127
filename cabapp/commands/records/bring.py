"""Bring in a day that another logger recorded (GPX, CSV, NMEA), field by field."""

import argparse
import json
import sys
from pathlib import Path

from cabapp.commands.records.row_lookup import row_called
from cabapp.common import paths
from cabapp.common.message import Message
from cabapp.common.rendering import render
from cabapp.jobs.imports.day_import import AgreedStay, BroughtDay, TwiceAtWork, bring_in
from cabapp.jobs.imports.recorded_day import RecordedDay, look_at, why_no_work
from cabapp.jobs.imports.stay_hours import stay_hours
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.track.activity import FieldStay
from store import open_store
from store.errors import Refused
from store.models import Operator, Tool, Tractor

EXAMPLE = "rollbook bring monday.gpx --operator Ann --tractor Red --tool Roller"


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE", help="the recording of a day")
    parser.add_argument("--operator", metavar="NAME", help="who drove (needed when there are several)")
    parser.add_argument("--tractor", metavar="NAME", help="with which tractor")
    parser.add_argument("--tool", metavar="NAME", help="with which tool")
    parser.add_argument("--operation", metavar="WORD", help="what was done (default: what the tool is for)")
    parser.add_argument(
        "--only", type=int, action="append", metavar="N", help="only this number of the list; may be said several times"
    )
    parser.add_argument("--yes", action="store_true", help="write without asking about each field")
    parser.add_argument("--json", action="store_true", help="print the guesses, and what was written, as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """List the guesses; write those agreed to."""
    recording = read_recording(args.file)
    with open_store(paths.existing_store(args)) as store:
        found, farm = look_at(store, recording), FarmSettings(store)
        stays = [(day, stay) for day in found for stay in day.worked]
        if not args.json:
            for line in [*map(str, recording.notes), *stay_lines(found, farm)]:
                print(line)
        unknown = [str(one) for one in args.only or () if not 1 <= one <= len(stays)]
        if unknown:
            raise Refused("The list has no number {numbers}; nothing was written.", numbers=", ".join(unknown))
        agreed = {}
        for number, (day, stay) in enumerate(stays, 1):
            if args.only and number not in args.only:
                continue
            if args.yes or (not args.json and _agreed(number, day, stay)):
                operator = row_called(store.all(Operator), "operator", args.operator)
                tractor = row_called(store.all(Tractor), "tractor", args.tractor)
                tool = row_called(store.all(Tool), "tool", args.tool)
                operation = args.operation or tool.operation
                agreed[number] = AgreedStay(day, stay, operator.id, tractor.id, tool.id, operation)
        numbers = list(agreed)
        try:
            brought = bring_in(store, list(agreed.values())) if agreed else BroughtDay([], [])
        except TwiceAtWork as fault:
            raise Refused(
                "{why} For number {number}: --only {number} --operator NAME --tractor NAME --tool NAME.",
                why=Message(render(fault.message, farm=farm.format)), number=numbers[fault.number],
            ) from fault  # fmt: skip
        if args.json:
            written = [{"number": numbers[n], "stint": stint.id} for n, stint in brought.stints]
            notes = [str(note) for note in brought.notes]
            print(json.dumps(_figures(found) | {"written": written, "notes": notes}))
            return 0
        for note in brought.notes:
            print(render(note, farm=farm.format))
        if brought.stints:
            print(
                f"Written: {len(brought.stints)}. Taps that were guessed are marked so; look at the log of the field."
            )
        elif not stays or args.yes:
            print("Nothing was written.")
        else:
            print("Nothing was written. Say --yes, or answer y at a terminal.")
    return 0


def stay_lines(days: list[RecordedDay], farm: FarmSettings) -> list[str]:
    """Return a line for each stay with work, and one for the fields only crossed."""
    lines = []
    for number, (day, stay) in enumerate([(one, stay) for one in days for stay in one.worked], 1):
        spent, remark = stay_hours(day, stay)
        passes = "" if day.stated else f"{stay.runs} passes; "
        spells = ", ".join(f"{farm.format.time(a)} to {farm.format.time(b)}" for a, b in stay.spells)
        lines.append(
            f"{number}. {day.fields[stay.field].name}, "
            f"{farm.local(stay.spells[0][0]):%a %d %b}: worked {spells}{' as recorded' * day.stated}. "
            f"{passes}{_minutes(spent['worked'])} working and turning, {_minutes(spent['waiting'])} waiting, "
            f"{_minutes(spent['travelling'])} travelling"
            + (f", {_minutes(spent['unknown'])} unknown, without a position." if spent["unknown"] else ".")
        )
        lines += [f"   {render(remark, farm=farm.format)}"] if remark else []
    lines += [render(note, farm=farm.format) for day in days for note in day.notes]
    worked = {day.fields[v.field].name for day in days for v in day.worked}
    crossed = [day.fields[v.field].name for day in days for v in day.stays if not v.spells]
    crossed = [name for name in crossed if name not in worked]
    if crossed:
        lines.append(f"Only crossed or visited: {', '.join(dict.fromkeys(crossed))}.")
    if not any(day.worked for day in days):
        lines.append(render(why_no_work(days), farm=farm.format))
    return lines


def _agreed(number: int, day: RecordedDay, stay: FieldStay) -> bool:
    if not sys.stdin.isatty():
        return False
    answer = input(f"Was {day.fields[stay.field].name} (number {number}) worked like that? [y/N] ")
    return answer.strip().lower() in ("y", "yes")


def _figures(days: list[RecordedDay]) -> dict:
    return {
        "stays": [
            {
                "field": day.fields[v.field].name,
                "from": float(t[v.first]), "to": float(t[v.last]),
                "passes": v.runs, "spells": v.spells, "seconds": stay_hours(day, v)[0],
            }
            for day in days for t in [day.track.t[day.rows]] for v in day.stays
        ],
        "stretches": [
            {
                "kind": s.kind, "from": float(t[s.first]), "to": float(t[s.last]),
                "field": None if s.field is None else day.fields[s.field].name,
            }
            for day in days for t in [day.track.t[day.rows]] for s in day.stretches
        ],
    }  # fmt: skip


def _minutes(seconds: float) -> str:
    return f"{seconds / 3600:.1f} h" if seconds >= 5400 else f"{seconds / 60:.0f} min"
