"""Gaps in order of the shortest route from here."""

import math
from dataclasses import dataclass

import numpy as np

from cabapp.common.message import Message, message
from cabapp.common.quantities import Area, Distance, Duration, Length
from cabapp.common.wording import covered, how_often
from cabapp.counting.gaps import Gap
from cabapp.planning.capacity import SPEED, field_capacity
from cabapp.planning.fuel_use import EFFICIENCY
from cabapp.planning.gap_route import Strip, worth_driving
from cabapp.session.state.open_stint import OpenStint

NARROW = 2.0
"""Tool widths: wider ground below target is the work still to do, not something missed."""
MOST = 30
BESIDE = 1.0  # m from a gap at which the ground beside it is looked at
SAMPLES = 25
TIGHTEST = 8.0
"""m; no tractor with a tool turns tighter (common practice)."""


@dataclass(frozen=True, slots=True)
class TourStop:
    """One gap of the round: from where to where, degrees, and what it is."""

    start: tuple[float, float]
    end: tuple[float, float]
    words: Message


@dataclass(frozen=True, slots=True)
class GapTour:
    """The round: where it begins, its gaps in order, all of the way in m, the time in s; and what is
    not worth it, each with its reason in words. ``remark`` says what it begins from where nobody knows
    where the tractor is."""

    start: tuple[float, float]
    remark: Message | None
    stops: tuple[TourStop, ...]
    metres: float
    seconds: float
    not_worth: tuple[Message, ...]


def gap_tour(runner: OpenStint) -> GapTour | None:
    """Return the round of the field in hand; None without a boundary.

    Notes: It begins where the tractor is; where that is not known, at its last place, else at the gate, else in the
    middle of the field.

    The radius is half the tool at least: turned tighter, its inner end goes backwards and skids.
    """
    if runner.count is None or runner.count.count.field is None:
        return None
    count, width = runner.count.count, runner.tool.width
    (x, y, heading, speed), remark = _start(runner)
    narrow = [gap for gap in count.gaps() if gap.width <= NARROW * width and not gap.edge]
    found = [gap for gap in narrow if _enclosed(count, gap)]
    gaps = sorted(found, key=lambda gap: -gap.chance * gap.area)[:MOST]
    strips = [Strip(_ends(gap), gap.area, gap.kind in ("none", "unknown"), gap.chance) for gap in gaps]
    speed = max(SPEED, speed)
    pace = runner.pace() or field_capacity(speed, width, EFFICIENCY)
    if heading is None:
        ends = [end for strip in strips for end in strip.ends]
        near = min(ends, key=lambda end: math.dist(end, (x, y)), default=(x + 1.0, y))
        heading = math.atan2(near[1] - y, near[0] - x)
    best = worth_driving(strips, (x, y, heading), max(TIGHTEST, width / 2), speed, pace)

    def place(xy):
        lat, lon = count.plane.to_latlon(xy)
        return float(lat[0]), float(lon[0])

    stops = []
    for k, first in best.order:
        a, b = strips[k].ends[first], strips[k].ends[1 - first]
        stops.append(TourStop(place(a), place(b), _describe(runner, gaps[k])))
    left = tuple(_why(runner, gaps[k], seconds) for k, seconds in best.left_out)
    return GapTour(place((x, y)), remark, tuple(stops), best.metres, best.metres / speed, left)


def _start(runner):
    """Return x, y, heading (None: not known) and speed to begin from, and what to say of it."""
    pose, field, plane = runner.pose, runner.field, runner.count.count.plane
    if pose is not None:
        return (pose.x, pose.y, pose.heading, pose.speed), None
    fix = runner.position.fix
    if fix is not None:
        return (*map(float, plane.to_xy(fix.lat, fix.lon)[0]), None, 0.0), None
    if field.gate_lat is not None and field.gate_lon is not None:
        x, y = map(float, plane.to_xy(field.gate_lat, field.gate_lon)[0])
        return (x, y, None, 0.0), message("The tractor's place is not known: reckoned from the gate.")
    middle = runner.count.count.field.polygon.representative_point()
    said = message("The tractor's place is not known: reckoned from the middle of the field.")
    return (middle.x, middle.y, None, 0.0), said


def _ends(gap: Gap):
    """Return the middles of a gap's two short sides, m."""
    a, b, c, d = (tuple(map(float, corner)) for corner in gap.ring)
    sides = ((a, b), (c, d)) if math.dist(a, b) <= math.dist(b, c) else ((b, c), (d, a))
    return tuple(((p[0] + q[0]) / 2, (p[1] + q[1]) / 2) for p, q in sides)


def _enclosed(count, gap) -> bool:
    """Say whether a gap has finished ground, or the field's edge, along both its sides.

    The half covered once along the front of the work has it on one side only: the next pass.
    """
    a, b = (np.array(end) for end in _ends(gap))
    along = (b - a) / max(np.hypot(*(b - a)), 1e-9)
    across = np.array([-along[1], along[0]])
    middle = a + np.linspace(0.1, 0.9, SAMPLES)[:, None] * (b - a)
    (p, q, r, _) = gap.ring
    beside = min(np.hypot(*(q - p)), np.hypot(*(r - q))) / 2 + BESIDE
    for side in (-1, 1):
        places = middle + side * beside * across
        short = count.grid.at(places) < count.wanted(places)
        if short.mean() > 0.5:
            return False
    return True


def _describe(runner, gap):
    """Return a gap's size, what was done there, and how sure it is."""
    values = {
        "width": Length(gap.width), "length": Distance(gap.length), "done": covered(runner.job.operation),
        "certainty": Message(gap.certainty),
    }  # fmt: skip
    if gap.kind == "none":
        return message("{width} wide, {length} long, never {done}: {certainty}", **values)
    if gap.kind == "unknown":
        return message("{width} wide, {length} long, perhaps {done} while the place was lost", **values)
    times = how_often(runner.job.target)
    return message("{width} wide, {length} long, {done} fewer than {times}: {certainty}", times=times, **values)


def _why(runner, gap, seconds):
    """Return why a gap is left: the receiver cannot tell it, or the way is longer than it is worth."""
    values = {"area": Area(gap.area), "gap": _describe(runner, gap)}
    if gap.certainty == "cannot tell" and not gap.lost:
        return message("Not worth it: {area} ({gap}), within what the receiver can be off.", **values)
    return message("Not worth it: {time} of driving for {area} ({gap}).", time=Duration(seconds), **values)
