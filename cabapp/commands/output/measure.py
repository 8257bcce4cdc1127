"""Count the passes of a recorded trace (GPX, CSV or NMEA) over the ground; status 3: it moved, yet covered none."""

import argparse
import json
import sys
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from cabapp.commands.options import number_between
from cabapp.common.units import FOOT, MILE, Units
from cabapp.counting.gaps import width_shown
from cabapp.jobs.imports.trace_measurement import measure
from cabapp.jobs.records.tool_parts import read_sections, sections_of, widths_of
from cabapp.position.boundaries.boundary_geojson import read_boundary
from cabapp.position.boundaries.field_files import read_fields
from cabapp.position.boundaries.field_readers import READERS
from cabapp.position.recordings.recording import Recording
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.track.logging_interval import BREAK_S, SLOWEST
from cabapp.track.receiver_error import KINDS
from cabapp.track.tool import ToolGeometry
from store.errors import BoundaryRefused
from store.facts.timestamp import write_time

EXAMPLE = (
    "rollbook measure monday.gpx tuesday.gpx --width 13.7 --hitch 8 --target 2 --field home-quarter.geojson --json"
)
NOTHING = 3
"""Exit status where a recording that moved covers no ground."""
SHOWN_GAPS, SHOWN_SPANS, SHOWN_AREA = 10, 4, 50.0
"""How many gaps and spans of work the words list, and the least ground, m2, that would not read as 0.00 ha."""


def _passes(text: str) -> int:
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 50):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of passes from 1 to 50")
    return int(text)


def arguments(parser: argparse.ArgumentParser) -> None:
    add, metres = parser.add_argument, partial(number_between, what="metres")
    add(
        "trace",
        nargs="+",
        metavar="TRACE",
        help="GPX 1.1, CSV (a time, lat, lon; perhaps working, width, s1 ...) or NMEA 0183 text",
    )
    text = "working width of the tool (default: of its sections together)"
    add("--width", type=metres(0, 199, zero=False), metavar="M", help=text)
    text = (
        "widths of the tool's sections from the left, as 6.1,3.0,2.4, or how many equal ones; which of them worked "
        "is read from columns s1, s2 ... of CSV, or extensions of GPX, of the same names"
    )
    add("--sections", metavar="M,M,...", help=text)
    parser.set_defaults(wrong_usage=parser.error)
    add("--target", type=_passes, default=2, metavar="N", help="passes wanted (default 2)")
    text = "boundary of the field: GeoJSON, or any file that `rollbook fields` takes, with one field in it"
    add("--field", metavar="FILE.geojson", help=text)
    text = "from the hitch point back to the working line of a towed tool (default 0: mounted)"
    add("--hitch", type=metres(0, 99), default=0.0, metavar="M", help=text)
    text = "from the antenna back to the hitch point, as on the tablet (default 0: the antenna is above it)"
    add("--antenna", type=metres(-19, 49), default=0.0, metavar="M", help=text)
    text = "how far the tool's middle lies right of the antenna (left: negative)"
    add("--side", type=metres(-99, 99), default=0.0, metavar="M", help=text)
    text = "distance of the rows along which ground is counted (default: that of the office's pages)"
    add("--cell", type=metres(0.05, 5), default=None, metavar="M", help=text)
    error = parser.add_mutually_exclusive_group()
    text = "error (1 sigma) of one pass against any other"
    error.add_argument("--sigma", type=metres(0, 50), default=None, metavar="M", help=text)
    text = f"class of the receiver: {', '.join(KINDS)} (default: what the file states of it)"
    error.add_argument("--receiver", choices=list(KINDS), default=None, metavar="CLASS", help=text)
    add("--json", action="store_true", help="print one JSON object")


def _tool(args: argparse.Namespace) -> ToolGeometry:
    """Return the tool as the options say it.

    Raises
    ------
    SystemExit
        Neither a width nor sections with widths.
    Refused
        Sections that are not the width together.
    """
    width = args.width
    if width is None and args.sections:
        width = sum(widths_of(args.sections))
    if not width or not 0 < width < 200:
        args.wrong_usage("say how wide the tool is, below 200 m: --width, or --sections with the width of each")
    kept = read_sections(args.sections or "", width)
    return ToolGeometry(
        width, hitch=args.hitch, antenna_to_hitch=args.antenna, side=args.side, sections=sections_of(kept, width)
    )


def run(args: argparse.Namespace) -> int:
    """Measure and print."""
    tool = _tool(args)
    try:
        boundary = _boundary(args.field) if args.field else None
        result = measure(_read(args.trace), tool, args.target, boundary, args.cell, args.sigma, args.receiver)
    finally:
        _progress("")
    print(json.dumps(result, indent=1, allow_nan=False) if args.json else result_text(result))
    if result["nothing"] is None:
        return 0
    print(f"rollbook: {result['nothing']}", file=sys.stderr)
    return NOTHING


def _boundary(path: str) -> dict[str, Any]:
    """Return the boundary of the field in a file; BoundaryRefused where it holds none, or several."""
    kind = Path(path).suffix.lower()
    if kind in (".geojson", ".json") or kind not in READERS:
        return read_boundary(path)
    found = read_fields(path)
    if len(found) > 1:
        raise BoundaryRefused(
            "{name} holds {count} fields. Give a file with the one that is measured.",
            name=Path(path).name, count=len(found),
        )  # fmt: skip
    return found[0].geometry


def _read(paths: list[str]) -> Iterator[Recording]:
    """Yield the recordings, each when the one before is taken in."""
    for n, path in enumerate(paths, 1):
        _progress(f"reading {n} of {len(paths)}")
        yield read_recording(path)
    _progress("counting")


def result_text(result: dict) -> str:
    """Return the figures of `measure` as lines of text, in acres and hectares."""
    acres, hectares = Units("us"), Units("metric")

    def area(m2):
        return f"{acres.area_value(m2):10.2f} ac {hectares.area_value(m2):9.2f} ha"

    trace, areas, target = result["trace"], result["area_m2"], result["target"]
    lines = [
        f"{trace['fixes']:,} fixes, {trace['used']:,} used; "
        f"{trace['length_m'] / 1000:.2f} km ({trace['length_m'] / MILE:.2f} miles) in {trace['duration_s'] / 3600:.2f} h, "
        f"of which {trace['unknown_s'] / 60:.1f} min without a trustworthy position"
    ]
    lines += [f"  left out: {count:,} ({reason})" for reason, count in trace["reasons"].items()]
    lines += [f"  {note}" for note in result["notes"]]
    for stint in result["stints"]:
        lines.append(f"  {stint['file']}: counted {_spans_text(stint['spans'])}, {stint['why']}")
        if stint["max_gap_s"] != BREAK_S and round(stint["interval_s"]) <= SLOWEST:
            lines.append(
                f"  {stint['file']}: a fix each {stint['interval_s']:g} s; only a gap of more than "
                f"{stint['max_gap_s']:g} s counts as unknown"
            )
    over, inside = result["recovered_m2"], areas["field"] is not None
    table = [("field", areas["field"]), ("none", areas["none"])] if inside else []
    table += [("unknown", areas["unknown"])] if inside and areas["unknown"] >= SHOWN_AREA else []
    table += [("once" if n == "1" else f"{n} times", m2) for n, m2 in areas["by_count"].items() if m2 >= SHOWN_AREA]
    table += [("covered", areas["covered"]), ("pass area", areas["pass_area"])]
    if inside:
        table.append(("passes outside", areas["pass_area_outside"]))
    table.append((f"above {target}", over["avoidable"]))
    if inside:
        table.append(("  along the edge", over["unavoidable"]))
    lines += ["", *(f"{label:<19}{area(m2)}" for label, m2 in table)]
    if result["proof"]:
        lines += ["", *_proof_result_text(result), *_gaps_text(result["gaps"], acres)]
        wide = [one for one in result["recovered"] if one["certainty"] == "sure"]
        if wide:
            lines.append(
                f"{len(wide)} strip{'s' * (len(wide) != 1)} surely above {target}, together "
                f"{acres.area_value(sum(one['area_m2'] for one in wide)):.2f} ac."
            )
    return "\n".join(lines)


def _spans_text(spans):
    """Return when it worked, UTC: all spans of a few, else from when to when."""
    if not spans:
        return "nothing"
    shown = spans if len(spans) <= SHOWN_SPANS else [[spans[0][0], spans[-1][1]]]
    words = [f"{write_time(a, 'seconds')} to {write_time(b, 'seconds')}" for a, b in shown]
    return ", ".join(words) + (f" ({len(spans)} spans)" if shown is not spans else "")


def _proof_result_text(result):
    """Return what is proven, and by which receiver error."""
    said = result["receiver"]
    yield f"{result['proof']['words'].capitalize()} (90 of 100 such figures hold the true one)."
    yield (
        f"Receiver: {said['words']} ({said['basis']}); {_length(said['relative_m'], 2)} from pass to "
        f"pass, {_length(said['absolute_m'], 2)} from day to day. "
        f"A gap narrower than {_length(width_shown(said['absolute_m']))} may not show."
    )


def _length(metres: float, digits: int = 1) -> str:
    """Return a length in metres and feet, as areas stand in hectares and acres."""
    return f"{metres:.{digits}f} m ({metres / FOOT:.{digits - 1}f} ft)"


def _gaps_text(gaps, units):
    if not gaps:
        return ["No gap below target."]
    yield f"{len(gaps)} gap{'s' * (len(gaps) != 1)} below target, the largest first:"
    for gap in gaps[:SHOWN_GAPS]:
        edge = ", along the edge" if gap["edge"] else ""
        yield (
            f"  {gap['kind']:<7} {units.area_value(gap['area_m2']):7.2f} ac, "
            f"{_length(gap['width_m'])} wide, {gap['certainty']}{edge}, "
            f"at {gap['lat']:.6f}, {gap['lon']:.6f}"
        )
    if len(gaps) > SHOWN_GAPS:
        yield f"  and {len(gaps) - SHOWN_GAPS} smaller ones"


def _progress(text: str) -> None:
    """Show progress at a terminal; write nothing into a file."""
    if sys.stderr.isatty():
        print(f"\r\x1b[K{text}", end="", file=sys.stderr, flush=True)
