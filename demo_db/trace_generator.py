"""Generates the scenario's traces, taps and expected results."""

from dataclasses import dataclass

import numpy as np
import shapely
from shapely.geometry import Polygon

from demo_db import farm, scenario, vehicle_paths

SEED = 20260514
STANDING = 20.0
"""The receiver is on for so long before the tractor moves off, s."""


LINED_UP = 40
"""Points of the next lane driven before the hand-over; the tool then stands at its start."""


@dataclass
class GeneratedDemo:
    """The two operators' scripts, and the expected results, ready for JSON."""

    oda: scenario.OperatorScript
    tam: scenario.OperatorScript
    expected: dict


def generate(seed: int = SEED, along: float = 1.0) -> GeneratedDemo:
    """Return the demo of a seed; the seed sets wander and receiver error."""
    rng = np.random.default_rng(seed)
    legs = scenario.lanes(rng, along)
    ring = next(k for k, lane in enumerate(legs) if lane.y[len(lane.y) // 2] - scenario.ROCKS[1] > 0)
    legs[ring] = scenario.with_ring(legs[ring], along)
    path = scenario.driven(legs + scenario.rounds(along))
    tool = vehicle_paths.towed(path, farm.HITCHINGS[0][2] - farm.ANTENNA_AHEAD_OF_AXLE, farm.HITCHINGS[0][3])
    # the tractor is left turned round and lined up for the next pass
    split = int(np.nonzero(path.part == scenario.LAST_OF_ODA + 1)[0][0]) + LINED_UP
    first, second = path.cut(slice(split)), path.cut(slice(split, None))

    fuel_at = int(np.nonzero(first.part == scenario.FUEL_AFTER)[0][-1])
    seconds = vehicle_paths.timed(first, {0: STANDING, fuel_at: 660.0})
    start = scenario.local(farm.YEAR, 5, 14, 12, 40)
    oda = scenario.received(first, seconds, start, rng)
    oda.operator = "oda"
    dark = _go_dark(oda, first, seconds, along)
    oda.taps = _oda_taps(first, seconds, start, fuel_at, along)

    seconds_tam = vehicle_paths.timed(second, {0: STANDING})
    start_tam = start + np.ceil(seconds[-1]) + 14 * 60
    tam = scenario.received(second, seconds_tam, start_tam, rng)
    tam.operator = "tam"
    tam.taps = _tam_taps(second, seconds_tam, start_tam)
    lane_dark = (path.part == scenario.DARK_LANE) & _between(seconds, dark, start, len(path.x))
    return GeneratedDemo(oda, tam, _expected(seed, along, path, tool, lane_dark, oda, tam))


def _between(seconds, span, start, n):
    """Which of a path's `n` points were driven within a span of time."""
    inside = np.zeros(n, dtype=bool)
    inside[: len(seconds)] = (seconds + start >= span[0]) & (seconds + start <= span[1])
    return inside


def _go_dark(
    part: scenario.OperatorScript, path: vehicle_paths.Path, seconds: np.ndarray, along: float
) -> tuple[float, float]:
    """Take away the fixes of the dropout; return its span, POSIX seconds."""
    lane = np.nonzero(path.part == scenario.DARK_LANE)[0]
    at = part.t[0] + seconds[lane[0] + int(scenario.DARK[0] * along / vehicle_paths.STEP)]
    span = (float(np.floor(at)), float(np.floor(at) + scenario.DARK[1]))
    keep = (part.t <= span[0]) | (part.t >= span[1])
    for name in ("t", "lat", "lon", "hdop"):
        setattr(part, name, getattr(part, name)[keep])
    part.lost = [span]
    return span


def _place(u: float, v: float) -> dict:
    lat, lon = farm.to_latlon((u, v))
    return {"lat": round(float(lat[0]), 7), "lon": round(float(lon[0]), 7)}


def _oda_taps(path, seconds, start, fuel_at, along) -> list[dict]:
    slip = start + float(seconds[np.nonzero(path.part == scenario.SLIP_LANE)[0][0]]) + 120
    near = int(np.argmin(np.hypot(path.x - scenario.ROCKS[0] * along, path.y - scenario.ROCKS[1])))
    stopped = start + float(seconds[fuel_at]) + 6
    end = start + float(seconds[-1])
    taps = [
        {"t": start - 60, "tap": "take_over"},
        {"t": start + STANDING - 2, "tap": "start"},
        {"t": slip, "tap": "stop", "reason": "other"},
        {"t": slip + 3, "tap": "undo"},
        {"t": start + float(seconds[near]), "tap": "mark", "kind": "rock pile"},
        {"t": stopped, "tap": "stop", "reason": "fuel"},
        {"t": stopped + 540, "tap": "fuel", "litres": 246.0, "price_per_l": 0.96},
        {"t": stopped + 640, "tap": "restart"},
        {"t": end - 1, "tap": "stop", "reason": "hand-over"},
        {"t": end + 240, "tap": "hand_over", "state": "watch"},
    ]
    return [{**tap, "t": round(tap["t"])} for tap in taps]


def _tam_taps(path, seconds, start) -> list[dict]:
    beside = np.nonzero(path.part == scenario.LAST_OF_ODA + 2)[0]
    behind = farm.ANTENNA_AHEAD_OF_AXLE - farm.HITCHINGS[0][2] - farm.HITCHINGS[0][3]
    u = path.x[0] + behind * np.cos(path.heading[0])
    soft = np.nonzero(path.part == scenario.TWICE_LANE - 3)[0]
    soft = soft[int(len(soft) * 0.6)]
    again = np.nonzero(path.part == scenario.TWICE_LANE + 1)[0][0]
    taps = [
        # the first place shown is two laps too far out
        {"t": start - 330, "tap": "receive", **_place(u, path.y[beside[-28]] + scenario.SPACING)},
        {"t": start - 300, "tap": "receive", **_place(u, path.y[0])},
        {"t": start - 90, "tap": "take_over"},
        {"t": start + STANDING - 2, "tap": "start"},
        {"t": start + float(seconds[soft]), "tap": "mark", "kind": "soft ground"},
        {"t": start + float(seconds[again]) + 45, "tap": "i_know"},
        {"t": start + float(seconds[-1]) - 2, "tap": "finish"},
    ]
    return [{**tap, "t": round(tap["t"])} for tap in taps]


def _expected(seed, along, path, tool, lane_dark, oda, tam) -> dict:
    ground = {int(k): scenario.swept(tool, np.nonzero(path.part == k)[0]) for k in np.unique(path.part)}
    inner = farm.outline("heron", along).buffer(-scenario.HEADLAND - 14)
    fuel, wide, twice = scenario.FUEL_AFTER, scenario.WIDE_LANE, scenario.TWICE_LANE

    def only(lane, *others):
        return ground[lane].difference(shapely.union_all([ground[k] for k in others])).intersection(inner)

    between = shapely.box(-100, path.y[path.part == fuel].mean(), 2000, path.y[path.part == fuel + 1].mean())
    planted = {
        "missed lanes": (0, between.intersection(inner).difference(ground[fuel].union(ground[fuel + 1]))),
        "once beside the missed lanes, south": (1, only(fuel, fuel - 1, fuel + 1)),
        "once beside the missed lanes, north": (1, only(fuel + 1, fuel, fuel + 2)),
        "wide lap, south": (1, only(wide, wide - 1, wide + 1)),
        "wide lap, north": (1, only(wide + 1, wide, wide + 2)),
        "lane driven twice": (3, _thrice(ground, twice).intersection(inner)),
        "rocks": (0, _rocks(ground, path, along)),
        # rolled, but without reception
        "reception lost": (None, scenario.swept(tool, np.nonzero(lane_dark)[0])),
    }
    shares = _shares(ground, inner)
    return {
        "seed": seed,
        "along": along,
        "field": farm.FIELDS["heron"]["name"],
        "field_area_m2": round(farm.outline("heron", along).area, 1),
        "width_m": scenario.WIDTH,
        "driven_m": round(float(np.hypot(np.diff(tool[:, 0]), np.diff(tool[:, 1])).sum()), 1),
        "planted": [_planted(name, count, shape) for name, (count, shape) in planted.items()],
        "inside_headland": {"area_m2": round(inner.area, 1), "share_by_passes": shares},
        "reception_lost": [list(span) for span in oda.lost],
        "operators": {
            part.operator: {
                "first": float(part.t[0]),
                "last": float(part.t[-1]),
                "fixes": len(part.t),
                "taps": part.taps,
            }
            for part in (oda, tam)
        },
    }


def _thrice(ground: dict, lane: int) -> Polygon:
    """Ground that the lane driven twice left with three passes or more."""
    both = ground[lane].intersection(ground[lane + 1])
    return both.intersection(ground[lane - 1].union(ground[lane + 2]))


def _rocks(ground: dict, path: vehicle_paths.Path, along: float) -> Polygon:
    """The bare middle that the ring and the lanes beside it leave."""
    near = [k for k in ground if 0 <= k < 900 and abs(path.y[path.part == k].mean() - scenario.ROCKS[1]) < 26]
    return (
        shapely.Point(scenario.ROCKS[0] * along, scenario.ROCKS[1])
        .buffer(9)
        .difference(shapely.union_all([ground[k] for k in near]))
    )


def _shares(ground: dict, inner: Polygon) -> dict[str, float]:
    """Share of the ground inside the headland by passes, counted at scattered points."""
    u, v = scattered(inner, 30_000)
    count = np.zeros(len(u), dtype=int)
    for shape in ground.values():
        shapely.prepare(shape)
        count += shapely.contains_xy(shape, u, v)
    return {str(k): round(float(np.mean(count == k)), 4) for k in range(int(count.max()) + 1)}


def scattered(shape: Polygon, many: int) -> tuple[np.ndarray, np.ndarray]:
    """Points spread evenly over a shape, but in no rows that could fall in step with the lanes.

    The additive sequence of the plastic number (M. Roberts' "R2" sequence, from memory).
    """
    u0, v0, u1, v1 = shape.bounds
    k = np.arange(many)
    u, v = (u0 + (u1 - u0) * (k * 0.7548776662466927 % 1), v0 + (v1 - v0) * (k * 0.5698402909980532 % 1))
    inside = shapely.contains_xy(shape, u, v)
    return u[inside], v[inside]


def _planted(name: str, count: int | None, shape) -> dict:
    """One fault as JSON: its middle, area, and the ground itself as GeoJSON."""
    pieces = [p for p in getattr(shape, "geoms", [shape]) if p.geom_type == "Polygon" and p.area > 20]
    middle = max(pieces, key=lambda p: p.area).representative_point()
    drawn = [farm.geometry(shapely.simplify(p, 0.3)) for p in pieces]
    return {
        "name": name,
        "passes": count,
        "area_m2": round(sum(p.area for p in pieces), 1),
        **_place(middle.x, middle.y),
        "ground": {"type": "MultiPolygon", "coordinates": [d["coordinates"] for d in drawn]},
    }
