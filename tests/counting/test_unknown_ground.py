"""What a tool can have reached between two fixes too far apart: one rule for areas, gaps, interval and cells."""

import numpy as np
import pytest
import shapely

from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.gaps import LEAST_AREA, LEAST_WIDTH, list_gaps
from cabapp.counting.job_count import JobCount
from cabapp.counting.unknown_ground import UnknownGround, reaches
from cabapp.geometry.plane import Plane
from cabapp.track.logging_interval import FIRST_SPEED, Unknown
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

PLANE = Plane(50.0, -105.0)
TOOL = ToolGeometry(12.0)
ON = WorkSwitch(-1.0, True)


def box_of(west, south, east, north):
    lat, lon = PLANE.to_latlon([(west, south), (east, south), (east, north), (west, north), (west, south)])
    return {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}


def laps(spacing, lanes=5, long=240.0, every=1.0, speed=3.0):
    """Times, s, and places, m, of lanes to and fro along y with half circles between, driven at one speed."""
    parts, y = [], np.arange(0.0, long, 0.25)
    for n in range(lanes):
        x, up = 6.0 + n * spacing, n % 2 == 0
        parts.append(np.column_stack([np.full(len(y), x), y if up else long - y]))
        angle = np.linspace(0, np.pi, 60)[1:-1]
        end, out = (long, 1) if up else (0.0, -1)
        parts.append(np.column_stack([x + spacing / 2 * (1 - np.cos(angle)), end + out * spacing / 2 * np.sin(angle)]))
    path = np.concatenate(parts)
    gone = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    t = np.arange(0, gone[-1] / speed, every)
    return t, np.column_stack([np.interp(t * speed, gone, path[:, k]) for k in (0, 1)])


def whole(t, xy, target=2, field=(0, 0, 66, 240), tool=TOOL):
    made = JobCount(box_of(*field), target, 0.25, (50.0, -105.0))
    made.add_stint("a", 0.0, tool, t, *PLANE.to_latlon(xy), None, [ON])
    return made


def live(t, xy, target=2, field=(0, 0, 66, 240), end=True):
    made = JobCount(box_of(*field), target, 0.25, (50.0, -105.0))
    made.begin("a", 0.0, TOOL)
    made.switch(ON)
    assert made.grid is not None
    for when, lat, lon in zip(t, *PLANE.to_latlon(xy), strict=True):
        made.add_fixes(when, lat, lon)
    if end:
        made.end()
    return made


def lost(t, xy, *spans):
    """The same without the fixes between some times, s."""
    keep = np.all([(t <= begin) | (t >= end) for begin, end in spans], axis=0)
    return t[keep], xy[keep]


def test_every_way_that_is_short_enough_stays_in_reach():
    """Ways over one, two and five random places, as long as can be, stay in reach; the ways a bit longer do not fit in."""
    random, out = np.random.default_rng(3), 0
    for _ in range(40):
        a, b = random.uniform(-100, 100, (2, 2))
        chord = float(np.hypot(*(b - a)))
        way = chord * random.uniform(1.001, 3.0)
        [reach] = reaches([Unknown(0.0, 9.0, tuple(a), tuple(b), way, 1.0)], 2.0)
        for places in (1, 2, 5):
            bends = random.normal(0, 1, (places, 2))
            low, high = 0.0, 1e4  # blown up until the way is as long as said
            for _ in range(60):
                middle = (low + high) / 2
                line = np.concatenate([[a], a + (b - a) / 2 + bends * middle, [b]])
                low, high = (middle, high) if np.hypot(*np.diff(line, axis=0).T).sum() < way else (low, middle)
            assert reach.buffer(0.01 * way).covers(
                shapely.LineString(np.concatenate([[a], a + (b - a) / 2 + bends * low, [b]]))
            )
        angle = random.uniform(0, 2 * np.pi)
        place = a + (b - a) / 2 + 1.1 * way / 2 * np.array([np.cos(angle), np.sin(angle)])
        out += not reach.buffer(-1.0).covers(shapely.Point(place))
    assert out == 40  # nothing so far away can be reached at all


def test_no_speed_of_work_known_is_that_of_a_handbook():
    """A break before 10 s were driven is taken at a typical speed; one after at the speed driven."""
    t, xy = laps(12.0)
    first = whole(*lost(t, xy, (5, 25))).unknown_ground()
    later = whole(*lost(t, xy, (40, 60))).unknown_ground()
    assert first.missed == pytest.approx(max(20 * FIRST_SPEED, 60) * 12, rel=0.01)
    assert later.missed == pytest.approx(60 * 12, rel=0.01)


@pytest.mark.parametrize("every", [1.0, 20.0, 30.0])
@pytest.mark.parametrize("breaks", [[(40, 60), (200, 280)], [(3, 30)], [(150, 400)]])
def test_unknown_ground_is_the_same_live_and_at_once(every, breaks):
    """Spans, cells and reach of one fix at a time are those of all at once, with fixes that come too seldom as well."""
    fixes = lost(*laps(12.0, every=every), *breaks)
    one, other = live(*fixes), whole(*fixes)
    assert (one.grid.unknown == other.grid.unknown).all() and other.grid.unknown.any()
    assert one.unknown_ground().reach.equals(other.unknown_ground().reach)
    assert one.areas() == other.areas()
    assert (one.unknown_ground().missed, one.unknown_ground().doubted) == (
        other.unknown_ground().missed, other.unknown_ground().doubted,
    )  # fmt: skip


def test_unknown_cells_are_counted_as_they_change():
    """The unknown ground of the cells after each fix is what a look at all cells finds."""
    t, xy = lost(*laps(12.0, lanes=3, long=120.0), (20, 32), (70, 90))
    made = JobCount(box_of(0, 0, 40, 120), 2, 0.5, (50.0, -105.0))
    made.begin("a", 0.0, TOOL)
    made.switch(ON)
    inside = made.grid.mask(made.field.polygon)
    most = 0.0
    for when, lat, lon in zip(t, *PLANE.to_latlon(xy), strict=True):
        made.add_fixes(when, lat, lon)
        found = float(np.count_nonzero(made.grid.unknown & (made.grid.counts == 0) & inside)) * 0.25
        assert made.areas()["unknown"] == found
        most = max(most, found)
    assert most > made.areas()["unknown"] > 0  # some of it was covered later


@pytest.mark.parametrize("target", [1, 2])
def test_ground_in_reach_is_told_apart_everywhere(target):
    """Areas, cells, gaps and the interval say the same of a lane that was lost; the field is all of its parts."""
    t, xy = laps(12.0)
    begin, end = 3 * 86 - 3, 3 * 86 + 70  # the fourth lane
    field = (0, 0, 60, 240)
    made, seen = whole(*lost(t, xy, (begin, end)), target, field), whole(t, xy, target, field)
    totals, cells = made.area_totals(), made.areas()
    assert totals.unknown > 0.6 * 240 * 12
    assert totals.none + totals.unknown + totals.covered == pytest.approx(60 * 240, rel=1e-6)
    assert cells["unknown"] == pytest.approx(totals.unknown, rel=0.01)
    assert cells["none"] == pytest.approx(totals.none, abs=0.01 * 60 * 240)
    assert seen.area_totals().unknown == seen.areas()["unknown"] == 0
    [gap] = [gap for gap in made.gaps() if gap.kind == "unknown"]
    assert (gap.certainty, gap.lost) == ("cannot tell", True)
    assert not [gap for gap in seen.gaps() if gap.lost]
    bare = UnknownGround([])
    proof, plain = made.confidence(), seen.confidence()
    assert bare.reach.is_empty and bare.widened(plain, 1.0, 0.0) == plain
    if target == 1:
        assert proof.low < seen.area_totals().covered / (60 * 240) < proof.high
        assert proof.high - proof.low > 0.15 > plain.high - plain.low


@pytest.mark.parametrize("target", [1, 2])
@pytest.mark.parametrize("seed", range(4))
def test_gaps_of_each_kind_add_up_to_the_area_of_that_kind(seed, target):
    """Random work with random breaks: gaps of a kind are all its ground but pieces too small to list, and no other ground."""
    random = np.random.default_rng([seed, target])
    t, xy = laps(random.uniform(0.8, 1.2) * 12 / target, 5 * target)
    begins = random.uniform(0, t[-1], 4)
    spans = [(begin, begin + random.uniform(15, 90)) for begin in begins]
    made = whole(*lost(t, xy, *spans), target)
    areas, strips = made.area_totals(), made.rows_across()
    short = sum(area for n, area in areas.by_count.items() if n < target)
    told = {
        ("none", False): areas.none, ("unknown", True): areas.unknown,
        ("short", False): short - areas.short_unknown, ("short", True): areas.short_unknown,
    }  # fmt: skip
    assert areas.unknown + areas.short_unknown > 100
    every, large, listed = (dict.fromkeys(told, 0.0) for _ in range(3))
    for gap in made.gaps():
        listed[gap.kind, gap.lost] += gap.area
        assert not gap.lost or gap.certainty == "cannot tell"
    for gap in list_gaps(count_rows(made.pieces(), made.known_field(), edge=6.0), 0.1, 0.0, 0.0):
        every[gap.kind, gap.lost] += gap.area
        large[gap.kind, gap.lost] += gap.area if gap.area >= LEAST_AREA and gap.width >= LEAST_WIDTH else 0.0
    assert every == pytest.approx(told, abs=3e-4 * made.field.area)  # what rows may miss
    assert listed == pytest.approx(large)
    cells = np.where(made.grid.counts == 0, 0, np.where(made.grid.counts < target, 2, 4)) + made.grid.unknown
    number = {("none", False): 0, ("unknown", True): 1, ("short", False): 2, ("short", True): 3}
    turn = np.array([[np.cos(strips.angle), -np.sin(strips.angle)], [np.sin(strips.angle), np.cos(strips.angle)]])
    for one in strips.amiss(("none", "unknown", "short")):
        wide = one.x1 - one.x0 > 1.0
        places = np.column_stack([(one.x0 + one.x1) / 2, (one.k + 0.5) * strips.row])[wide] @ turn
        mine = number[one.amiss.kind, one.amiss.lost]
        assert not wide.any() or np.mean(made.grid.look_up(cells, places) == mine) > 0.99


def test_a_lane_lost_between_half_laps_is_short_and_cannot_be_told():
    """With half-laps the neighbours cover a lost lane once: that is short_unknown, and its gap is no sure one."""
    t, xy = laps(6.0, lanes=9)
    at = 4 * (240 + 3 * np.pi) / 3
    made = whole(*lost(t, xy, (at, at + 78)), field=(6, 20, 54, 220))
    totals = made.area_totals()
    assert totals.unknown < 100 and totals.short_unknown > 0.9 * 200 * 12
    [gap] = [gap for gap in made.gaps() if gap.area > 1000]
    assert (gap.kind, gap.certainty) == ("short", "cannot tell")
    assert made.confidence().high > 0.97


def test_ground_where_one_pass_is_enough_is_not_short():
    """Of ground covered once in reach, what wants one pass only is done."""
    t, xy = laps(6.0, lanes=9)
    at = 4 * (240 + 3 * np.pi) / 3
    fixes, short = lost(t, xy, (at, at + 78)), []
    for once in (None, box_of(0, 0, 66, 120)):
        made = JobCount(box_of(6, 20, 54, 220), 2, 0.25, (50.0, -105.0), once=once)
        made.add_stint("a", 0.0, TOOL, fixes[0], *PLANE.to_latlon(fixes[1]), None, [ON])
        short.append(made.area_totals().short_unknown)
    assert short[1] == pytest.approx(short[0] / 2, rel=0.1)


def test_what_another_stint_tells_is_not_unknown():
    """A break in one recording of a machine is none where another recording has it."""
    t, xy = laps(12.0)
    gone = (t > 100) & (t < 160)
    made = JobCount(box_of(0, 0, 66, 240), 1, 0.25, (50.0, -105.0))
    path = made.add_stint("a", 0.0, TOOL, t[~gone], *PLANE.to_latlon(xy[~gone]), None, [ON], told=[(100.0, 160.0)])
    assert path.unknown == [] and made.unknown_ground().reach.is_empty


def test_reach_grows_no_grid_beyond_the_field():
    """An hour without a fix reaches kilometres, but the cells stay those of the field and its edge."""
    t, xy = laps(12.0)
    t = np.where(t > 100, t + 3600, t)
    made, plain = whole(t, xy), whole(*laps(12.0))
    assert made.grid.counts.shape == plain.grid.counts.shape
    none = JobCount(None, 2, 0.5, (50.0, -105.0))
    none.add_stint("a", 0.0, TOOL, t, *PLANE.to_latlon(xy), None, [ON])
    assert none.grid.unknown.any() and none.grid.counts.size < 4e6
    assert none.area_totals().unknown is None
