"""Place of tractor and tool now, from the newest fixes alone."""

from dataclasses import dataclass
from math import atan2, cos, hypot, pi, sin

import numpy as np

from cabapp.geometry.angles import turn_between, wrap
from cabapp.geometry.arrays import Floats
from cabapp.track.tool import Intervals, ToolGeometry
from cabapp.track.towing import Start, tool_heading


@dataclass(frozen=True)
class Pose:
    """Place and motion at the newest fix.

    Attributes
    ----------
    x, y : float
        Antenna, m.
    heading, tool_heading : float
        Tractor's and tool's, rad, east 0, counter-clockwise.
    left, right : tuple[float, float]
        Ends of the tool line, m.
    speed : float
        m/s.
    curvature : float
        Of the tractor's path, 1/m, positive to the left.
    reversing : bool
    t : float
        POSIX s.
    works : Intervals
        Ends of each part of it that would work, as shares of the tool line from the left, 0 to 1.
    """

    x: float
    y: float
    heading: float
    tool_heading: float
    left: tuple[float, float]
    right: tuple[float, float]
    speed: float
    curvature: float
    reversing: bool
    t: float
    works: Intervals = ((0.0, 1.0),)


@dataclass(frozen=True)
class PathEnd:
    """The end of a path: its last nodes and the state at the first of them.

    Attributes
    ----------
    nodes : ndarray, shape (n + 1, 3)
        Time, s, and place, m; n at least 1.
    way, gear : ndarray, shape (n,)
        Of each chord: direction of motion, rad; below 0 = reversing.
    theta : float or None
        Tractor's heading at the first node, rad.
    start : Start or None
        State where pieces end so far.
    """

    nodes: Floats
    way: Floats
    gear: Floats
    theta: float | None
    start: Start | None


def pose_now(tool: ToolGeometry, track: PathEnd, last: list[float], part: Intervals) -> Pose:
    """Return the pose at the newest fix (t, x, y, ...), the present turn continued; `part` is what works."""
    nodes, gear = track.nodes, track.gear[-1]
    noses = np.where(track.gear > 0, track.way, track.way + pi)
    nose = float(noses[-1])
    back = nose if track.theta is None else track.theta
    chords = np.diff(nodes, axis=0)
    dist = np.hypot(chords[:, 1], chords[:, 2])
    if len(noses) > 1:
        turn = turn_between(noses[-2], nose)
        back = noses[-2] + turn * dist[-2] / (dist[-2] + dist[-1])
    bend = float(np.clip(turn_between(back, nose), -0.5, 0.5))
    heading = nose + bend
    t, x, y = last[:3]
    speed = float(dist[-1] / chords[-1, 0])
    idle = t - float(nodes[-1, 0])
    if idle > 2.0:
        speed = hypot(x - nodes[-1, 1], y - nodes[-1, 2]) / idle
    hitch_x = x - tool.antenna_to_hitch * cos(heading)
    hitch_y = y - tool.antenna_to_hitch * sin(heading)
    psi = heading
    if tool.hitch:
        psi = _towed(tool, track, nose, gear, (x, y))
        hitch_x -= tool.hitch * cos(psi)
        hitch_y -= tool.hitch * sin(psi)
    left, right = tool.edges
    return Pose(
        x,
        y,
        float(wrap(heading)),
        float(wrap(psi)),
        (hitch_x - left * sin(psi), hitch_y + left * cos(psi)),
        (hitch_x - right * sin(psi), hitch_y + right * cos(psi)),
        speed,
        2 * bend / float(dist[-1]),
        bool(gear < 0),
        t,
        tuple(((left - a) / tool.width, (left - b) / tool.width) for a, b in part),
    )


def _towed(tool: ToolGeometry, track: PathEnd, nose: float, gear: float, here: tuple[float, float]) -> float:
    """Return the heading of a towed tool, rad, from the last piece on along straight steps."""
    if track.start is None or track.start[3] is None:
        return nose
    psi, (x, y) = track.start[3], track.start[:2]
    for to_x, to_y in [*track.nodes[1:, 1:].tolist(), here]:
        step, way = hypot(to_x - x, to_y - y), atan2(to_y - y, to_x - x)
        if gear > 0 and step > 0:
            psi = float(tool_heading(psi, [way], [step], [1.0], [way, way], tool.hitch)[-1])
        x, y = to_x, to_y
    return psi
