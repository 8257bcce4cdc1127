"""A job's figures worked out by hand: cells, whole areas, gaps and what stints state."""

import numpy as np
import pytest
from shapely.geometry import box

from cabapp.counting.grid import Grid, around
from cabapp.counting.job_count import JobCount
from cabapp.geometry.plane import Plane
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

PLANE = Plane(50.0, -105.0)
TOOL = ToolGeometry(12.0)


def geojson(west, south, east, north):
    lat, lon = PLANE.to_latlon([(west, south), (east, south), (east, north), (west, north), (west, south)])
    return {"type": "Polygon", "coordinates": [[[float(x), float(y)] for x, y in zip(lon, lat)]]}


def lane(x, t0=0.0, start=0.0, stop=240.0):
    """Times, latitudes and longitudes of a pass north at 3 m/s."""
    y = np.arange(start, stop + 0.1, 3.0)
    lat, lon = PLANE.to_latlon(np.column_stack([np.full(len(y), x), y]))
    return t0 + np.arange(len(y)) * 1.0, lat, lon


def job(lanes=(), target=2, field=(0, 0, 48, 240), once=None, cell=0.5, sown=()):
    """A job with lanes 1000 s apart, each a stint of its own."""
    made = JobCount(geojson(*field), target, cell, (50.0, -105.0), once=once and geojson(*once))
    for n, (x, t0) in enumerate(sown):
        made.add_seeding(f"sown {n}", TOOL, *lane(x, t0), switches=[WorkSwitch(t0 - 1, True)])
    for n, x in enumerate(lanes):
        made.add_stint(f"{n}", 1000.0 * n, TOOL, *lane(x, 1000.0 * n), None, [WorkSwitch(-1.0, True)])
    return made


def test_areas_by_hand():
    """Of 48 m, lanes of 12 m once, twice, three times and never, target 2: passes left are 3 lanes' worth."""
    lane_m2 = 12 * 240
    found = job((6, 18, 18, 30, 30, 30)).areas()
    assert found["field"] == pytest.approx(4 * lane_m2, rel=1e-4)
    assert found["none"] == pytest.approx(lane_m2, rel=0.01)
    assert found["short"] == pytest.approx(lane_m2, rel=0.01)
    assert found["done"] == pytest.approx(2 * lane_m2, rel=0.01)
    assert found["covered"] == pytest.approx(3 * lane_m2, rel=0.01)
    assert found["pass_area"] == pytest.approx(6 * lane_m2, rel=0.01)
    assert found["left_pass_area"] == pytest.approx(3 * lane_m2, rel=0.01)


def test_where_one_pass_is_enough():
    """Half of a bare field wants one pass: 1.5 passes a place are left; one pass finishes that half."""
    once = (0, 0, 24, 240)
    bare, half = job(once=once).areas(), job((6, 18), once=once).areas()
    assert bare["left_pass_area"] == pytest.approx(1.5 * 48 * 240, rel=0.01)
    assert half["left_pass_area"] == pytest.approx(2 * 24 * 240, rel=0.01)
    assert (half["short"], half["done"]) == (0, pytest.approx(24 * 240, rel=0.01))
    wanted = job(once=once).wanted(np.array([[10.0, 50.0], [30.0, 50.0], [60.0, 50.0]]))
    assert wanted.tolist() == [1, 2, 0]


@pytest.mark.parametrize("once", [None, (0, 0, 24, 240)])
def test_cells_counted_as_they_change_equal_cells_counted_anew(once):
    """Live over ground with passes and over ground where one is enough: as after `rebuild`."""
    made = job((6, 18, 18), once=once)
    switches = [WorkSwitch(8999.0, True)]
    made.begin("live", 9000.0, TOOL)
    made.switch(switches[0])
    t, lat, lon = lane(20, 9000.0)
    for one in zip(t, lat, lon):
        made.add_fixes(*one)
    live = made.areas()
    made.rebuild(t, lat, lon, switches=switches)
    assert made.areas() == live
    assert live["pass_area"] == pytest.approx(4 * 12 * 240, rel=0.03)


def test_live_fixes_return_the_rectangle_that_changed():
    """One chord of 3 m with a tool of 12 m changes 24 by 6 cells of 0.5 m; nothing returns None."""
    made = job()
    made.begin("live", 0.0, TOOL)
    made.switch(WorkSwitch(-1.0, True))
    t, lat, lon = lane(20)
    assert made.add_fixes(t[:10], lat[:10], lon[:10]) is not None
    before = made.grid.counts.copy()
    west, south, east, north = made.add_fixes(t[10:14], lat[10:14], lon[10:14])
    changed = np.argwhere(made.grid.counts != before)
    assert (*changed.min(axis=0)[::-1], *(changed.max(axis=0) + 1)[::-1]) == (west, south, east, north)
    assert east - west == 24
    assert made.add_fixes(t[14], None, None) is None
    assert made.add_fixes(t[14], np.nan, np.nan) is None


def test_a_rectangle_around_two():
    """Each side is the outer one of both; without one of them it is the other."""
    assert around((3, 20, 9, 30), (5, 10, 7, 40)) == (3, 10, 9, 40)
    assert around((5, 10, 7, 40), (3, 20, 9, 30)) == (3, 10, 9, 40)
    assert around(None, (1, 2, 3, 4)) == around((1, 2, 3, 4), None) == (1, 2, 3, 4)
    assert around(None, None) is None


def test_a_dropout_marks_a_strip_as_wide_as_the_tool():
    """63 m of a pass without a fix: 12 by 63 m are unknown and half circles at the ends, of a whole stint and a live one."""
    t, lat, lon = lane(20)
    keep = (t < 30) | (t >= 50)
    whole, live = job(), job()
    whole.add_stint("a", 0.0, TOOL, t[keep], lat[keep], lon[keep], None, [WorkSwitch(-1.0, True)])
    live.begin("a", 0.0, TOOL)
    live.switch(WorkSwitch(-1.0, True))
    for one in zip(t[keep], lat[keep], lon[keep]):
        live.add_fixes(*one)
    assert live.unknown_s == 21.0
    for made in (whole, live):
        assert made.grid.unknown.sum() * 0.25 == pytest.approx(12 * 63 + np.pi * 6**2, rel=0.03)
    assert (whole.grid.unknown == live.grid.unknown).all()


def test_the_stated_error_of_fixes_reaches_the_gaps():
    """Between two passes stated to 0.02 m and to 3 m, one gap of 1 m is sure and one cannot be told."""
    chances = []
    for sigma in (0.02, 3.0):
        made = job(target=1, field=(0, 0, 25, 240))
        for n, x in enumerate((6.0, 19.0)):
            t, lat, lon = lane(x, 1000.0 * n)
            made.add_stint(f"{n}", t[0], TOOL, t, lat, lon, np.full(len(t), sigma), [WorkSwitch(-1.0, True)])
        [gap] = [gap for gap in made.gaps() if gap.kind == "none"]
        assert gap.width == pytest.approx(1.0, abs=0.05) and gap.x == pytest.approx(12.5, abs=0.1)
        assert made.receivers()[0].absolute == pytest.approx([sigma], rel=0.15)  # and the path between fixes
        chances.append(gap.certainty)
    assert chances == ["sure", "cannot tell"]


def test_large_errors_of_fixes_make_the_path_coarser():
    """Half a metre of noise is smoothed out, whether 1 m of error is stated or none."""
    noise = np.random.default_rng(1).normal(0, 0.5, 81)
    spread = []
    for sigma in (None, np.full(81, 1.0)):
        t, _, _ = lane(0)
        lat, lon = PLANE.to_latlon(np.column_stack([noise, np.arange(81) * 3.0]))
        made = job()
        made.add_stint("a", 0.0, TOOL, t, lat, lon, sigma, [WorkSwitch(-1.0, True)])
        [pieces] = made.pieces()
        middle = pieces.quad[:, 2:].mean(axis=1)
        spread.append(float(middle[:, 0].std()))
    assert max(spread) < 0.8 * noise.std()


def test_ground_seeded_later_is_short_again():
    """Two passes before the seeding are void for areas, gaps, parts and visits; one after it counts."""
    made = job((6, 6), sown=[(6, 20_000.0)], field=(0, 0, 12, 240))
    assert made.area_totals().covered == made.areas()["covered"] == 0
    [gap] = made.gaps()
    assert (gap.kind, gap.area) == ("none", pytest.approx(12 * 240, rel=0.01))
    assert made.area_totals_in(box(0, 0, 12, 100)).covered == 0
    assert len(made.visits(0.5)[0]) == 0
    made.add_stint("late", 40_000.0, TOOL, *lane(6, 40_000.0), None, [WorkSwitch(39_999.0, True)])
    assert made.area_totals_in(box(0, 0, 12, 100)).covered == pytest.approx(12 * 100, rel=0.01)
    assert set(made.visits(0.5)[4].tolist()) == {2}
    with pytest.raises(ValueError, match="before the stints"):
        made.add_seeding("x", TOOL, *lane(6, 20_000.0))
    with pytest.raises(ValueError, match="already"):
        made.add_stint("late", 40_000.0, TOOL, *lane(6, 40_000.0))


def test_visits_tell_when_and_by_whom():
    """Two passes on one lane: every row twice, 12 m wide, with the stint's number and its time."""
    made = job((6, 6))
    k, x0, x1, t, stint = made.visits(2.0)
    assert sorted(set(stint.tolist())) == [0, 1]
    assert ((t >= 1000.0) == (stint == 1)).all()
    assert np.bincount(k[k >= 0])[:100].tolist() == [2] * 100
    assert x1 - x0 == pytest.approx(12.0)


def test_the_spacing_of_one_operator_s_stints():
    """Passes 6 m apart by one operator and a pass of another between: only the named stints count."""
    made = job((6, 12, 15, 18, 24, 30), field=(0, 0, 48, 240))
    found = made.pass_spacing(["5", "0", "1", "3", "4", "none such"])
    assert [one.metres for one in found.spacings] == pytest.approx([6.0] * 4, abs=1e-3)
    assert [one.start for one in found.passes] == sorted(one.start for one in found.passes)
    assert found.sigma == pytest.approx(0.0, abs=1e-3)


def test_a_recovered_strip_along_the_edge_is_told_apart():
    """Three passes on the outer lane: one strip within half a tool of the edge, one beyond."""
    found = job((6, 6, 6), field=(0, -100, 100, 340)).recovered()
    assert sorted((gap.kind, gap.edge) for gap in found) == [("over", False), ("over", True)]
    assert [gap.x for gap in sorted(found, key=lambda gap: gap.edge)] == pytest.approx([9.0, 3.0], abs=0.3)


def test_without_a_boundary_all_ground_counts():
    """Cells and exact areas outside any field; nothing that needs one."""
    made = JobCount(None, 2, centre=(50.0, -105.0))
    made.add_stint("a", 0.0, TOOL, *lane(6), None, [WorkSwitch(-1.0, True)])
    found = made.areas()
    assert found["covered"] == pytest.approx(12 * 240, rel=0.01)
    assert (found["field"], found["none"], found["left_pass_area"]) == (None, None, None)
    assert made.gaps() == [] and made.wanted(np.zeros((2, 2))).tolist() == [2, 2]
    with pytest.raises(ValueError, match="boundary or a centre"):
        JobCount(None)
    with pytest.raises(ValueError, match="no stint"):
        made.add_fixes(*(a[0] for a in lane(6)))


def test_the_neighbourhood_that_was_covered_lately():
    """In a visit of 1000 ticks ground covered up to 1000 ticks ago is recent, a tick more is not."""
    grid = Grid((-5, -5, 30, 30), 0.5)
    assert grid.recent([[2.0, 2.0]], 0, 1000).tolist() == [False]
    grid.begin(1000, 4.0)
    ground = np.array([[[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]]])
    grid.add_live(SweptPieces(ground, np.array([0]), np.array([500]), np.array([1.0]), 1000))
    places = [[2.0, 2.0], [10.0, 10.0], [200.0, 2.0]]
    assert grid.recent(places, 1500, 1000).tolist() == [True, False, False]
    assert grid.recent(places, 1501, 1000).tolist() == [False, False, False]
