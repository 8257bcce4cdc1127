"""The hand-over sheet: nine points gathered from what the log knows, nothing typed.

What is not known stands as None, never as nothing. The points follow what good hand-overs
in other trades contain: state, place, oddities, marks, machine, the others, what if, to do,
and the receiver showing what is next.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from cabapp.common import wording
from cabapp.jobs.fields.season_history import faults_of
from cabapp.jobs.pass_counts.live_count import LiveCount, taps_of
from cabapp.jobs.records import stint_state
from cabapp.session.handover.sheet_answers import told_by_the_day
from cabapp.session.state.view import HandOverSheet
from cabapp.session.stint_runner import StintRunner
from store import Store
from store.models import FuelEntry, Operator, Stint, Tool, Tractor

STATES = ("fine", "watch", "stopped")
MOST_GAPS = 10
_BACK_M = 100.0  # how much of the next pass is looked at


@dataclass(frozen=True)
class NextPass:
    """Where the next pass begins: the middle of the tool, m on the plane.

    ``side`` is the side of the last pass it lies on (-1 left, +1 right, 0: go on from here),
    ``spacing`` how far over, m.
    """

    x: float
    y: float
    side: int
    spacing: float


def next_pass(count: LiveCount, pose, target: int, edge_ahead: float | None) -> NextPass | None:
    """Return where the next pass begins, or None when nothing around is below target.

    Parameters
    ----------
    count : LiveCount
    pose : Pose
    target : int
    edge_ahead : float or None
        m to the field's edge straight ahead; None when it is far.

    Notes
    -----
    In the middle of a pass with ground to do ahead, it goes on from here. Else it comes back
    beside the last one, one width over ``target`` farther, on the side with more to do.
    """
    left, right = np.array(pose.left), np.array(pose.right)
    width = float(np.hypot(*(left - right)))
    middle, heading = (left + right) / 2, pose.tool_heading
    ahead = np.array([math.cos(heading), math.sin(heading)])
    to_left = np.array([-ahead[1], ahead[0]])
    far = edge_ahead is None or edge_ahead > 2 * width
    if far and _to_do(count, middle + ahead * 4, ahead, to_left, width) > 0.25:
        return NextPass(float(middle[0]), float(middle[1]), 0, 0.0)
    best, found = 0.05, None
    for side in (-1, 1):
        start = middle - side * to_left * (width / target)
        share = _to_do(count, start, -ahead, to_left, width)
        if share > best:
            best, found = share, NextPass(float(start[0]), float(start[1]), side, width / target)
    return found


def _to_do(count, start, way, across, width) -> float:
    """Return the share of a strip that lies in the field and is below target."""
    along = np.arange(2.0, _BACK_M, 2.0)
    aside = (np.arange(12) + 0.5) / 12 * width - width / 2
    places = start + along[:, None, None] * way + aside[None, :, None] * across
    flat = places.reshape(-1, 2)
    short = count.count.grid.at(flat) < count.count.wanted(flat)
    return float(short.mean())


def build_sheet(store: Store, drive: StintRunner, now: float, state: str, left: bool, say_time) -> HandOverSheet:
    """Gather the sheet of the stint in hand.

    Raises
    ------
    TapRefused
        ``state`` is not one of "fine", "watch", "stopped".
    """
    if state not in STATES:
        raise stint_state.TapRefused("Say how it stands: fine, watch, or stopped.")
    stint = drive.stint
    outgoing = store.get(Operator, stint.operator_id)
    coming = None
    if drive.pose is not None:
        pose = drive.pose
        edge = drive.count.edge_ahead(pose.x, pose.y, pose.heading, 3 * stint.width_m)
        coming = next_pass(drive.count, pose, drive.job.target, edge)
    lat = lon = None
    if coming is not None:
        lat, lon = (float(v[0]) for v in drive.count.count.plane.to_latlon([coming.x, coming.y]))
    sheet = {
        "state": {"word": state, "why": drive.standing.reason},
        "where": _where(drive, coming),
        "odd": _odd(drive),
        "marks": [
            {"kind": m.kind, "lat": m.lat, "lon": m.lon, "note": m.note} for m in drive.marks
        ],
        "machine": _machine(store, drive, now),
        "seeder": _seeder(drive),
        "if_then": _if_then(outgoing),
        "to_do": _to_do_list(drive),
        "closing": {
            "outgoing": outgoing.name, "phone": outgoing.phone, "at": now, "left_for": left,
            "time": say_time(now),
        },
    }  # fmt: skip
    told = told_by_the_day(drive.day.lines())
    return HandOverSheet(state, left, sheet | ({"told": told} if told else {}), lat, lon)


def _where(drive, coming):
    areas = drive.areas()
    field = areas.get("field")
    share = None
    if field:
        share = {key: round(areas[key] / field, 4) for key in ("none", "short", "done")}
    tool_at = None
    if drive.pose is not None:
        ends = np.array([drive.pose.left, drive.pose.right])
        lat, lon = drive.count.count.plane.to_latlon(ends.mean(axis=0))
        tool_at = {"lat": float(lat[0]), "lon": float(lon[0])}
    beside = None
    if coming is not None:
        beside = {
            "from": "here" if coming.side == 0 else "this end",
            "side": wording.side(coming.side) if coming.side else None,
            "lap_m": round(drive.tool.width - coming.spacing, 2) if coming.side else None,
        }
    return {
        "field": drive.field.name,
        "operation": drive.job.operation,
        "target": wording.times(drive.job.target),
        "share": share,
        "areas_m2": {key: round(v, 1) for key, v in areas.items() if v is not None} or None,
        "pass_tally": drive.standing.tally,
        "next": beside,
        "next_end": coming and _end(drive, (coming.x, coming.y)),
        "tool_at": tool_at,
        "tool_end": tool_at and _end(drive, ends.mean(axis=0)),
    }


def _end(drive, place) -> str | None:
    """Return the end of the field a place lies at ("north-east"); None without a boundary."""
    field = drive.count.count.field
    if field is None:
        return None
    middle = field.polygon.centroid
    return wording.way(place[0] - middle.x, place[1] - middle.y)


def _odd(drive):
    spells, began = [], None
    for switch in drive.standing.switches:
        if began is not None and (switch.wing != began.wing or not switch.working):
            spells.append({"wing": began.wing, "from": began.t, "to": switch.t})
            began = None
        if began is None and switch.working and switch.wing != "all":
            began = switch
    unknown = drive.count.count.unknown_s if drive.count else None
    looked = drive.last.get("look_first")
    return {
        "once_only": drive.field.once_only is not None,
        "part_width": spells,
        "wing_now": drive.standing.wing,
        "position_unknown_s": unknown,
        "ground": looked.detail if looked else None,
    }


def _machine(store, drive, now):
    stint = drive.stint
    tool = store.get(Tool, stint.tool_id)
    fuel = store.all(FuelEntry, tractor_id=stint.tractor_id)
    worked = drive.standing.working_s(now)
    for earlier in store.all(Stint, tool_id=stint.tool_id):
        if earlier.id != stint.id:
            taps = taps_of(store, earlier.id)
            end = taps[-1].at if taps else earlier.at
            worked += stint_state.stint_state(earlier.at, taps).working_s(end)
    last = max(fuel, key=lambda one: one.at, default=None)
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


def _seeder(drive):
    seen = drive.last.get("seeder")
    return seen and {"at": seen.at, "lat": seen.lat, "lon": seen.lon}


def _if_then(outgoing):
    ring = f"ring {outgoing.phone}" if outgoing.phone else f"ring {outgoing.name}"
    return [
        "Rain: stop here and mark the place.",
        f"Crop showing: stop and {ring}.",
        "Caught the seeder: do the gaps of the next point.",
    ]


def _to_do_list(drive):
    if drive.count is None:
        return None
    count = drive.count.count
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
