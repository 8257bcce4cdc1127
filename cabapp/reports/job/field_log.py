"""The field log: the record of one job on one page."""

import math

import numpy as np

from cabapp.common.rendering import render
from cabapp.common.shares import share, shares
from cabapp.common.wording import times, verb
from cabapp.counting.gaps import width_shown
from cabapp.jobs.records.stint_reader import StintRecord, tool_of
from cabapp.jobs.records.time_split import worked
from cabapp.jobs.records.work_intervals import LOST
from cabapp.position.boundaries.boundary_judge import is_odd
from cabapp.reports.job.amendments import correction_tables, taps_of_stint
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.model.time_doubts import doubts_of_job
from cabapp.reports.render import hatching, page_elements
from cabapp.reports.render.html_tables import Table, together
from store.models import HandOver, HandOverReceipt, Mark

_STINT_HEADS = [
    ("operator", ""), ("tractor and tool", ""), ("from", ""), ("to", ""), ("working", "n"), ("not working", ""),
    ("pass area", "n"), ("fuel in", "n"),
]  # fmt: skip
_GAP_HEADS = [
    ("no.", ""), ("passes", ""), ("area", "n"), ("width", "n"), ("is it real?", ""), ("where its middle lies", ""),
]  # fmt: skip


def field_log(record: JobRecord, now: float) -> str:
    """Return the field log of a job, written at `now`, POSIX s."""
    fmt, bounded = record.format, record.totals.field_area is not None
    drawn = page_elements.map_of(record, f"{record.field.name}, {record.job.operation}", parcels=True)
    gaps = _gap_rows(record)
    return page_elements.TEMPLATES.get_template("field_log.html").render(
        record=record, fmt=fmt, target_text=times(record.job.target), span=_span(record),
        zone=fmt.zone_words(record.began), written=f"{fmt.when(now)} ({fmt.zone_words(now)})",
        figures=figures(record), map=drawn, script_data=page_elements.script_data(record, drawn),
        classes=_classes(record), unknown=_unknown(record), work=_work(record),
        total={
            "text": "field" if bounded else "covered", "area": fmt.area(record.ground),
            "share": "100 %" if record.totals.field_area else "–",
        },
        stints=Table("Who worked", _STINT_HEADS, [_stint(s, record) for s in record.stints], key="stints"),
        hand_overs=[_hand_over(row, receipts, record) for row, receipts in record.hand_overs],
        remarks=[*record.remarks, *doubts_of_job(record, now)],
        gaps=Table("Ground below target", _GAP_HEADS, gaps, note=_gap_text(record), key="gaps"),
        more_gaps=" ".join(filter(None, (_more_gaps(record), _too_small(record), _hidden(record)))),
        marks=[_mark(m, record) for m in record.marks], corrections=correction_tables(record),
        taps=[taps_of_stint(s, record) for s in record.stints], cautions=_cautions(record),
    )  # fmt: skip


def figures(record: JobRecord) -> list[page_elements.LargeFigure]:
    """Return the four large figures."""
    fmt, totals, done = record.format, record.totals, record.done
    found = [
        ("field", fmt.area(record.ground), "field area" if totals.field_area is not None else "covered, net"),
        ("reached", share(record.reached, record.ground), f"{done} {times(record.job.target)} or more"),
        ("none", fmt.area(totals.none), f"never {done}"),
        ("pass_area", fmt.area(totals.pass_area), "pass area, every pass"),
    ]
    if not record.seen:
        found[1:] = [(key, page_elements.NOT_KNOWN, text) for key, _value, text in found[1:]]
    return [page_elements.LargeFigure(*one) for one in found]


def _span(record: JobRecord) -> str:
    fmt, began, ended = record.format, record.began, record.ended
    same = fmt.local(began).date() == fmt.local(ended).date()
    return f"{fmt.time(began)} to {fmt.time(ended) if same else fmt.when(ended)}"


def _classes(record: JobRecord) -> list[dict]:
    fmt, totals, target = record.format, record.totals, record.job.target
    counts = dict.fromkeys(range(1, target + 1), 0.0) | totals.by_count
    kinds = {count: page_elements.class_of_count(count, target) for count in counts}
    texts = {
        count: page_elements.passes_text(count, record.job.operation) + (" (wanted)" if count == target else "")
        for count in (0, *counts)
    }
    ranked = sorted(counts.items())
    if totals.none is not None:
        kinds[0] = page_elements.class_of_count(0, target)
        ranked.insert(0, (0, totals.none))
    if page_elements.shows(totals.unknown, fmt):
        kinds["unknown"], texts["unknown"] = hatching.UNKNOWN, f"position unknown, perhaps {record.done}"
        ranked.insert(1, ("unknown", totals.unknown))
    percents = shares([area for _, area in ranked], record.ground)
    return [
        {
            "swatch": page_elements.swatch(kinds[key], number), "key": key, "text": texts[key],
            "area": fmt.area(area) if record.seen else page_elements.NOT_KNOWN,
            "share": percents[number] if record.seen else "–",
        }
        for number, (key, area) in enumerate(ranked)
    ]  # fmt: skip


def _unknown(record: JobRecord) -> dict | None:
    """Return ground covered too few times that may have been covered unseen; the rows above hold it already."""
    area = record.totals.short_unknown
    if not page_elements.shows(area, record.format):
        return None
    return {
        "swatch": page_elements.swatch(hatching.UNKNOWN, 99),
        "share": share(area, record.ground),
        "text": f"about {record.format.area(area)} of what is {record.done} too few times; may have been once more",
    }


def _work(record: JobRecord) -> list[dict]:
    fmt, totals, stints = record.format, record.totals, record.stints
    litres = [f.litres for s in stints for f in s.fuel]
    widths = sorted({fmt.units.length(s.row.width_m) for s in stints})
    sections = sorted({", ".join(map(fmt.units.length, tool_of(s.row).sections)) for s in stints} - {""})
    spent = together(s.hours.seconds() for s in stints)
    rows = [
        ("covered", "covered at least once, net", fmt.area(totals.covered), ""),
        ("pass_area", "pass area", fmt.area(totals.pass_area), "sum over passes, not ground"),
        (
            "width",
            "working width",
            ", ".join(widths),
            f"sections from the left: {'; '.join(sections)}" if sections else "",
        ),
        ("over", f"above target ({times(record.job.target)})", fmt.area(totals.avoidable + totals.unavoidable), ""),
        ("avoidable", "avoidable", fmt.area(totals.avoidable), "turns on the headland included"),
        ("unavoidable", "along the edge", fmt.area(totals.unavoidable), "a half-lap cannot help it"),
        ("working", "time working and turning", fmt.duration(worked(spent)), ""),
        (
            "lost",
            "time without a position",
            fmt.duration(spent["unknown"]),
            "at work or not is unknown, and so is its ground",
        ),
        ("fuel", "fuel put in", fmt.units.volume(math.fsum(litres)) if litres else "none written", ""),
    ]
    if not record.seen:
        rows = [row for row in rows if row[0] in ("width", "working", "fuel")]
    elif record.proof is not None:
        low, high = (f"{100 * bound:.0f}" for bound in (record.proof.low, record.proof.high))
        bounds = f"{low} to {high} %" if low != high else f"{low} %"
        rows.insert(1, ("proof", "proven at target", bounds, "with the receiver's error, 9 times in 10"))
    by_hand = sum(s.standing.tally for s in stints)
    if by_hand:
        rows.append(("by_hand", "passes counted by hand", str(by_hand), "not on the map: nobody saw where"))
    return [dict(zip(("key", "text", "value", "note"), row, strict=True)) for row in rows]


def _stint(s: StintRecord, record: JobRecord) -> list[str]:
    fmt, spent = record.format, s.hours.seconds()
    unseen = {LOST: spent["unknown"]}
    stood = {"standing, not stopped": s.working_s + s.stopped.get(LOST, 0.0) - worked(spent) - unseen[LOST]}
    stopped = ", ".join(f"{fmt.duration(t)} {why}" for why, t in (s.stopped | stood | unseen).items() if t >= 1)
    return [
        s.operator, f"{s.tractor}, {s.tool}", fmt.when(s.row.at),
        fmt.when(s.ended) + ("" if s.ended_by else " (still open)"), fmt.duration(worked(spent)), stopped or "–",
        fmt.swept(s.pass_area), fmt.units.volume(math.fsum(f.litres for f in s.fuel)) if s.fuel else "–",
    ]  # fmt: skip


def _hand_over(row: HandOver, receipts: list[HandOverReceipt], record: JobRecord) -> dict:
    fmt = record.format
    text = f"{record.giver(row)}, state “{row.state}”" + (", left for whoever comes" if row.left_for else "") + ". "
    closed = [r for r in receipts if r.agreed]
    if not receipts:
        return {"at": fmt.when(row.at), "text": text + "Nobody has received it yet."}
    last = (closed or receipts)[-1]
    text += (
        f"{record.names.get(last.operator_id, '?')} showed the next pass at {fmt.time(last.at)}{off(last, record)}: "
    )
    text += "agreed." if closed else "not agreed, so it is not closed."
    wrong = len(receipts) - len(closed)
    if closed and wrong:
        text += f" Shown wrong {times(wrong)} before that."
    return {"at": fmt.when(row.at), "text": text}


def off(receipt: HandOverReceipt, record: JobRecord) -> str:
    """Return how far off the next pass was shown."""
    return "" if receipt.metres_off is None else f", {record.format.units.length(receipt.metres_off)} off"


def _gap_rows(record: JobRecord) -> list[list[str]]:
    """Return the numbered gaps of the map as rows of a table."""
    fmt = record.format
    return [
        [
            str(number), page_elements.GAP_WORDS[gap.kind], fmt.area(gap.area), fmt.units.length(gap.width),
            gap.certainty, fmt.from_gate(*record.latlon(gap.x, gap.y), record.gate),
        ]
        for number, gap in enumerate(page_elements.ranked_gaps(record)[: page_elements.MOST_GAPS], 1)
    ]  # fmt: skip


def _gap_text(record: JobRecord) -> str:
    if record.count.field is None:
        return "not known: the field has no boundary in this logbook"
    if not record.seen:
        return "not known: no position of this work was known"
    if not record.totals.covered:
        return "not known: nothing was counted"
    if not record.gaps:
        return "none found"
    areas = {
        certainty: sum(g.area for g in record.gaps if g.certainty == certainty)
        for certainty in ("sure", "maybe", "cannot tell")
    }
    known = ", ".join(f"{certainty} {record.format.area(area)}" for certainty, area in areas.items() if area)
    return f"{len(record.gaps)} places: {known}"


def _more_gaps(record: JobRecord) -> str:
    rest = page_elements.ranked_gaps(record)[page_elements.MOST_GAPS :]
    if not rest:
        return ""
    return f"And {len(rest)} smaller places, together {record.format.area(sum(g.area for g in rest))}."


def _too_small(record: JobRecord) -> str:
    """Return a sentence on ground below target that the list leaves out."""
    if record.count.field is None or not record.totals.covered:
        return ""
    left = record.totals.field_area - record.reached - math.fsum(gap.area for gap in record.gaps)
    if left <= 0 or record.format.area(left) == record.format.area(0.0):
        return ""
    return f"Another {record.format.area(left)} below target lies in pieces too small or too narrow to list."


def _hidden(record: JobRecord) -> str:
    """Return a sentence on gaps that the error of the positions may hide."""
    receivers = record.count.receivers()
    if record.count.field is None or not record.seen or not receivers:
        return ""
    worst = max(receivers, key=lambda one: float(np.median(one.absolute)))
    text = (
        f"A gap narrower than {record.format.units.length(width_shown(float(np.median(worst.absolute))))} may not show."
    )
    if worst.basis == "not stated":
        text += " How far off the positions are was not stated, so they are taken for no better than a phone's."
    return text


def _mark(mark: Mark, record: JobRecord) -> str:
    note, placed = f" ({mark.note})" if mark.note else "", mark.lat is not None and mark.lon is not None
    place = record.format.from_gate(mark.lat, mark.lon, record.gate) if placed else "place not known"
    return f"{mark.kind}{note}, {place}, {record.format.when(mark.at)}"


def _cautions(record: JobRecord) -> list[str]:
    receivers = sorted({s.row.receiver for s in record.stints if s.row.receiver})
    errors = sorted({one.words for one in record.count.receivers()})
    sentences = {
        f"Positions came from: {', '.join(receivers)}.": receivers,
        f"How far off they are was taken from: {'; '.join(errors)}.": True,
        "The boundary kept for this field cannot be a field's, so it was left aside. Give the field a new one.": is_odd(
            record.field.boundary
        ),
        "Ground worked while the position was lost counts as not proven.": any(s.lost for s in record.stints),
        "A stint is still open: this is how far it had got.": any(not s.ended_by for s in record.stints),
        f"{verb(record.job.operation)}, not planted: no figure here is a planted area.": True,
    }
    held = [render(said, farm=record.format) for said in record.held]
    return held + [sentence for sentence, applies in sentences.items() if applies]
