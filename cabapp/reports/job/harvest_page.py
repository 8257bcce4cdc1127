"""The harvest sheet: one page a field for a crew that has never been there.

Where the gate is, where to raise the header and what lies about, in the order one
comes by it driving from the gate.
"""

from dataclasses import dataclass

import numpy as np

from cabapp.common.wording import times, verb
from cabapp.planning.gap_route import Strip, shortest
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import page_elements
from cabapp.reports.render.html_tables import Link, Table, page

MOST = 18
"""Lines on the one page; the number of places left out stands below."""
TURN_M = 9.0
"""Tightest turn of a combine, m; it hardly matters to the order (our own choice)."""
SMALLEST = 4.0
"""Ground smaller than this, m2, stops no header (our own choice)."""


@dataclass(frozen=True)
class Stop:
    """A place to look out for: what, what to do, m on the plane and degrees."""

    what: str
    do: str
    size: str
    x: float
    y: float
    lat: float
    lon: float


_DO = {
    "rock": "raise header", "rock pile": "go round", "pole": "go round", "well": "go round",
    "slough": "wet: keep off", "soft ground": "wet: keep off", "power line": "look up: auger down",
    "gate": "way in", "ditch": "keep off",
}  # fmt: skip


def harvest_sheet(record: JobRecord, stem: str, now: float) -> str:
    """Return the harvest sheet of a job's field, written at `now`, POSIX s."""
    fmt, done = record.format, verb(record.job.operation).lower()
    stops, left = places(record)
    ordered = shortest_round(stops, record.count.plane.to_xy(*record.gate)[0] if record.gate else None)
    rows = [
        [str(n), stop.what, stop.do, stop.size, fmt.from_gate(stop.lat, stop.lon, record.gate),
         _degrees(stop.lat, stop.lon)]
        for n, stop in enumerate(ordered, 1)
    ]  # fmt: skip
    heads = [("no.", ""), ("what", ""), ("do", "t"), ("size", "n"),
             ("where", "t"), ("latitude, longitude", "t")]  # fmt: skip
    gate = _degrees(*record.gate) if record.gate else ""
    notes = [
        f"The gate is at {gate}." if record.gate else "No gate is written in this logbook.",
        f"Never {done} or {done} too few times: stones may stand above ground there.",
    ]
    if left:
        notes.append(f"{left} smaller places are left out; the field log has them all.")
    if record.count.field is None:
        notes.append("The field has no boundary in this logbook: ground never covered is not known.")
    notes.append(f"{verb(record.job.operation)}, not planted. Only what somebody marked is on this page.")
    return page(
        f"{record.farm.name if record.farm else ''} · harvest sheet", record.field.name, fmt, now,
        [Table("In driving order from the gate" if record.gate else "In driving order", heads, rows or [["–", "nothing marked", "", "", "", ""]], key="stops")],
        right=", ".join(x for x in (record.field.crop, f"{done} {times(record.job.target)}", fmt.day(record.ended)) if x),
        figure=page_elements.map_of(
            record, f"{record.field.name} with numbered places",
            gaps=[(n, stop.x, stop.y) for n, stop in enumerate(ordered, 1)], tallest=430,
        ),
        notes=notes, links=[Link("field log", f"{stem}.html")], at=record.ended,
    )  # fmt: skip


def _degrees(lat: float, lon: float) -> str:
    return f"{lat:.5f}, {lon:.5f}".replace("-", "−")


def places(record: JobRecord) -> tuple[list[Stop], int]:
    """Return the marks and the ground to look out for, and how many places were left out.

    Marks come first, then bare ground, then short; what is likely the receiver's error is
    left out.
    """
    plane, fmt, found = record.count.plane, record.format, []
    for mark in record.marks:
        if mark.lat is not None and mark.lon is not None:
            x, y = plane.to_xy(mark.lat, mark.lon)[0]
            note = f" ({mark.note})" if mark.note else ""
            found.append(Stop(mark.kind + note, _DO.get(mark.kind, "look out"), "", x, y, mark.lat, mark.lon))
    done = verb(record.job.operation).lower()
    real = [gap for gap in page_elements.ranked_gaps(record) if gap.area >= SMALLEST and gap.certainty != "cannot tell"]
    lost = [gap for gap in record.gaps if gap.certainty == "cannot tell" and gap.area >= SMALLEST and not gap.edge]
    for gap in real + lost:
        lat, lon = (float(a[0]) for a in plane.to_latlon([[gap.x, gap.y]]))
        what = f"{done} too few" if gap.kind == "short" else f"never {done}"
        what += " (perhaps)" if gap.certainty != "sure" else ""
        size = f"{fmt.area(gap.area)}, {fmt.units.length(gap.width)} wide"
        found.append(Stop(what, "raise header", size, gap.x, gap.y, lat, lon))
    return found[:MOST], max(0, len(found) - MOST)


def shortest_round(stops: list[Stop], start) -> list[Stop]:
    """Return places in driving order: the shortest way from a start, m on the plane.

    Without a start, from the southernmost place. By `cabapp.planning.gap_route.shortest`.
    """
    if len(stops) < 2:
        return stops
    if start is None:
        first = min(stops, key=lambda stop: stop.y)
        start = (first.x, first.y)
    middle = np.mean([(stop.x, stop.y) for stop in stops], axis=0)
    ahead = float(np.arctan2(middle[1] - start[1], middle[0] - start[0]))
    # a strip of a metre towards the middle: a place has no ends of its own
    strips = [Strip(((s.x, s.y), (s.x + 1.0, s.y)), 1.0) for s in stops]
    way = shortest(strips, (float(start[0]), float(start[1]), ahead), TURN_M)
    return [stops[k] for k, _ in way.order]
