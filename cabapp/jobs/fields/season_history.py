"""Seeding dates, soil readings, faults, grease, fuel and work rates from the logbook."""

from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import in_order
from cabapp.jobs.records.dating.stint_rows import stints_of
from cabapp.jobs.records.farm_settings import farm_crops
from cabapp.jobs.records.stint_reader import state_of, work_of
from cabapp.jobs.records.tap_log import effective_taps, newest_detail, taps_of, taps_of_kind
from cabapp.jobs.records.work_intervals import Spans, seconds
from cabapp.planning.emergence import DAY, closes, comes_up, crop_of
from cabapp.planning.finish_time import SPANS
from store import Store
from store.models import Field, FuelEntry, Job, Operator, Stint, Tool

READING_LASTS_S = 21 * DAY
"""An older reading of the soil says less than the yearly curve."""

PACE_LASTS_S = 14 * DAY
"""Older work rates are of other ground and another season's soil."""
LEAST_WORK_S = 1800.0
"""Less work than this between two fills tells no rate of use, s."""


def seeded_at(store: Store, field_id: str, season: int) -> float | None:
    """Return when seeding of a field began, by this logbook, or as an operator said.

    Its beginning, because what was seeded first comes up first.
    """
    corrections = Corrections(store)
    jobs = store.all(Job, field_id=field_id, season=season)
    stints = {job: stints_of(store, job.id, corrections) for job in jobs}
    begun = [
        switch.t
        for job, rows in stints.items()
        if job.operation == "seeding"
        for row in rows
        for switch in state_of(store, row, corrections).switches
        if switch.working
    ]
    if begun:
        return min(begun)
    own = {row.id for rows in stints.values() for row in rows}
    said = [tap for tap in taps_of_kind(store, "seeded") if tap.stint_id in own]
    return float(said[-1].detail["at"]) if said else None


def soil_reading(store: Store, now: float) -> tuple[float, float] | None:
    """Return the newest reading of the soil on the farm, (POSIX s, deg C); None when it is old."""
    read = [tap for tap in taps_of_kind(store, "soil") if tap.at <= now]
    if not read or now - read[-1].at > READING_LASTS_S:
        return None
    return read[-1].at, float(read[-1].detail["celsius"])


def crop_clock(store: Store, field: Field, season: int, now: float) -> tuple[float | None, float | None]:
    """Return when a field closes to the roller and when its crop comes up; None where not known."""
    crop, seeded = crop_of(field.crop, farm_crops(store)), seeded_at(store, field.id, season)
    if crop is None or seeded is None:
        return None, None
    reading = soil_reading(store, now)
    return closes(seeded, crop, reading), comes_up(seeded, crop, reading)


def paces_before(store: Store, stint: Stint) -> list[float]:
    """Return the operator's work rates with this tool in the two weeks before a stint, m2/s, oldest first."""
    found: list[float] = []
    corrections = Corrections(store)
    own = store.all(Stint, operator_id=stint.operator_id, tool_id=stint.tool_id)
    stints = map(corrections.apply, corrections.standing(own))
    before = [one for one in stints if one.id != stint.id and 0 <= stint.at - one.at <= PACE_LASTS_S]
    for one in in_order(before):
        found += noted_paces(store, one, corrections)
    return found[-SPANS:]


def noted_paces(store: Store, stint: Stint, corrections: Corrections | None = None) -> list[float]:
    """Return the paces a stint's last stop, finish or hand-over noted, m2 of passes a second."""
    return newest_detail(effective_taps(taps_of(store, stint.id, corrections)), "paces") or []


def faults_of(store: Store, stint: Stint) -> tuple[tuple[str, ...], str, float]:
    """Return what the last walk round found wrong on this tractor or tool, who walked, and when.

    Nothing, "" and 0 before the first walk round.
    """
    own = {
        one.id: one for kind in ("tractor_id", "tool_id") for one in store.all(Stint, **{kind: getattr(stint, kind)})
    }
    walked = [tap for tap in taps_of_kind(store, "walk_round") if tap.stint_id in own]
    if not walked:
        return (), "", 0.0
    walker = store.get(Operator, own[walked[-1].stint_id].operator_id)
    return tuple((walked[-1].detail or {}).get("fault", ())), walker.name, walked[-1].at


def grease_in(store: Store, tool: Tool, now: float, without: str | None = None) -> float | None:
    """Return the seconds of work until a tool is due for grease, below 0 when overdue.

    None where no interval is written down. The work of one stint may be left out.
    """
    if not tool.grease_every_h:
        return None
    stints = store.all(Stint, tool_id=tool.id)
    own = {stint.id for stint in stints}
    greased = [tap.at for tap in taps_of_kind(store, "grease") if tap.stint_id in own]
    since = greased[-1] if greased else float("-inf")
    others = [stint for stint in stints if stint.id != without]
    return tool.grease_every_h * 3600 - seconds(work_of(store, others), since, now)


def fills_of(store: Store, tractor_id: str, void: set[str]) -> list[FuelEntry]:
    """Return a tractor's fills that stand, oldest first; ``void`` are ids taken back."""
    fills = [one for one in store.all(FuelEntry, tractor_id=tractor_id) if one.id not in void and not one.odd]
    return sorted(fills, key=lambda one: one.at)


def burnt(fills: list[FuelEntry], work: Spans) -> float | None:
    """Return l a second at work, from the first fill to the last; None below two fills.

    Every fill is taken to be to the brim, so what went in at the second is what was burnt since
    the first.
    """
    if len(fills) < 2:
        return None
    worked = seconds(work, fills[0].at, fills[-1].at)
    return sum(one.litres for one in fills[1:]) / worked if worked > LEAST_WORK_S else None
