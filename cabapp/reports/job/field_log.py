"""The field log: the record of one job on one page."""

import math

from cabapp.common.farm_format import share
from cabapp.common.wording import times, verb
from cabapp.jobs.records.stint_reader import StintRecord
from cabapp.reports.job.amendments import correction_row, taps_of_stint
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import hatching, page_elements


def field_log(record: JobRecord, now: float) -> str:
    """Return the field log of a job, written at `now`, POSIX s."""
    fmt, tally, target = record.format, record.totals, record.job.target
    drawn = page_elements.map_of(record, f"{record.field.name}, {record.job.operation}", parcels=True)
    page = {
        "farm": record.farm.name if record.farm else "",
        "field": record.field.name,
        "operation": record.job.operation,
        "season": record.job.season,
        "crop": record.field.crop,
        "target_text": times(target),
        "day": fmt.day(record.began),
        "span": _span(record),
        "zone": fmt.zone_words(record.began),
        "written": f"{fmt.when(now)} ({fmt.zone_words(now)})",
        "figures": figures(record),
        "map": drawn,
        "script_data": page_elements.script_data(record, drawn),
        "classes": _classes(record),
        "total": {
            "text": "field" if tally.field_area is not None else "covered",
            "area": fmt.area(tally.field_area if tally.field_area is not None else tally.covered),
            "share": "100 %" if tally.field_area else "–",
        },
        "unknown": _unknown(record),
        "work": _work(record),
        "stints": [_stint(s, record) for s in record.stints],
        "hand_overs": [_hand_over(row, receipts, record) for row, receipts in record.hand_overs],
        "gap_text": _gap_text(record),
        "gaps": gap_rows(record),
        "more_gaps": " ".join(filter(None, (_more_gaps(record), _too_small(record)))),
        "marks": [_mark(m, record) for m in record.marks],
        "corrections": [correction_row(c, record) for c in record.corrections],
        "taps": [taps_of_stint(s, record) for s in record.stints],
        "cautions": _cautions(record),
    }
    return page_elements.TEMPLATES.get_template("field_log.html").render(page)


def figures(record: JobRecord) -> list[page_elements.LargeFigure]:
    """Return the four large figures."""
    fmt, tally, target = record.format, record.totals, record.job.target
    done = verb(record.job.operation).lower()
    whole = tally.field_area if tally.field_area is not None else tally.covered
    found = [
        ("field", fmt.area(whole), "field area" if tally.field_area is not None else "covered, net"),
        ("reached", share(record.reached, whole), f"{done} {times(target)} or more"),
        ("none", fmt.area(tally.none), f"never {done}"),
        ("pass_area", fmt.area(tally.pass_area), "pass area, every pass"),
    ]
    if not record.seen:
        found[1:] = [(key, "not known", text) for key, _value, text in found[1:]]
    return [page_elements.LargeFigure(*one) for one in found]


def _span(record: JobRecord) -> str:
    fmt, began, ended = record.format, record.began, record.ended
    same = fmt.local(began).date() == fmt.local(ended).date()
    return f"{fmt.time(began)} to {fmt.time(ended) if same else fmt.when(ended)}"


def _classes(record: JobRecord) -> list[dict]:
    fmt, tally, target = record.format, record.totals, record.job.target
    whole = tally.field_area if tally.field_area is not None else tally.covered
    counts = dict(tally.by_count)
    if tally.none is not None:
        counts[0] = tally.none
    for wanted in range(1, target + 1):
        counts.setdefault(wanted, 0.0)
    rows = []
    for number, (count, area) in enumerate(sorted(counts.items())):
        rows.append({
            "swatch": page_elements.swatch(page_elements.kind_of(count, target), number), "key": count,
            "text": page_elements.passes_text(count, record.job.operation) + (" (wanted)" if count == target else ""),
            "area": fmt.area(area) if record.seen else "not known", "share": share(area, whole) if record.seen else "–",
        })  # fmt: skip
    return rows


def _unknown(record: JobRecord) -> dict | None:
    """Ground below target that was crossed with no position; it is in the rows above already."""
    count, whole = record.count, record.totals.field_area or record.totals.covered
    cells = count.grid.unknown & (count.grid.counts < record.job.target)
    area = float(cells.sum()) * count.grid.cell**2
    if not area:
        return None
    done = verb(record.job.operation).lower()
    return {
        "swatch": page_elements.swatch(hatching.UNKNOWN, 99), "share": share(area, whole),
        "text": f"about {record.format.area(area)} of what is below target; may have been {done}",
    }  # fmt: skip


def _work(record: JobRecord) -> list[dict]:
    fmt, tally = record.format, record.totals
    over = tally.avoidable + tally.unavoidable
    working = sum(s.working_s for s in record.stints)
    lost = sum(end - begin for s in record.stints for begin, end in s.lost)
    litres = [f.litres for s in record.stints for f in s.fuel]
    fuel = fmt.units.volume(math.fsum(litres)) if litres else "none written"
    rows = [
        ("covered", "covered at least once, net", fmt.area(tally.covered), ""),
        ("pass_area", "pass area", fmt.area(tally.pass_area), "sum over passes, not ground"),
        ("width", "working width", _widths(record), ""),
        ("over", f"above target ({times(record.job.target)})", fmt.area(over), ""),
        ("avoidable", "avoidable", fmt.area(tally.avoidable), "turns on the headland included"),
        ("unavoidable", "along the edge", fmt.area(tally.unavoidable), "a half-lap cannot help it"),
        ("working", "time working", fmt.spell(working), ""),
        ("lost", "of it without a position", fmt.spell(lost), "drawn as unknown, never as covered"),
        ("fuel", "fuel put in", fuel, ""),
    ]
    if not record.seen:
        rows = [row for row in rows if row[0] in ("width", "working", "fuel")]
    proof = record.proof
    if proof is not None and record.seen:
        low, high = (f"{100 * bound:.0f}" for bound in (proof.low, proof.high))
        told = f"{low} to {high} %" if low != high else f"{low} %"
        rows.insert(1, ("proof", "proven at target", told, "with the receiver's error, 9 times in 10"))
    tally_by_hand = sum(s.standing.tally for s in record.stints)
    if tally_by_hand:
        rows.append(("by_hand", "passes counted by hand", str(tally_by_hand), "not on the map: nobody saw where"))
    return [{"key": k, "text": w, "value": v, "note": n} for k, w, v, n in rows]


def _widths(record: JobRecord) -> str:
    return ", ".join(sorted({record.format.units.length(s.row.width_m) for s in record.stints}))


def _stint(s: StintRecord, record: JobRecord) -> dict:
    fmt = record.format
    stopped = ", ".join(f"{fmt.spell(t)} {why}" for why, t in s.stopped.items() if t >= 1)
    last = fmt.when(s.ended) if s.ended_by else f"{fmt.when(s.ended)} (still open)"
    return {
        "operator": s.operator, "machine": f"{s.tractor}, {s.tool}",
        "began": fmt.when(s.row.at), "ended": last, "working": fmt.spell(s.working_s),
        "stopped": stopped or "–", "pass_area": fmt.swept(s.pass_area),
        "fuel": fmt.units.volume(math.fsum(f.litres for f in s.fuel)) if s.fuel else "–",
    }  # fmt: skip


def _hand_over(row, receipts: list, record: JobRecord) -> dict:
    giver = next((s.operator for s in record.stints if s.row.id == row.stint_id), "?")
    said = f"{giver}, state “{row.state}”" + (", left for whoever comes" if row.left_for else "") + ". "
    closed = [r for r in receipts if r.agreed]
    if not receipts:
        return {"at": record.format.when(row.at), "text": said + "Nobody has received it yet."}
    last = closed[-1] if closed else receipts[-1]
    who = record.names.get(last.operator_id, "?")
    off = "" if last.metres_off is None else f", {record.format.units.length(last.metres_off)} off"
    wrong = len(receipts) - len(closed)
    told = f"{who} showed the next pass at {record.format.time(last.at)}{off}: "
    told += "agreed." if closed else "not agreed, so it is not closed."
    if closed and wrong:
        told += f" Shown wrong {times(wrong)} before that."
    return {"at": record.format.when(row.at), "text": said + told}


def gap_rows(record: JobRecord) -> list[dict]:
    """The gaps that have a number on the map, as lines of a table."""
    fmt, rows = record.format, []
    for number, gap in enumerate(page_elements.ranked_gaps(record)[: page_elements.MOST_GAPS], 1):
        lat, lon = (float(a[0]) for a in record.count.plane.to_latlon([[gap.x, gap.y]]))
        rows.append({
            "number": number, "kind": "never" if gap.kind == "none" else "too few",
            "area": fmt.area(gap.area), "width": fmt.units.length(gap.width),
            "certainty": gap.certainty, "place": fmt.from_gate(lat, lon, record.gate),
        })  # fmt: skip
    return rows


def _gap_text(record: JobRecord) -> str:
    if record.count.field is None:
        return "not known: the field has no boundary in this logbook"
    if not record.seen:
        return "not known: no position of this work was known"
    if not record.gaps:
        return "none found"
    said = []
    for certainty in ("sure", "maybe", "cannot tell"):
        area = sum(g.area for g in record.gaps if g.certainty == certainty)
        if area:
            said.append(f"{certainty} {record.format.area(area)}")
    return f"{len(record.gaps)} places: " + ", ".join(said)


def _more_gaps(record: JobRecord) -> str:
    rest = page_elements.ranked_gaps(record)[page_elements.MOST_GAPS :]
    if not rest:
        return ""
    return f"And {len(rest)} smaller places, together {record.format.area(sum(g.area for g in rest))}."


def _too_small(record: JobRecord) -> str:
    """Say what the list leaves out, so that nobody who adds it up misses ground."""
    if record.count.field is None or not record.seen:
        return ""
    left = record.totals.field_area - record.reached - math.fsum(gap.area for gap in record.gaps)
    if left <= 0 or record.format.area(left) == record.format.area(0.0):
        return ""
    return f"Another {record.format.area(left)} below target lies in pieces too small or too narrow to list."


def _mark(mark, record: JobRecord) -> str:
    note = f" ({mark.note})" if mark.note else ""
    if mark.lat is None or mark.lon is None:
        return f"{mark.kind}{note}, place not known, {record.format.when(mark.at)}"
    return (
        f"{mark.kind}{note}, {record.format.from_gate(mark.lat, mark.lon, record.gate)}, {record.format.when(mark.at)}"
    )


def _cautions(record: JobRecord) -> list[str]:
    said = []
    receivers = sorted({s.row.receiver for s in record.stints if s.row.receiver})
    if receivers:
        said.append(f"Positions came from: {', '.join(receivers)}.")
    errors = sorted({one.words for one in record.count.receivers()})
    said.append(f"How far off they are was taken from: {'; '.join(errors)}.")
    if any(s.lost for s in record.stints):
        said.append("Ground worked while the position was lost counts as not proven.")
    if any(not s.ended_by for s in record.stints):
        said.append("A stint is still open: this is how far it had got.")
    said.append(f"{verb(record.job.operation)}, not planted: no figure here is a planted area.")
    return said
