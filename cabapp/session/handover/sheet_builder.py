"""The hand-over sheet: nine points gathered from what the log knows, nothing typed.

What is not known stands as None, never as nothing. The points follow what good hand-overs
in other trades contain: state, place, oddities, marks, machine, the others, what if, to do,
and the receiver showing what is next.
"""

import numpy as np

from cabapp.common import wording
from cabapp.common.message import N_, message
from cabapp.common.shares import fraction
from cabapp.jobs.fields.season_history import faults_of
from cabapp.jobs.records.dating.event_order import order_of
from cabapp.jobs.records.pending_handovers import kept
from cabapp.jobs.records.stint_reader import work_of
from cabapp.jobs.records.stint_state import TapRefused
from cabapp.jobs.records.tool_parts import tap_of
from cabapp.jobs.records.work_intervals import part_spans, seconds
from cabapp.session.handover.next_pass import next_pass
from cabapp.session.handover.sheet_answers import told_by_the_day, with_answers
from cabapp.session.state.open_stint import OpenStint
from cabapp.session.state.view import HandOverSheet
from store import Store
from store.models import FuelEntry, Operator, Stint, Tool, Tractor

STATES = N_(("fine", "watch", "stopped"))
MOST_GAPS = 10


def build_sheet(store: Store, runner: OpenStint, now: float, state: str, left: bool, say_time) -> HandOverSheet:
    """Gather the sheet of the stint in hand.

    Raises TapRefused: ``state`` is not one of "fine", "watch", "stopped".
    """
    if state not in STATES:
        raise TapRefused("Say how it stands: fine, watch, or stopped.")
    stint = runner.stint
    outgoing = store.get(Operator, stint.operator_id)
    coming = None
    if runner.pose is not None:
        pose = runner.pose
        edge = runner.count.edge_ahead(pose.x, pose.y, pose.heading, 3 * stint.width_m)
        coming = next_pass(runner.count, pose, runner.job.target, edge)
    lat = lon = None
    if coming is not None:
        lat, lon = (float(v[0]) for v in runner.count.count.plane.to_latlon([coming.x, coming.y]))
    sheet = {
        "state": {"word": state, "why": runner.standing.reason},
        "where": _where(runner, coming),
        "odd": _odd(runner),
        "marks": [
            {"kind": m.kind, "lat": m.lat, "lon": m.lon, "note": m.note} for m in runner.marks
        ],
        "machine": _machine(store, runner, now),
        "seeder": _seeder(runner),
        "if_then": _if_then(outgoing),
        "to_do": _to_do_list(runner),
        "closing": {
            "outgoing": outgoing.name, "phone": outgoing.phone, "at": now, "left_for": left,
            "time": say_time(now),
        },
    }  # fmt: skip
    return with_answers(HandOverSheet(state, left, sheet, lat, lon), told_by_the_day(runner.day_lines()))


def _where(runner, coming):
    areas = runner.areas()
    field = areas.get("field")
    share = None
    if field:
        share = {key: round(fraction(areas[key], field), 4) for key in ("none", "unknown", "short", "done")}
    tool_at = None
    if runner.pose is not None:
        ends = np.array([runner.pose.left, runner.pose.right])
        lat, lon = runner.count.count.plane.to_latlon(ends.mean(axis=0))
        tool_at = {"lat": float(lat[0]), "lon": float(lon[0])}
    beside = None
    if coming is not None:
        beside = {
            "from": "here" if coming.side == 0 else "this end",
            "side": wording.side(coming.side) if coming.side else None,
            "lap_m": round(runner.tool.width - coming.spacing, 2) if coming.side else None,
        }
    return {
        "field": runner.field.name,
        "operation": runner.job.operation,
        "target": wording.times(runner.job.target),
        "share": share,
        "areas_m2": {key: round(v, 1) for key, v in areas.items() if v is not None} or None,
        "pass_tally": runner.standing.tally,
        "next": beside,
        "next_end": coming and _end(runner, (coming.x, coming.y)),
        "tool_at": tool_at,
        "tool_end": tool_at and _end(runner, ends.mean(axis=0)),
    }


def _end(runner, place) -> str | None:
    """Return the end of the field a place lies at ("north-east"); None without a boundary."""
    field = runner.count.count.field
    if field is None:
        return None
    middle = field.polygon.centroid
    return wording.way(place[0] - middle.x, place[1] - middle.y)


def _odd(runner):
    standing = runner.standing
    parts = part_spans(standing.switches, standing.since)
    unknown = runner.count.count.unknown_s if runner.count else None
    looked = runner.last.get("look_first")
    nothing = runner.why_nothing()
    return {
        "nothing": kept((nothing,)) if nothing else None,
        "once_only": runner.field.once_only is not None,
        "part_width": [tap_of(one.on, one.width)[1] | {"from": begin, "to": end} for begin, end, one in parts],
        "part_now": tap_of(standing.on, standing.width)[1],
        "position_unknown_s": unknown,
        "ground": looked.detail if looked else None,
    }


def _machine(store, runner, now):
    stint = runner.stint
    tool = store.get(Tool, stint.tool_id)
    fuel = [one for one in store.all(FuelEntry, tractor_id=stint.tractor_id) if not one.odd]
    earlier = [one for one in store.all(Stint, tool_id=stint.tool_id) if one.id != stint.id]
    worked = runner.standing.working_s(now) + seconds(work_of(store, earlier))
    last = max(fuel, key=order_of, default=None)
    return {
        "tractor": store.get(Tractor, stint.tractor_id).name,
        "tool": tool.name,
        "width_m": stint.width_m,
        "antenna_to_hitch_m": stint.antenna_to_hitch_m,
        "hitch_to_line_m": stint.hitch_to_line_m,
        "side_m": stint.side_m,
        "last_fuel": last and {"at": last.at, "litres": last.litres},
        "tool_hours": round(worked / 3600, 2),
        "grease_every_h": tool.grease_every_h,
        "faults": list(faults_of(store, stint)[0]),
    }


def _seeder(runner):
    seen = runner.last.get("seeder")
    return seen and {"at": seen.at, "lat": seen.lat, "lon": seen.lon}


def _if_then(outgoing):
    return kept(
        (
            message("Rain: stop here and mark the place."),
            message("Crop showing: stop and ring {whom}.", whom=outgoing.phone or outgoing.name),
            message("Caught the seeder: do the gaps of the next point."),
        )
    )


def _to_do_list(runner):
    if runner.count is None:
        return None
    count = runner.count.count
    listed = []
    for gap in count.gaps()[:MOST_GAPS]:
        lat, lon = count.plane.to_latlon([gap.x, gap.y])
        listed.append(
            {
                "kind": gap.kind, "area_m2": round(gap.area, 1), "width_m": round(gap.width, 2),
                "certainty": gap.certainty, "lat": float(lat[0]), "lon": float(lon[0]),
            }
        )  # fmt: skip
    return listed
