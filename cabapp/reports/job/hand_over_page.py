"""The hand-over sheet on paper: nine points, the map and the next pass."""

import math

from cabapp.common.rendering import render
from cabapp.common.shares import shares
from cabapp.common.wording import times
from cabapp.jobs.records.pending_handovers import POINTS, messages_of, told_of
from cabapp.jobs.records.tool_parts import part_now, part_words
from cabapp.reports.job.field_log import figures, off
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import page_elements
from store.models import HandOver, HandOverReceipt


def hand_over_sheet(record: JobRecord, row: HandOver, receipts: list[HandOverReceipt], now: float) -> str:
    """Return the sheet of one hand-over, written at `now`, POSIX s.

    `record` is the job as it stood then.
    """
    fmt, sheet = record.format, row.sheet or {}
    return page_elements.TEMPLATES.get_template("hand_over.html").render(
        record=record, row=row, at=fmt.when(row.at), target_text=times(record.job.target), figures=figures(record),
        zone=fmt.zone_words(row.at), written=f"{fmt.when(now)} ({fmt.zone_words(now)})",
        map=page_elements.map_of(record, f"{record.field.name} at the hand-over", tallest=450, **_places(record, row, sheet)),
        points=_points(record, row, sheet), misses=_misses(receipts, record), **_names(record, row, receipts, sheet),
    )  # fmt: skip


def _points(record: JobRecord, row, sheet: dict) -> list[dict]:
    """Return the nine points: what the logbook knows, then the outgoing operator's answers."""
    points = []
    for key, (name, said) in zip(POINTS, _POINTS, strict=True):
        told = [_sentence([render(one, farm=record.format).rstrip(".")]) for one in told_of(sheet, key)]
        points.append({"name": name, "text": " ".join([said(record, row, sheet), *told])})
    return points


def _places(record: JobRecord, row, sheet: dict) -> dict:
    """Return the next pass and the parked tool, m on the plane, where known."""
    found, plane = {}, record.count.plane
    if row.next_lat is not None and row.next_lon is not None:
        found["next_pass"] = tuple(plane.to_xy(row.next_lat, row.next_lon)[0])
    stands = _part(sheet, "where").get("tool_at")
    if stands:
        x, y = plane.to_xy(stands["lat"], stands["lon"])[0]
        found["machine"] = (x, y, _last_heading(record))
    return found


def _last_heading(record: JobRecord) -> float:
    """Which way the last stint's trace was going at its end, rad; 0 when it never moved."""
    trace = record.stints[-1].trace
    xy = record.count.plane.to_xy(trace.lat, trace.lon)
    xy = xy[~(xy != xy).any(axis=1)]
    for k in range(len(xy) - 2, -1, -1):
        dx, dy = xy[-1] - xy[k]
        if math.hypot(dx, dy) > 3.0:
            return math.atan2(dy, dx)
    return 0.0


def _part(sheet: dict, key: str) -> dict:
    value = sheet.get(key)
    return value if isinstance(value, dict) else {}


def _state(record: JobRecord, row: HandOver, sheet: dict) -> str:
    why = _part(sheet, "state").get("why")
    return row.state + (f" (stopped: {why})" if why else "")


def _where(record: JobRecord, row: HandOver, sheet: dict) -> str:
    fmt, totals, coming, parts = record.format, record.totals, _part(sheet, "where").get("next"), []
    if totals.field_area:
        classes = [record.reached, totals.covered - record.reached, totals.none, totals.unknown]
        reached, few, never, unknown = shares(classes, totals.field_area)
        lost = f", not known {unknown}" if page_elements.shows(totals.unknown, fmt) else ""
        parts.append(f"{record.done} {times(record.job.target)} or more {reached}, too few {few}, never {never}{lost}.")
    if coming is None:
        parts.append("Where the next pass begins is not known.")
    elif coming.get("side"):
        lap = fmt.units.length(coming.get("lap_m"))
        parts.append(f"Next pass: turn round, on the {coming['side']} of the last one, lapping it {lap}.")
    else:
        parts.append("Next pass: go on from here.")
    if row.next_lat is not None and row.next_lon is not None:
        parts.append(f"It begins {fmt.from_gate(row.next_lat, row.next_lon, record.gate)}.")
    text = " ".join(parts)
    return text[:1].upper() + text[1:]


def _odd(record: JobRecord, row: HandOver, sheet: dict) -> str:
    odd, fmt, said = _part(sheet, "odd"), record.format, []
    if odd.get("once_only"):
        said.append("Part of this field is to be covered once only")
    for spell in odd.get("part_width") or []:
        said.append(f"{_part_said(spell, fmt)} {fmt.time(spell.get('from'))} to {fmt.time(spell.get('to'))}")
    now = _part_said(part_now(odd), fmt)
    said += [f"{now} now"] if now else []
    lost = odd.get("position_unknown_s")
    said.append("position always known" if lost == 0 else f"no position for {fmt.duration(lost)} while working")
    said += [render(one, farm=fmt).rstrip(".") for one in messages_of(odd.get("nothing"))]
    ground = odd.get("ground") or {}
    said += [f"{str(key).replace('_', ' ')}: {value}" for key, value in ground.items()]
    return _sentence(said)


def _part_said(detail: dict, fmt) -> str:
    """Return which part of the tool worked, as a part of a sentence; "" where all of it did."""
    said = part_words(detail)
    words = render(said, farm=fmt).rstrip(".") if said else ""
    return words[:1].lower() + words[1:]


def _marks(record: JobRecord, row: HandOver, sheet: dict) -> str:
    parts = []
    for mark in sheet.get("marks") or []:
        note = f" ({mark['note']})" if mark.get("note") else ""
        parts.append(f"{mark.get('kind')}{note}, {_from_gate(mark, record) or 'place not known'}")
    return _sentence(parts) if parts else "None written."


def _from_gate(place: dict, record: JobRecord) -> str:
    """Return where a place is from the gate; "" where it is not known."""
    lat, lon = place.get("lat"), place.get("lon")
    return "" if lat is None or lon is None else record.format.from_gate(lat, lon, record.gate)


def _machine(record: JobRecord, row: HandOver, sheet: dict) -> str:
    machine, units = _part(sheet, "machine"), record.format.units
    length = {key: units.length(machine.get(key)) for key in ("width_m", "antenna_to_hitch_m", "hitch_to_line_m")}
    fuel, every = machine.get("last_fuel"), machine.get("grease_every_h")
    parts = [
        f"{machine.get('tractor', '?')} with {machine.get('tool', '?')}, {length['width_m']} wide",
        f"antenna to hitch {length['antenna_to_hitch_m']}, hitch to tool {length['hitch_to_line_m']}",
        f"last fuel {units.volume(fuel.get('litres'))} at {record.format.when(fuel.get('at'))}" if fuel else "no fuel written",
    ]  # fmt: skip
    if machine.get("tool_hours") is not None:
        grease = f", grease every {every:g} h" if every else ""
        parts.append(f"tool has worked {machine['tool_hours']:.1f} h in this logbook{grease}")
    if machine.get("faults"):
        parts.append(f"not right when last looked at: {', '.join(map(str, machine['faults']))}")
    return _sentence(parts)


def _seeder(record: JobRecord, row: HandOver, sheet: dict) -> str:
    seen = _part(sheet, "seeder")
    if not seen:
        return "Not seen."
    place = _from_gate(seen, record)
    return f"Seen at {record.format.time(seen.get('at'))}{', ' + place if place else ''}."


def _if_then(record: JobRecord, row: HandOver, sheet: dict) -> str:
    return " ".join(render(one, farm=record.format) for one in messages_of(sheet.get("if_then"))) or "Nothing said."


def _to_do(record: JobRecord, row: HandOver, sheet: dict) -> str:
    listed = sheet.get("to_do")
    if listed is None:
        return "Not known: no boundary."
    said = [
        f"{page_elements.GAP_WORDS.get(str(gap.get('kind')), 'too few')} {record.format.area(gap.get('area_m2'))}, "
        f"{gap.get('certainty')}, {record.format.from_gate(gap['lat'], gap['lon'], record.gate)}"
        for gap in listed[:4]
    ]
    rest = f"; and {len(listed) - 4} more" if len(listed) > 4 else ""
    return _sentence(said)[:-1] + rest + "." if said else "No gaps found."


def _closing(record: JobRecord, row: HandOver, sheet: dict) -> str:
    closing = _part(sheet, "closing")
    phone = f", phone {closing['phone']}" if closing.get("phone") else ""
    how = "Left for whoever comes next" if row.left_for else "Face to face"
    return f"{how}. From {closing.get('outgoing', '?')}{phone}."


_POINTS = (
    ("state", _state), ("where, and the next pass", _where), ("what is odd", _odd), ("marks", _marks),
    ("machine", _machine), ("seeder", _seeder), ("if … then", _if_then),
    ("ground still to do", _to_do), ("handed on", _closing),
)  # fmt: skip


def _sentence(parts: list[str]) -> str:
    text = "; ".join(parts)
    return text[:1].upper() + text[1:] + "."


def _names(record: JobRecord, row: HandOver, receipts: list[HandOverReceipt], sheet: dict) -> dict[str, str]:
    fmt, closed = record.format, [r for r in receipts if r.agreed]
    outgoing = _part(sheet, "closing").get("outgoing") or record.giver(row)
    incoming = "taken over by"
    if closed:
        last = closed[-1]
        who = record.names.get(last.operator_id, "?")
        incoming += f" {who}, {fmt.when(last.at)}: showed the next pass{off(last, record)}"
    return {"outgoing": f"handed over by {outgoing}, {fmt.when(row.at)}", "incoming": incoming}


def _misses(receipts: list[HandOverReceipt], record: JobRecord) -> str:
    wrong = [f"{record.names.get(r.operator_id, '?')} at {record.format.time(r.at)}" for r in receipts if not r.agreed]
    return f"Shown in the wrong place first: {', '.join(wrong)}." if wrong else ""
