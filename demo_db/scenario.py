"""The scenario: two operators roll Heron Flat on 14 May, with faults.

Lanes lie half a tool apart with loops at the headland; steering wanders.
"""

import itertools
from dataclasses import dataclass, field
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon

from demo_db import farm, vehicle_paths

LANE_SPEED, TURN_SPEED = 3.1, 2.2
RADIUS = 8.0
WIDTH = farm.TOOLS["roller"]["width_m"]
SPACING = WIDTH / 2 - 0.2
"""Aim 0.2 m inside half a tool: a steady driver's cheapest aim."""
HEADLAND = 26.0
WANDER = 0.4 / np.sqrt(2)
"""Spacing between neighbours wanders by 0.4 m, so each lane by this."""
DRIFT, JITTER = 0.12, 0.02
"""Receiver error, m: slow drift over ten minutes, and noise from fix to fix."""
ROCKS, ROCKS_CLEAR = (410.0, 72.0), 12.0
"""Middle of a rock pile, and how far the axle stays away from it, m."""

SLIP_LANE, DARK_LANE, FUEL_AFTER, WIDE_LANE, LAST_OF_ODA, TWICE_LANE = 4, 12, 17, 23, 27, 38
DARK = (300.0, 45.0)
"""Where along its lane reception was lost (m from the start) and for how long (s)."""


@dataclass
class OperatorScript:
    """One operator's work: keys of `demo_db.farm`, fixes at 1 Hz, taps and losses of reception.

    `t` POSIX s, `lat` and `lon` degrees, missing where reception was lost; taps are
    ``{"t": ..., "tap": kind, ...}`` in order; `lost` are spans, POSIX s.
    """

    operator: str
    tractor: str
    tool: str
    t: np.ndarray
    lat: np.ndarray
    lon: np.ndarray
    hdop: np.ndarray
    taps: list = field(default_factory=list)
    lost: list = field(default_factory=list)


def lanes(rng: np.random.Generator, along: float = 1.0) -> list[vehicle_paths.Path]:
    """Return every lane in the order driven, as paths of the tractor's rear axle.

    Lanes alternate east and west; ``part`` is a lane's number from 0.
    """
    inner = _lane_ground(farm.outline("heron", along))
    across, offset = [], WIDTH + SPACING
    while offset < 430 - WIDTH - SPACING / 2:
        across.append(offset)
        number = len(across) - 1
        # two lanes are missed after the fuel stop; later one lap is wide
        offset += {FUEL_AFTER: 3.0, WIDE_LANE: 1.7, TWICE_LANE: 0.0}.get(number, 1.0) * SPACING
    found = []
    for number, v in enumerate(across):
        cut = LineString([(-500, v), (2000, v)]).intersection(inner)
        u0, _, u1, _ = cut.bounds
        u = np.arange(u0, u1 + vehicle_paths.STEP, vehicle_paths.STEP)
        bend = sum(
            np.sin(2 * np.pi * u / length + rng.uniform(0, 2 * np.pi)) * size
            for length, size in ((90.0, 0.35), (170.0, 0.6), (390.0, 0.9))
        )
        wander = WANDER * (rng.normal() * 0.6 + bend / np.sqrt(0.35**2 + 0.6**2 + 0.9**2) * np.sqrt(2) * 0.8)
        path = v + wander
        aside = abs(v - ROCKS[1])
        if aside < ROCKS_CLEAR:
            near = np.clip((np.abs(u - ROCKS[0] * along) - 5) / 38, 0, 1)
            near = 0.5 + 0.5 * np.cos(np.pi * near)
            clear = ROCKS[1] + (ROCKS_CLEAR if v > ROCKS[1] else -ROCKS_CLEAR)
            path = path * (1 - near) + clear * near
        points = np.column_stack([u, path])
        found.append(vehicle_paths.line(points if number % 2 == 0 else points[::-1], LANE_SPEED, number))
    return found


def _lane_ground(whole: Polygon) -> Polygon:
    """Return the ground of lanes: clear of the edge strip and of the loops at the ends."""
    edges = np.array(whole.exterior.coords)
    ends = [LineString(pair) for pair in itertools.pairwise(edges) if abs(np.subtract(*pair)[1]) > 60]
    return whole.buffer(-WIDTH).difference(shapely.union_all(ends).buffer(HEADLAND))


def with_ring(lane: vehicle_paths.Path, along: float = 1.0) -> vehicle_paths.Path:
    """A lane that passes the rocks, with a full ring driven round them."""
    middle = (ROCKS[0] * along, ROCKS[1])
    k = int(np.argmin(np.abs(lane.x - middle[0])))
    here, heading = (lane.x[k], lane.y[k]), lane.heading[k]
    spin = np.sign(np.cos(heading)) * np.sign(middle[1] - here[1])
    radius = abs(here[1] - middle[1])
    around = np.linspace(0, 2 * np.pi, 200) * spin + np.arctan2(here[1] - middle[1], here[0] - middle[0])
    ring = np.column_stack([middle[0] + radius * np.cos(around), middle[1] + radius * np.sin(around)])
    around_them = vehicle_paths.line(ring, TURN_SPEED, int(lane.part[0]))
    return vehicle_paths.joined([lane.cut(slice(k + 1)), around_them, lane.cut(slice(k + 1, None))])


def rounds(along: float = 1.0) -> list[vehicle_paths.Path]:
    """The two closing rounds along the edge, half a tool and one tool inside it."""
    found = []
    for number, inside in enumerate((WIDTH / 2 + 0.1, WIDTH / 2 + 0.1 + SPACING)):
        ring = farm.outline("heron", along).buffer(-inside - 12).buffer(12).exterior
        points = np.array(ring.coords)[::-1]
        # Begin half way along the north side, where the last lane ends.
        points = np.roll(
            points[:-1], -int(np.argmin(np.hypot(points[:-1, 0] - 300 * along, points[:-1, 1] - 430))), axis=0
        )
        found.append(vehicle_paths.line(np.vstack([points, points[:1]]), LANE_SPEED, 900 + number))
    return found


def driven(legs: list[vehicle_paths.Path]) -> vehicle_paths.Path:
    """Legs joined by the turns between them."""
    paths = [legs[0]]
    for before, after in itertools.pairwise(legs):
        start = (before.x[-1], before.y[-1], before.heading[-1])
        end = (after.x[0], after.y[0], after.heading[0])
        paths.append(vehicle_paths.turn(start, end, RADIUS, TURN_SPEED, -1 - int(before.part[0])))
        paths.append(after)
    return vehicle_paths.joined(paths)


def received(path: vehicle_paths.Path, seconds: np.ndarray, start: float, rng: np.random.Generator) -> OperatorScript:
    """One fix a second of the antenna, with the receiver's error on it."""
    heading = path.heading
    clock = np.arange(0.0, seconds[-1])
    x = np.interp(clock, seconds, path.x + farm.ANTENNA_AHEAD_OF_AXLE * np.cos(heading))
    y = np.interp(clock, seconds, path.y + farm.ANTENNA_AHEAD_OF_AXLE * np.sin(heading))
    n, keep = len(clock), np.exp(-1 / 600)
    drift = rng.normal(0, DRIFT * np.sqrt(1 - keep**2), (n, 2))
    drift[0] = rng.normal(0, DRIFT, 2)
    for k in range(1, n):
        drift[k] += keep * drift[k - 1]
    lat, lon = farm.to_latlon(np.column_stack([x, y]) + drift + rng.normal(0, JITTER, (n, 2)))
    hdop = np.round(0.85 + 0.15 * np.sin(clock / 1900.0), 1)
    return OperatorScript("", "badger", "roller", start + clock, lat.round(7), lon.round(7), hdop)


def swept(tool: np.ndarray, chosen: np.ndarray) -> Polygon:
    """Ground under the working line over a run of path points, farm frame."""
    rows = tool[chosen][:: int(1 / vehicle_paths.STEP)]
    side = np.column_stack([-np.sin(rows[:, 2]), np.cos(rows[:, 2])]) * WIDTH / 2
    left, right = rows[:, :2] + side, rows[:, :2] - side
    quads = shapely.polygons(np.stack([left[:-1], right[:-1], right[1:], left[1:]], axis=1))
    # A quad of a turn can cross itself where the inner end stands still.
    return shapely.union_all(shapely.make_valid(quads))


def local(year: int, month: int, day: int, hour: int, minute: int) -> float:
    """A time of the farm's clock as POSIX seconds."""
    return datetime(year, month, day, hour, minute, tzinfo=ZoneInfo(farm.FARM["timezone"])).timestamp()
