"""`rollbook measure`: how often a recorded trace covered the ground, without any logbook."""

import argparse
import json
import sys
from dataclasses import replace

import numpy as np
import shapely

from cabapp.coverage.field import Field
from cabapp.coverage.gaps import list_gaps
from cabapp.coverage.hygiene import clean
from cabapp.coverage.job import SIGMA
from cabapp.coverage.pieces import Pieces
from cabapp.coverage.plane import Plane
from cabapp.coverage.sweep import Rules, Sweeper, Switch
from cabapp.coverage.tally import add_up, lay_rows
from cabapp.coverage.tool import Tool
from cabapp.position.boundaries import read_boundary
from cabapp.position.files import TraceFile, read_trace
from cabapp.units import Units
from store.errors import BoundaryRefused, TraceRefused

NAME = "measure"
HELP = "Count the passes of a recorded trace (GPX, CSV or NMEA) over the ground."
EXAMPLE = (
    "rollbook measure monday.gpx tuesday.gpx --width 13.7 --hitch 8 --target 2 "
    "--field home-quarter.geojson --json"
)
CELL = 0.25
NEAR = 500.0
"""A trace that comes no closer to its field than this, m, belongs to another."""
GAP_INTERVALS = 2.5
"""A logger slower than half of `Rules.max_gap` misses a fix only after so many of its intervals."""
SHOWN_GAPS = 10


def _metres(low, high, *, zero=False):
    """Return an argparse type for metres between limits, 0 itself allowed or not."""

    def read(text):
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not (low <= value <= high) or (value == 0 and not zero):
            raise argparse.ArgumentTypeError(f"{text!r} is not metres from {low:g} to {high:g}")
        return value

    return read


def _passes(text):
    if not (text.isascii() and text.isdigit() and 1 <= int(text) <= 50):
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of passes from 1 to 50")
    return int(text)


def arguments(parser) -> None:
    """Describe the command's words to argparse."""
    parser.add_argument(
        "trace", nargs="+", metavar="TRACE",
        help="GPX 1.1, CSV (time,lat,lon) or NMEA 0183 text; each file is one stint",
    )  # fmt: skip
    parser.add_argument(
        "--width", required=True, type=_metres(0, 199), metavar="M", help="working width of the tool"
    )
    parser.add_argument(
        "--target", type=_passes, default=2, metavar="N", help="passes wanted (default 2)"
    )
    parser.add_argument("--field", metavar="FILE.geojson", help="boundary of the field")
    parser.add_argument(
        "--hitch", type=_metres(0, 99, zero=True), default=0.0, metavar="M",
        help="from the antenna back to the working line of a towed tool (default 0: mounted)",
    )  # fmt: skip
    parser.add_argument(
        "--side", type=_metres(-99, 99, zero=True), default=0.0, metavar="M",
        help="how far the tool's middle lies right of the antenna (left: negative)",
    )  # fmt: skip
    parser.add_argument(
        "--cell", type=_metres(0.05, 5), default=CELL, metavar="M",
        help=f"distance of the rows along which ground is counted (default {CELL:g})",
    )  # fmt: skip
    parser.add_argument(
        "--sigma", type=_metres(0, 50, zero=True), default=None, metavar="M",
        help="error (1 sigma) of one pass against the next "
        f"(default: what the receiver states, else {SIGMA:g})",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def run(args) -> int:
    """Measure and print; every `Refused` goes up."""
    traces = []
    for n, path in enumerate(args.trace, 1):
        _progress(f"reading {n} of {len(args.trace)}")
        traces.append(read_trace(path))
    boundary = read_boundary(args.field) if args.field else None
    _progress("counting")
    tool = Tool(args.width, hitch=args.hitch, side=args.side)
    result = measure(traces, tool, args.target, boundary, args.cell, args.sigma)
    _progress("")
    print(json.dumps(result, indent=1, allow_nan=False) if args.json else in_words(result))
    return 0


def measure(traces, tool, target=2, boundary=None, cell=CELL, sigma=None) -> dict:
    """Count the passes of traces over the ground.

    Parameters
    ----------
    traces : list of TraceFile
        Each one stint; counted in order of time.
    tool : Tool
    target : int
        Passes wanted.
    boundary : dict, optional
        GeoJSON Polygon or MultiPolygon.
    cell : float
        Distance of the rows, m.
    sigma : float, optional
        Error of one pass against the next, m.

    Returns
    -------
    dict
        What `rollbook measure --json` prints: areas m2, lengths m, times s, places degrees. Areas
        are those in the field where there is one; what was covered outside stands apart.

    Raises
    ------
    TraceRefused
        Several traces of which one has no date, or a trace with no usable fix.
    BoundaryRefused
        No fix lies in or near the field.
    """
    traces = _in_order(traces)
    kept = [clean(trace.t, trace.lat, trace.lon, trace.quality) for trace in traces]
    plane = _plane(traces, kept, boundary)
    field = None if boundary is None else Field.from_geojson(boundary, plane, target)
    stints, pieces = [], []
    for trace, good in zip(traces, kept, strict=True):
        if not good.keep.any():
            raise TraceRefused(
                f"{trace.name} holds no fix that can be used. Choose another recording."
            )
        stint, swept = _sweep(trace, good, plane, tool)
        stints.append(stint)
        pieces.append(swept)
    if field is not None:
        _check_near(traces, kept, plane, field)
    if sigma is None:
        stated = np.concatenate([trace.sigma for trace in traces])
        sigma = float(np.nanmedian(stated)) if np.isfinite(stated).any() else SIGMA
    rows = lay_rows(pieces, field, cell, tool.width / 2, target)
    areas = add_up(rows, field)
    gaps = [] if field is None else list_gaps(rows, sigma)
    lat, lon = plane.to_latlon([(gap.x, gap.y) for gap in gaps]) if gaps else ((), ())
    outside = ~rows.inside & (rows.count > 0)
    total = {
        key: sum(stint[key] for stint in stints)
        for key in ("fixes", "used", "rejected", "duration_s", "length_m", "unknown_s")
    }
    return {
        "trace": {**total, "reasons": _add_reasons(stints)},
        "tool": {"width_m": tool.width, "hitch_m": tool.hitch, "side_m": tool.side},
        "target": target,
        "cell_m": cell,
        "sigma_m": sigma,
        "area_m2": {
            "field": areas.field_area,
            "none": areas.none,
            "covered": areas.covered,
            "pass_area": areas.pass_area,
            "by_count": {str(n): area for n, area in areas.by_count.items()},
            "covered_outside": float(rows.area[outside].sum()),
            "pass_area_outside": float((rows.area * rows.count)[outside].sum()),
        },
        "recovered_m2": {"avoidable": areas.avoidable, "unavoidable": areas.unavoidable},
        "gaps": [
            {
                "kind": gap.kind,
                "area_m2": gap.area,
                "width_m": gap.width,
                "length_m": gap.length,
                "certainty": gap.certainty,
                "edge": gap.edge,
                "lat": float(place[0]),
                "lon": float(place[1]),
            }
            for gap, place in zip(gaps, zip(lat, lon, strict=True), strict=True)
        ],
        "stints": stints,
    }


def _in_order(traces):
    if len(traces) > 1:
        for trace in traces:
            if not trace.dated:
                raise TraceRefused(
                    f"{trace.name} carries no date, so it cannot be put in order with the others. "
                    "Measure it alone."
                )
    return sorted(traces, key=lambda trace: trace.t[0])


def _plane(traces, kept, boundary):
    if boundary is not None:
        middle = shapely.geometry.shape(boundary).centroid
        return Plane(middle.y, middle.x)
    lat, lon = (
        np.sort(np.concatenate([getattr(t, name)[k.keep] for t, k in zip(traces, kept, strict=True)]))
        for name in ("lat", "lon")
    )
    # one of the values itself: the mean of -179.9 and 179.9 is on the other side of the earth
    return Plane(lat[len(lat) // 2], lon[len(lon) // 2]) if len(lat) else Plane(0.0, 0.0)


def _check_near(traces, kept, plane, field):
    nearest = np.inf
    shapely.prepare(field.polygon)
    for trace, good in zip(traces, kept, strict=True):
        xy = plane.to_xy(trace.lat[good.keep], trace.lon[good.keep])
        nearest = min(nearest, float(np.nanmin(shapely.distance(field.polygon, shapely.points(xy)))))
    if nearest > NEAR:
        raise BoundaryRefused(
            f"The trace comes no closer to the field than {nearest / 1000:,.1f} km. Give the "
            "boundary of the field it was driven in, with [longitude, latitude] in that order."
        )


def _sweep(trace: TraceFile, good, plane, tool) -> tuple[dict, Pieces]:
    """Return what one stint's trace was like, and the ground it swept."""
    keep = good.keep
    t = trace.t[keep]
    rules = _rules(t)
    # without a tap every moment counts as work, but not a break that the file itself declares
    switches = [Switch(-np.inf, True)]
    paused = 0.0
    begins = np.searchsorted(np.flatnonzero(keep), trace.starts)
    for first in np.unique(begins[(begins > 0) & (begins < len(t))]):
        if t[first] - t[first - 1] <= rules.max_gap:
            switches += [Switch(t[first - 1], False), Switch(t[first], True)]
            paused += float(t[first] - t[first - 1])
    sweeper = Sweeper(tool, rules)
    xy = plane.to_xy(trace.lat[keep], trace.lon[keep])
    parts = [sweeper.feed(t, xy, switches, trace.sigma[keep]), sweeper.finish()]
    fixes = len(trace.t) + trace.dropped
    reasons = dict(good.reasons)
    for reason, count in sweeper.rejected.items():
        reasons[reason] = reasons.get(reason, 0) + count
    if trace.dropped:
        reasons["not readable or without a time"] = trace.dropped
    stint = {
        "file": trace.name,
        "fixes": fixes,
        "used": sweeper.used,
        "rejected": fixes - sweeper.used,
        "reasons": reasons,
        "duration_s": float(trace.t[-1] - trace.t[0]),
        "length_m": sweeper.length,
        "unknown_s": paused + sum(end - start for start, end, _, _ in sweeper.unknown),
        "interval_s": _interval(t),
        "max_gap_s": rules.max_gap,
        "notes": trace.notes,
    }
    return stint, Pieces.join(parts, sweeper.leave)


def _interval(t):
    steps = np.diff(t)
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else None


def _rules(t):
    rules, interval = Rules(), _interval(t)
    if interval is None or interval <= rules.max_gap / 2:
        return rules
    return replace(rules, max_gap=GAP_INTERVALS * interval)


def _add_reasons(stints):
    reasons: dict[str, int] = {}
    for stint in stints:
        for reason, count in stint["reasons"].items():
            reasons[reason] = reasons.get(reason, 0) + count
    return reasons


def in_words(result: dict) -> str:
    """Return the figures of `measure` as lines for a person, in acres and hectares."""
    acres, hectares = Units("us"), Units("metric")

    def area(m2):
        return f"{acres.area_value(m2):10.2f} ac {hectares.area_value(m2):9.2f} ha"

    trace, areas, target = result["trace"], result["area_m2"], result["target"]
    lines = [
        f"{trace['fixes']:,} fixes, {trace['used']:,} used; "
        f"{trace['length_m'] / 1000:.2f} km in {trace['duration_s'] / 3600:.2f} h, "
        f"of which {trace['unknown_s'] / 60:.1f} min without a trustworthy position"
    ]
    lines += [f"  left out: {count:,} ({reason})" for reason, count in trace["reasons"].items()]
    for stint in result["stints"]:
        lines += [f"  {stint['file']}: {note}" for note in stint["notes"]]
        if stint["max_gap_s"] != Rules().max_gap:
            lines.append(
                f"  {stint['file']}: a fix each {stint['interval_s']:g} s; only a gap of more than "
                f"{stint['max_gap_s']:g} s counts as unknown"
            )
    lines.append("")
    if areas["field"] is not None:
        lines += [f"field            {area(areas['field'])}", f"none             {area(areas['none'])}"]
    for count, m2 in areas["by_count"].items():
        lines.append(f"{'once' if count == '1' else count + ' times':<17}{area(m2)}")
    lines += [
        f"covered          {area(areas['covered'])}",
        f"pass area        {area(areas['pass_area'])}",
    ]
    if areas["field"] is not None:
        lines.append(f"outside (passes) {area(areas['pass_area_outside'])}")
    over = result["recovered_m2"]
    lines.append(f"above {target:<2} avoidable{area(over['avoidable'])[1:]}")
    if areas["field"] is not None:
        lines.append(f"     unavoidable {area(over['unavoidable'])}")
        lines += ["", *_gaps_in_words(result["gaps"], acres)]
    return "\n".join(lines)


def _gaps_in_words(gaps, units):
    if not gaps:
        return ["No gap below target."]
    yield f"{len(gaps)} gaps below target, the largest first:"
    for gap in gaps[:SHOWN_GAPS]:
        edge = ", along the edge" if gap["edge"] else ""
        yield (
            f"  {gap['kind']:<5} {units.area_value(gap['area_m2']):7.2f} ac, "
            f"{gap['width_m']:.1f} m wide, {gap['certainty']}{edge}, "
            f"at {gap['lat']:.6f}, {gap['lon']:.6f}"
        )
    if len(gaps) > SHOWN_GAPS:
        yield f"  and {len(gaps) - SHOWN_GAPS} smaller ones"


def _progress(words):
    """Show what is being done while a person waits at a terminal; say nothing into a file."""
    if sys.stderr.isatty():
        print(f"\r\x1b[K{words}", end="", file=sys.stderr, flush=True)
