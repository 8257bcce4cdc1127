"""The field log: one page that says what was done on a field, by whom, and how well it is known."""

import math

from cabapp.common.farm_format import share
from cabapp.common.wording import times, verb
from cabapp.jobs.records.stint_reader import StintRecord
from cabapp.reports.job.amendments import correction_words, taps_of_stint
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import hatching, page_elements


def field_log(log: JobRecord, now: float) -> str:
    """Write the field log of a job.

    Parameters
    ----------
    log : JobRecord
    now : float
        When the page is written, POSIX s.

    Returns
    -------
    str
        One self-contained HTML page.
    """
    words, tally, target = log.words, log.tally, log.job.target
    drawn = page_elements.map_of(log, f"{log.field.name}, {log.job.operation}", parcels=True)
    page = {
        "farm": log.farm.name if log.farm else "",
        "field": log.field.name,
        "operation": log.job.operation,
        "season": log.job.season,
        "crop": log.field.crop,
        "target_words": times(target),
        "day": words.day(log.began),
        "span": _span(log),
        "zone": words.zone_words(log.began),
        "written": f"{words.when(now)} ({words.zone_words(now)})",
        "figures": figures(log),
        "map": drawn,
        "living": page_elements.living(log, drawn),
        "classes": _classes(log),
        "total": {
            "words": "field" if tally.field_area is not None else "covered",
            "area": words.area(tally.field_area if tally.field_area is not None else tally.covered),
            "share": "100 %" if tally.field_area else "–",
        },
        "unknown": _unknown(log),
        "work": _work(log),
        "stints": [_stint(s, log) for s in log.stints],
        "hand_overs": [_hand_over(row, receipts, log) for row, receipts in log.hand_overs],
        "gap_words": _gap_words(log),
        "gaps": gap_rows(log),
        "more_gaps": " ".join(filter(None, (_more_gaps(log), _too_small(log)))),
        "marks": [_mark(m, log) for m in log.marks],
        "corrections": [correction_words(c, log) for c in log.corrections],
        "taps": [taps_of_stint(s, log) for s in log.stints],
        "cautions": _cautions(log),
    }
    return page_elements.TEMPLATES.get_template("field_log.html").render(page)


def figures(log: JobRecord) -> list[dict]:
    """The four large figures: key, value and words."""
    words, tally, target = log.words, log.tally, log.job.target
    done = verb(log.job.operation).lower()
    whole = tally.field_area if tally.field_area is not None else tally.covered
    found = [
        (
            "field",
            words.area(whole),
            "field area" if tally.field_area is not None else "covered, net",
        ),
        ("reached", share(log.reached, whole), f"{done} {times(target)} or more"),
        ("none", words.area(tally.none), f"never {done}"),
        ("pass_area", words.area(tally.pass_area), "pass area, every pass"),
    ]
    if not log.seen:
        found[1:] = [(key, "not known", text) for key, _value, text in found[1:]]
    return [{"key": key, "value": value, "words": text} for key, value, text in found]


def _span(log: JobRecord) -> str:
    words, began, ended = log.words, log.began, log.ended
    same = words.local(began).date() == words.local(ended).date()
    return f"{words.time(began)} to {words.time(ended) if same else words.when(ended)}"


def _classes(log: JobRecord) -> list[dict]:
    words, tally, target = log.words, log.tally, log.job.target
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
            "words": page_elements.passes(count, log.job.operation) + (" (wanted)" if count == target else ""),
            "area": words.area(area) if log.seen else "not known", "share": share(area, whole) if log.seen else "–",
        })  # fmt: skip
    return rows


def _unknown(log: JobRecord) -> dict | None:
    """Ground below target that was crossed with no position; it is in the rows above already."""
    count, whole = log.count, log.tally.field_area or log.tally.covered
    cells = count.grid.unknown & (count.grid.counts < log.job.target)
    area = float(cells.sum()) * count.grid.cell**2
    if not area:
        return None
    words = f"about {log.words.area(area)} of what is below target; may have been {verb(log.job.operation).lower()}"
    return {
        "swatch": page_elements.swatch(hatching.UNKNOWN, 99),
        "words": words,
        "share": share(area, whole),
    }


def _work(log: JobRecord) -> list[dict]:
    words, tally = log.words, log.tally
    over = tally.avoidable + tally.unavoidable
    working = sum(s.working_s for s in log.stints)
    lost = sum(end - begin for s in log.stints for begin, end in s.lost)
    litres = [f.litres for s in log.stints for f in s.fuel]
    fuel = words.units.volume(math.fsum(litres)) if litres else "none written"
    rows = [
        ("covered", "covered at least once, net", words.area(tally.covered), ""),
        ("pass_area", "pass area", words.area(tally.pass_area), "sum over passes, not ground"),
        ("width", "working width", _widths(log), ""),
        ("over", f"above target ({times(log.job.target)})", words.area(over), ""),
        ("avoidable", "avoidable", words.area(tally.avoidable), "turns on the headland included"),
        (
            "unavoidable",
            "along the edge",
            words.area(tally.unavoidable),
            "a half-lap cannot help it",
        ),
        ("working", "time working", words.spell(working), ""),
        (
            "lost",
            "of it without a position",
            words.spell(lost),
            "drawn as unknown, never as covered",
        ),
        ("fuel", "fuel put in", fuel, ""),
    ]
    if not log.seen:
        rows = [row for row in rows if row[0] in ("width", "working", "fuel")]
    proof = log.proof
    if proof is not None and log.seen:
        low, high = (f"{100 * bound:.0f}" for bound in (proof.low, proof.high))
        told = f"{low} to {high} %" if low != high else f"{low} %"
        rows.insert(1, ("proof", "proven at target", told, "with the receiver's error, 9 times in 10"))
    tally_by_hand = sum(s.standing.tally for s in log.stints)
    if tally_by_hand:
        rows.append(
            (
                "by_hand",
                "passes counted by hand",
                str(tally_by_hand),
                "not on the map: nobody saw where",
            )
        )
    return [{"key": k, "words": w, "value": v, "note": n} for k, w, v, n in rows]


def _widths(log: JobRecord) -> str:
    return ", ".join(sorted({log.words.units.length(s.row.width_m) for s in log.stints}))


def _stint(s: StintRecord, log: JobRecord) -> dict:
    words = log.words
    stopped = ", ".join(f"{words.spell(t)} {why}" for why, t in s.stopped.items() if t >= 1)
    last = words.when(s.ended) if s.ended_by else f"{words.when(s.ended)} (still open)"
    return {
        "operator": s.operator, "machine": f"{s.tractor}, {s.tool}",
        "began": words.when(s.row.at), "ended": last, "working": words.spell(s.working_s),
        "stopped": stopped or "–", "pass_area": words.swept(s.pass_area),
        "fuel": words.units.volume(math.fsum(f.litres for f in s.fuel)) if s.fuel else "–",
    }  # fmt: skip


def _hand_over(row, receipts: list, log: JobRecord) -> dict:
    giver = next((s.operator for s in log.stints if s.row.id == row.stint_id), "?")
    said = f"{giver}, state “{row.state}”" + (", left for whoever comes" if row.left_for else "") + ". "
    closed = [r for r in receipts if r.agreed]
    if not receipts:
        return {"at": log.words.when(row.at), "words": said + "Nobody has received it yet."}
    last = closed[-1] if closed else receipts[-1]
    who = log.names.get(last.operator_id, "?")
    off = "" if last.metres_off is None else f", {log.words.units.length(last.metres_off)} off"
    wrong = len(receipts) - len(closed)
    told = f"{who} showed the next pass at {log.words.time(last.at)}{off}: "
    told += "agreed." if closed else "not agreed, so it is not closed."
    if closed and wrong:
        told += f" Shown wrong {times(wrong)} before that."
    return {"at": log.words.when(row.at), "words": said + told}


def gap_rows(log: JobRecord) -> list[dict]:
    """The gaps that have a number on the map, as lines of a table."""
    words, rows = log.words, []
    for number, gap in enumerate(page_elements.ranked(log)[: page_elements.MOST_GAPS], 1):
        lat, lon = (float(a[0]) for a in log.count.plane.to_latlon([[gap.x, gap.y]]))
        rows.append({
            "number": number, "kind": "never" if gap.kind == "none" else "too few",
            "area": words.area(gap.area), "width": words.units.length(gap.width),
            "certainty": gap.certainty, "place": words.from_gate(lat, lon, log.gate),
        })  # fmt: skip
    return rows


def _gap_words(log: JobRecord) -> str:
    if log.count.field is None:
        return "not known: the field has no boundary in this logbook"
    if not log.seen:
        return "not known: no position of this work was known"
    if not log.gaps:
        return "none found"
    said = []
    for certainty in ("sure", "maybe", "cannot tell"):
        area = sum(g.area for g in log.gaps if g.certainty == certainty)
        if area:
            said.append(f"{certainty} {log.words.area(area)}")
    return f"{len(log.gaps)} places: " + ", ".join(said)


def _more_gaps(log: JobRecord) -> str:
    rest = page_elements.ranked(log)[page_elements.MOST_GAPS :]
    if not rest:
        return ""
    return f"And {len(rest)} smaller places, together {log.words.area(sum(g.area for g in rest))}."


def _too_small(log: JobRecord) -> str:
    """Say what the list leaves out, so that nobody who adds it up misses ground."""
    if log.count.field is None or not log.seen:
        return ""
    left = log.tally.field_area - log.reached - math.fsum(gap.area for gap in log.gaps)
    if left <= 0 or log.words.area(left) == log.words.area(0.0):
        return ""
    return f"Another {log.words.area(left)} below target lies in pieces too small or too narrow to list."


def _mark(mark, log: JobRecord) -> str:
    note = f" ({mark.note})" if mark.note else ""
    if mark.lat is None or mark.lon is None:
        return f"{mark.kind}{note}, place not known, {log.words.when(mark.at)}"
    return f"{mark.kind}{note}, {log.words.from_gate(mark.lat, mark.lon, log.gate)}, {log.words.when(mark.at)}"


def _cautions(log: JobRecord) -> list[str]:
    said = []
    receivers = sorted({s.row.receiver for s in log.stints if s.row.receiver})
    if receivers:
        said.append(f"Positions came from: {', '.join(receivers)}.")
    errors = sorted({one.words for one in log.count.receivers()})
    said.append(f"How far off they are was taken from: {'; '.join(errors)}.")
    if any(s.lost for s in log.stints):
        said.append("Ground worked while the position was lost counts as not proven.")
    if any(not s.ended_by for s in log.stints):
        said.append("A stint is still open: this is how far it had got.")
    said.append(f"{verb(log.job.operation)}, not planted: no figure here is a planted area.")
    return said
