"""The season plan: every field with the passes it lacks, by the day it closes."""

import math
from collections import Counter
from dataclasses import dataclass
from functools import partial

from cabapp.common.farm_format import FarmFormat
from cabapp.common.wording import HARVESTS, times, verb
from cabapp.jobs.fields.field_priority import ROLLING, expected_rate, field_ground, widest_tool
from cabapp.jobs.fields.season_history import crop_clock, seeded_at
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.stint_rows import jobs_by_stint
from cabapp.jobs.records.farm_settings import farm_crops
from cabapp.jobs.records.field_marks import STONE_HIT, taken_back
from cabapp.planning.emergence import crop_of
from cabapp.planning.half_lap import edge_strip_area
from cabapp.planning.pass_comparison import compare
from cabapp.planning.work_order import HOURS_A_DAY, Slot, Work, scheduled
from cabapp.position.boundaries.boundary_judge import kept_boundary
from cabapp.reports.model.job_account import Account, StintAccount, rates
from cabapp.reports.model.job_record import read_job, unless_held
from cabapp.reports.render.html_tables import Table, page
from store import Store, models
from store.errors import Message

_HEADS = [
    ("field", ""), ("crop", ""), ("wanted", ""), ("seeded", ""), ("closes", ""),
    ("still lacking", "n"), ("needs, h", "n"), ("done by", ""), ("too late, h", "n"),
    ("edge, not twice", "n"), ("then", ""),
]  # fmt: skip


@dataclass(frozen=True)
class PlanEntry:
    """A field in the plan: what it lacks, m2 of passes; its edge strip, m2; seeded, POSIX s."""

    row: models.Field
    work: Work
    area: float | None
    edge: float | None
    seeded: float | None


def plan_page(store: Store, accounts: list[Account], season: int, fmt: FarmFormat, farm: str, now: float) -> str:
    """Return the season plan; fields without work are taken from the store."""
    rolled = [one for one in accounts if one.operation == ROLLING and one.season == season]
    stints = [stint for one in rolled for stint in one.stints]
    pace = rates(stints).effective or expected_rate(store)
    entries = [_entry(store, row, rolled, season, now) for row in store.all(models.Field)]
    known = [one for one in entries if one.area is not None]
    slots = scheduled([one.work for one in known], pace, now) if pace else []
    crops = farm_crops(store)
    rows = [_row(slot, next(g for g in known if g.work is slot.work), fmt, crops) for slot in slots]
    done = [one.row.name for one in known if one.work.left <= 0]
    unmapped = [one.row.name for one in entries if one.area is None]
    left = math.fsum(slot.work.left for slot in slots)
    figures = [
        ("left", fmt.area(left), "passes still lacking, all fields"),
        ("backlog", fmt.area(math.fsum(one.work.left for one in known if one.seeded is not None)), "of them on seeded ground"),
        ("pace", fmt.units.area_rate(pace), "passes, by work so far" if stints else "passes, expected"),
        ("hours", f"{left / pace / 3600:.0f} h" if pace else "–", f"of work, {HOURS_A_DAY:.0f} h a day"),
    ]  # fmt: skip
    notes = [
        "What closes first comes first. When a crop comes up is an estimate from soil temperature, "
        "which depth and dry soil can move by days: go and dig.",
        f"Done: {', '.join(done)}." if done else "",
        f"Without a boundary, so not reckoned: {', '.join(unmapped)}." if unmapped else "",
    ]
    tables = [Table("What to do first", _HEADS, rows, key="plan", note=f"season {season}")]
    tables += [_people(stints, fmt)] if stints else []
    return page(
        "season plan", farm, fmt, now, tables, wide=True, figures=figures, right=f"season {season}",
        notes=[*filter(None, notes), *_twice(store, season, fmt)],
    )  # fmt: skip


def _entry(store: Store, row: models.Field, rolled: list[Account], season: int, now: float) -> PlanEntry:
    done = next((one for one in rolled if one.field == row.name), None)
    closes = crop_clock(store, row, season, now)[0]
    if kept_boundary(row.boundary) is None:
        return PlanEntry(row, Work(row.name, 0.0, closes), None, None, None)
    field, width = field_ground(row), widest_tool(store)
    edge = edge_strip_area(field.polygon.length, width) if width and row.target == 2 else None
    left = field.area * row.target
    if done is not None:
        left = math.fsum(max(0, done.target - int(n)) * a for n, a in done.by_count.items())
        left += done.target * ((done.none or 0.0) + (done.unknown or 0.0))
    return PlanEntry(row, Work(row.name, left, closes), field.area, edge, seeded_at(store, row.id, season))


def _row(slot: Slot, one: PlanEntry, fmt: FarmFormat, crops) -> list[str]:
    crop, closes = crop_of(one.row.crop, crops), slot.work.closes
    later = ""
    if crop is not None:
        later = f"again once up, until {crop.later}" if crop.later else "not once it is up"
    return [
        one.row.name, one.row.crop or "–", times(one.row.target), _day(one.seeded, fmt),
        _day(closes, fmt), fmt.area(slot.work.left), f"{slot.seconds / 3600:.1f}",
        _day(slot.ends, fmt), f"{slot.late / 3600:.1f}" if slot.late else "–",
        fmt.area(one.edge), later,
    ]  # fmt: skip


def _day(t: float | None, fmt: FarmFormat) -> str:
    return "–" if t is None else fmt.day(t).rsplit(" ", 1)[0]


def _people(stints: list[StintAccount], fmt: FarmFormat) -> Table:
    """Return who did the work so far, with what and how fast."""
    rows = []
    for operator, tractor in sorted({(stint.operator, stint.tractor) for stint in stints}):
        own = [stint for stint in stints if (stint.operator, stint.tractor) == (operator, tractor)]
        rows.append([
            operator, tractor, fmt.swept(math.fsum(stint.pass_area for stint in own)),
            fmt.units.area_rate(rates(own).effective),
        ])  # fmt: skip
    heads = [("operator", ""), ("tractor", ""), ("pass area", "n"), ("pace", "n")]
    return Table("Who has rolled", heads, rows, key="people")


def _twice(store: Store, season: int, fmt: FarmFormat) -> list[str]:
    """Return a sentence on whether rolling twice saved stones, once stones met at harvest are marked."""
    hits, areas = Counter(), Counter()
    void = taken_back(store, models.Mark.__tablename__)
    stones = [m for m in store.all(models.Mark, kind=STONE_HIT) if m.id not in void and m.lat is not None]
    worked = set(jobs_by_stint(store, Corrections(store)).values())
    harvested = {
        job.field_id for job in store.all(models.Job, season=season) if job.operation in HARVESTS and job.id in worked
    }
    for job in store.all(models.Job, operation=ROLLING, season=season):
        met = [mark for mark in stones if mark.field_id == job.field_id]
        # a field that was harvested without a hit counts too: leaving it out would favour one side
        if job.id not in worked or (not met and job.field_id not in harvested):
            continue
        record = unless_held(store, job, partial(read_job, store, job))
        if isinstance(record, Message):
            continue  # said where its pages are written
        hits.update(record.count.grid.at([record.count.plane.to_xy(mark.lat, mark.lon)[0] for mark in met]).tolist())
        areas.update(record.totals.by_count)
    once, twice = areas[1], math.fsum(a for n, a in areas.items() if n >= 2)
    if not (once and twice):
        return []
    few, more = hits[1], sum(n for count, n in hits.items() if count >= 2)
    found, done = compare(few, once, more, twice), verb(ROLLING).lower()
    text = (
        f"Was twice worth it? Stones met at harvest: {few} on {fmt.area(once)} {done} once, "
        f"{more} on {fmt.area(twice)} {done} twice or more: "
    )
    if not found.tells:
        return [text + "not enough hits to tell."]
    by = "more" if math.isinf(found.ratio) else f"{found.ratio:.1f} times as many"
    return [text + f"{by} on the same area; by chance alone 1 time in {1 / found.chance:.0f}."]
