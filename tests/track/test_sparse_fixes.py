"""Turns of which a slow logger records two or three fixes.

The truth is the demo's own geometry (Dubins turns, its own towing), united by shapely, and a recorded seeding.
"""

from datetime import datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely

from cabapp.counting.areas.area_totals import area_totals
from cabapp.geometry.plane import Plane
from cabapp.track.logging_interval import logging_interval
from cabapp.track.swath import MachineLimits, SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch
from demo_db.vehicle_paths import joined, line, towed, turn

ROLLER = ToolGeometry(12.2, hitch=7.0, antenna_to_hitch=2.0)
SEEDING = Path(__file__).parents[2].parent / "shared" / "data" / "seeding" / "trace_machine2.gpx"


def lanes(order, length, radius, slow, speed=3.0, gap=11.5):
    parts = []
    for n, (lane, following) in enumerate(zip(order, [*order[1:], None])):
        x, up = lane * gap, n % 2 == 0
        ends = [(x, 0.0), (x, length)] if up else [(x, length), (x, 0.0)]
        parts.append(line(np.array(ends), speed, n))
        if following is not None:
            north = np.pi / 2 if up else -np.pi / 2
            parts.append(turn((*ends[1], north), (following * gap, ends[1][1], -north), radius, slow, -1))
    return joined(parts)


def times_of(path):
    step = np.hypot(np.diff(path.x), np.diff(path.y))
    return np.concatenate([[0.0], np.cumsum(step * 2 / (path.speed[1:] + path.speed[:-1]))])


def sampled(path, every, phase):
    clock = times_of(path)
    t = np.concatenate([[0.0], np.arange(phase or every, clock[-1], every), clock[-1:]])
    return t, np.column_stack([np.interp(t, clock, path.x), np.interp(t, clock, path.y)])


def exact(path):
    """Return the union of the roller's line from point to point, 0.25 m apart."""
    drawn = towed(path, 2.0, 7.0)
    half = 6.1 * np.column_stack([-np.sin(drawn[:, 2]), np.cos(drawn[:, 2])])
    left, right = drawn[:, :2] + half, drawn[:, :2] - half
    return united(np.stack([left[:-1], right[:-1], right[1:], left[1:]], axis=1))


def united(quads):
    return shapely.union_all(shapely.make_valid(shapely.polygons(quads)))


def swept(t, xy, tool, switches=None, single=False):
    sweeper = SwathBuilder(tool, MachineLimits().at_interval(logging_interval(t)))
    switches = [WorkSwitch(t[0] - 1, True)] if switches is None else switches
    if single:
        for switch in switches:
            sweeper.switch(switch)
        parts = [sweeper.feed(t[n : n + 1], xy[n : n + 1]) for n in range(len(t))]
    else:
        parts = [sweeper.feed(t, xy, switches)]
    return SweptPieces.join([*parts, sweeper.finish()], sweeper.leave)


WAYS = {
    "loops": lanes(range(6), 400.0, 8.0, 2.2),
    "skips": lanes([0, 3, 1, 4, 2, 5], 400.0, 8.0, 2.2),
    "tight": lanes(range(6), 200.0, 6.0, 2.0),
    "fast": lanes(range(6), 400.0, 9.0, 3.5, 4.0),
}


@pytest.mark.parametrize("name", ["tight", *(pytest.param(name, marks=pytest.mark.long) for name in WAYS)])
@pytest.mark.parametrize(("every", "wrong"), [(1.0, 0.003), (5.0, 0.02), (10.0, 0.045), (15.0, 0.07)])
def test_turns_between_sparse_fixes_give_the_right_swath(name, every, wrong):
    """Area and ground (symmetric difference) against the exact path; as chords 0.06 and 0.11 at 10 and 15 s, tight."""
    path = WAYS[name]
    truth = exact(path)
    passes = area_totals([swept(*sampled(path, 0.5, 0.0), ROLLER)], None).pass_area
    for phase in (0.0, 0.4 * every):
        pieces = swept(*sampled(path, every, phase), ROLLER)
        ground = united(pieces.quad)
        assert ground.symmetric_difference(truth).area / truth.area < wrong
        assert ground.area == pytest.approx(truth.area, rel=wrong / 1.5)
        assert area_totals([pieces], None).pass_area == pytest.approx(passes, rel=wrong / 1.5)


@pytest.mark.parametrize("every", [5.0, 10.0, 15.0])
def test_sparse_fixes_give_the_same_one_by_one(every):
    """With arcs, stretched curves and a gear known one fix later, single fixes give the very same pieces."""
    t, xy = sampled(WAYS["tight"], every, 1.0)
    xy[20] = xy[18]  # back and on
    one, other = swept(t, xy, ROLLER), swept(t, xy, ROLLER, single=True)
    assert len(one) == len(other) > 50
    assert (one.quad == other.quad).all() and (one.s0 == other.s0).all() and (one.s1 == other.s1).all()


@pytest.mark.parametrize("every", [2.0, 5.0, 6.0, 10.0, 15.0])
def test_backing_between_sparse_fixes_adds_no_pass(every):
    """Six times 120 m on and 12 m slowly back, then 100 m: never more work than the ground gone forward."""
    legs = [0.0] + [120.0, -12.0] * 6 + [100.0]
    hours = np.cumsum([0.0] + [40.0, 12.0] * 6 + [100 / 3])
    for phase in (0.0, 0.3 * every, 0.7 * every):
        t = np.arange(phase, hours[-1], every)
        y = np.interp(t, hours, np.cumsum(legs))
        found = area_totals([swept(t, np.column_stack([0 * y, y]), ToolGeometry(6.0))], None)
        assert 0.90 * 820 * 6 * 0.9 < found.pass_area < 1.01 * 820 * 6
        assert found.covered > 0.93 * 6 * (y.max() - y.min())


@pytest.fixture(scope="module")
def seeding():
    """Return times, places and where the record breaks, of the recorded seeding (OFPEDATA, 13.2 m, 1 Hz)."""
    if not SEEDING.exists():
        pytest.skip("the recorded seeding is not beside the repository (../shared/data)")
    points = ElementTree.parse(SEEDING).getroot().iter("{http://www.topografix.com/GPX/1/1}trkpt")
    rows = np.array([
        (datetime.fromisoformat(p[1].text.replace("Z", "+00:00")).timestamp(), float(p.get("lat")), float(p.get("lon")))
        for p in points
    ])  # fmt: skip
    plane = Plane(rows[0, 1], rows[0, 2])
    return rows[:, 0], plane.to_xy(rows[:, 1], rows[:, 2])


@pytest.mark.parametrize("fixes", [8000, pytest.param(22028, marks=pytest.mark.long)])
@pytest.mark.parametrize(("every", "wrong"), [(5, 0.006), (10, 0.010), (15, 0.015)])
def test_a_recorded_seeding_thinned_covers_the_same_ground(seeding, every, wrong, fixes):
    """Against the shapely union of all fixes; its breaks of over 3 s are told as taps, and end with a fix."""
    t, xy = (column[:fixes] for column in seeding)
    ends = np.flatnonzero(np.diff(t) > 3)
    switches = [WorkSwitch(t[0], True)]
    for n in ends:
        switches += [WorkSwitch(t[n], False), WorkSwitch(t[n + 1], True)]
    tool = ToolGeometry(13.2)
    whole = swept(t, xy, tool, switches)
    kept = np.zeros(len(t), bool)
    kept[[0, *ends, *(ends + 1), -1]] = True
    for first, last in zip([0, *(ends + 1)], [*ends, len(t) - 1]):
        kept[first:last:every] = True
    some = swept(t[kept], xy[kept], tool, switches)
    truth, found = united(whole.quad), united(some.quad)
    assert found.symmetric_difference(truth).area / truth.area < wrong
    assert found.area == pytest.approx(truth.area, rel=wrong)
    passes = area_totals([whole], None).pass_area
    assert area_totals([some], None).pass_area == pytest.approx(passes, rel=wrong)
