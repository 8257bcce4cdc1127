"""The demo's results as figures and as lines of text."""

from cabapp.common.farm_format import FarmFormat
from cabapp.common.shares import share
from cabapp.common.wording import times, verb
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render.page_elements import shows
from demo_db.session_player import Played
from sync import MergeResult


def report(
    record: JobRecord, played: dict[str, Played], merged: MergeResult, compared: list[dict], pages: dict
) -> dict:
    """Return the demo's figures, SI and POSIX s.

    `played` is by operator's name, `compared` of `fault_check.compare`, `pages` paths by kind.
    """
    tally = record.totals
    return {
        "field": record.field.name, "operation": record.job.operation, "target": record.job.target,
        "area_m2": {
            "field": tally.field_area, "none": tally.none, "unknown": tally.unknown,
            "short_unknown": tally.short_unknown, "covered": tally.covered, "pass_area": tally.pass_area, "by_count": {str(n): a for n, a in sorted(tally.by_count.items())},
        },
        "recovered_m2": {"avoidable": tally.avoidable, "unavoidable": tally.unavoidable},
        "gaps": [
            {"kind": g.kind, "area_m2": g.area, "width_m": g.width, "certainty": g.certainty} for g in record.gaps
        ],
        "unknown_s": sum(end - begin for s in record.stints for begin, end in s.lost),
        "stints": [
            {
                "operator": s.operator, "taken_over": s.row.at, "ended": s.ended, "working_s": s.working_s,
                "stopped_s": s.stopped, "pass_area_m2": s.pass_area, "fixes": len(s.trace.t),
                "warned": [{"at": tap.at, **(tap.detail or {})} for tap in s.taps if tap.kind == "warned"],
                "sounds": [{"at": t, "words": fmt} for t, fmt in played[s.operator].warnings],
            }
            for s in record.stints
        ],
        "hand_overs": [
            {
                "at": row.at, "state": row.state,
                "receipts": [{"at": r.at, "metres_off": r.metres_off, "agreed": r.agreed} for r in receipts],
            }
            for row, receipts in record.hand_overs
        ],
        "merge": {"added": merged.added, "known": merged.known, "missing": [str(one) for one in merged.missing]},
        "put_in": compared,
        "pages": {kind: [str(path) for path in paths] for kind, paths in pages.items()},
    }  # fmt: skip


def result_text(found: dict, fmt: FarmFormat) -> str:
    """Return the figures as lines of text."""
    area, done, target = found["area_m2"], verb(found["operation"]).lower(), found["target"]
    lines = [f"{found['field']}, {found['operation']}, {times(target)}", ""]
    for s in found["stints"]:
        stopped = "".join(f", {fmt.duration(t)} {why}" for why, t in s["stopped_s"].items() if t >= 1)
        lines.append(
            f"  {s['operator']:<12} {fmt.time(s['taken_over'])} to {fmt.time(s['ended'])}: "
            f"working {fmt.duration(s['working_s'])}{stopped}; pass area {fmt.area(s['pass_area_m2'])}"
        )
    lines += ["", *_hand_overs(found, fmt), "", "  The count, from the office copy"]
    lines.append(f"    field area         {fmt.area(area['field']):>9}")
    lines.append(f"    never {done:<12} {fmt.area(area['none']):>9}  {share(area['none'], area['field'])}")
    if shows(area["unknown"], fmt):
        lines.append(f"    perhaps {done:<10} {fmt.area(area['unknown']):>9}  {share(area['unknown'], area['field'])}")
    for n, m2 in area["by_count"].items():
        lines.append(f"    {done} {times(int(n)):<11} {fmt.area(m2):>9}  {share(m2, area['field'])}")
    lines.append(f"    pass area          {fmt.area(area['pass_area']):>9}  every pass counted")
    over = found["recovered_m2"]
    lines.append(
        f"    above target       {fmt.area(sum(over.values())):>9}  of it along the edge {fmt.area(over['unavoidable'])}"
    )
    lines.append(f"    no position for    {fmt.duration(found['unknown_s']):>9}  while working: unknown, not counted")
    sure = [g for g in found["gaps"] if g["certainty"] == "sure"]
    lines.append(f"    gaps               {len(found['gaps']):>9}  of them sure: {len(sure)}")
    lines += ["", "  Warnings sounded in the cab"]
    for s in found["stints"]:
        lines += [f"    {fmt.time(one['at'])}  {s['operator']}: {one['words']}" for one in s["sounds"]]
        lines.append(f"    {len(s['warned'])} in all are in {s['operator']}'s logbook")
    lines += ["", "  What the story put in, and how much of its ground the count says the same of"]
    for row in found["put_in"]:
        said = "unknown" if row["passes"] is None else f"{row['passes']} passes" if row["passes"] != 1 else "1 pass"
        lines.append(f"    {row['name']:<36} {fmt.area(row['area_m2']):>8}  {said:<8}  {100 * row['found']:.0f} %")
    merge = found["merge"]
    missing = "; ".join(merge["missing"]) or "none missing"
    lines += ["", f"  The office copy took {merge['added']} records from the two tablets, {missing}.", "", "  Pages"]
    lines += [f"    {path}" for paths in found["pages"].values() for path in paths]
    return "\n".join(lines)


def _hand_overs(found: dict, fmt: FarmFormat) -> list[str]:
    lines = []
    for one in found["hand_overs"]:
        lines.append(f"  Handed over at {fmt.time(one['at'])}, state “{one['state']}”")
        for receipt in one["receipts"]:
            end = "agreed, closed" if receipt["agreed"] else "wrong place, look again"
            off = fmt.units.length(receipt["metres_off"])
            lines.append(f"    {fmt.time(receipt['at'])}  next pass shown {off} from where it begins: {end}")
    return lines
