"""Areas by count against exact polygon overlay, and the cases design decides."""

import numpy as np
import pytest
import shapely
from shapely.geometry import LineString, Polygon, box

from cabapp.counting.areas.area_totals import area_totals
from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.gaps import list_gaps
from cabapp.counting.grid import Grid
from cabapp.counting.unknown_ground import reaches
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.swath import MachineLimits, SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

ON = [WorkSwitch(-1.0, True)]


def swept(tool, t, xy, switches=ON, limits=None):
    sweeper = SwathBuilder(tool, limits or MachineLimits())
    parts = [sweeper.feed(t, xy, switches), sweeper.finish()]
    return sweeper, SweptPieces.join(parts, sweeper.leave)


@pytest.fixture(scope="module")
def turned():
    """A turn of 23 degrees, so that nothing lies along the cells."""
    a = np.deg2rad(23.0)
    return np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])


@pytest.mark.parametrize("lanes", [24, pytest.param(40, marks=pytest.mark.long)])
def test_half_lap_serpentine_with_loop_turns_agrees_with_exact_overlay(
    make_path, sampled, exact_overlay, exact_visits, turned, lanes
):
    """Every class of area within 0.2 % of field area at 0.5 m cells, by rows far closer.

    Reference: shapely (GEOS), every piece less the ground of its own visit, noded, polygonised
    and counted.
    """
    width = 12.8
    side = lanes * width / 2
    t, xy = sampled(make_path(width, side) @ turned, 4.0, 1.0)
    keep = ~((t > 900) & (t < 940))  # a missed stretch
    switches = [WorkSwitch(-1.0, True), WorkSwitch(900.0, False), WorkSwitch(940.0, True)]
    assert keep.sum() > 1000
    _, pieces = swept(ToolGeometry(width), t, xy, switches)
    outline = Polygon(np.array([[0, 0], [side, 0], [side, side], [0, side]]) @ turned)
    field = FieldGround(outline)
    exact = exact_overlay(exact_visits(pieces), outline)
    rows = area_totals([pieces], field, 0.5, width)
    assert set(exact) >= {1, 2, 3}
    for count in range(1, max(exact) + 1):
        assert rows.by_count.get(count, 0.0) == pytest.approx(exact.get(count, 0.0), abs=3e-5 * field.area)
    west, south, east, north = (np.array(outline.bounds) + np.array([-60, -60, 60, 60])).tolist()
    grid = Grid((west, south, east, north), 0.5)
    grid.add_stints([pieces])
    cells = np.bincount(grid.counts[grid.mask(outline)], minlength=9) * 0.25
    for count in range(1, max(exact) + 1):
        assert cells[count] == pytest.approx(exact.get(count, 0.0), abs=0.002 * field.area)
    assert rows.none == pytest.approx(field.area - sum(exact.values()), abs=3e-5 * field.area)


def test_a_winding_pass_covers_what_a_buffered_line_covers():
    """A sine-shaped pass at 1 Hz covers the flat-ended buffer of its line: shapely, within 0.1 %."""
    along = np.arange(0, 400, 0.1)
    path = np.column_stack([along, 15 * np.sin(along / 40)])
    run = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    s = np.arange(0, run[-1], 4.0)
    xy = np.column_stack([np.interp(s, run, path[:, 0]), np.interp(s, run, path[:, 1])])
    _, pieces = swept(ToolGeometry(12.0), np.arange(len(s)) * 1.0, xy)
    line = LineString(path[run <= s[-1]])
    exact = line.buffer(6.0, cap_style="flat", quad_segs=64).area
    assert area_totals([pieces], None, 0.25).covered == pytest.approx(exact, rel=1e-3)


def test_standing_still_with_jitter_counts_once(make_path):
    """Ten minutes of jitter on one spot, tool down, leave every cell at one pass."""
    random = np.random.default_rng(4)
    t = np.arange(800.0)
    y = np.concatenate([np.arange(100) * 3.0, np.full(600, 297.0), 297 + np.arange(100) * 3.0])
    xy = np.column_stack([np.zeros(800), y])
    xy[100:700] += random.normal(0, 0.3, (600, 2))
    _, pieces = swept(ToolGeometry(12.0), t, xy)
    result = area_totals([pieces], None)
    assert result.by_count.get(2, 0.0) < 0.01 * result.covered


def test_coming_back_is_a_second_pass_and_the_inside_of_a_turn_is_not():
    """Down and back over the same lane counts two; a loop tighter than the tool counts one inside."""
    leg = np.arange(0, 200, 3.0)
    back = np.column_stack([np.zeros(len(leg)), leg[::-1]])
    bulb = np.linspace(0, 2 * np.pi, 40)[1:-1]
    loop = np.column_stack([30 * np.sin(bulb), 200 + 40 * np.sin(bulb / 2)])
    xy = np.concatenate([np.column_stack([np.zeros(len(leg)), leg]), loop, back])
    _, pieces = swept(ToolGeometry(12.0), np.arange(len(xy)) * 1.0, xy)
    result = area_totals([pieces], FieldGround(box(-6, 5, 6, 150)))
    assert result.by_count[2] == pytest.approx(12 * 145, rel=1e-3)
    angle = np.linspace(0, np.pi, 30)
    xy = np.column_stack([4 * np.cos(angle), 4 * np.sin(angle)])
    _, pieces = swept(ToolGeometry(12.0), np.arange(30.0), xy)
    assert set(area_totals([pieces], None).by_count) == {1}


def test_a_dropout_leaves_unknown_ground_and_covers_nothing():
    """20 s without a fix on a straight pass: the ground between is not covered, the time is unknown."""
    t = np.concatenate([np.arange(50.0), np.arange(70.0, 120.0)])
    xy = np.column_stack([np.zeros(100), t * 3.0])
    sweeper, pieces = swept(ToolGeometry(10.0), t, xy)
    assert area_totals([pieces], None).covered == pytest.approx(10 * 3 * (49 + 49), rel=0.01)
    assert [one[:2] for one in sweeper.unknown] == [(49.0, 70.0)]
    grid = Grid((-20, 0, 20, 400), 0.5)
    grid.mark_unknown(*reaches(sweeper.unknown, 10.0))
    assert grid.unknown.sum() * 0.25 == pytest.approx(21 * 3 * 10 + np.pi * 5**2, rel=0.01)


def test_reversing_is_not_credited():
    """Backing 9 m and going on again adds no ground beyond the straight pass."""
    y = np.concatenate([np.arange(0, 60, 2.0), 58 - np.arange(1, 10) * 1.0, 49 + np.arange(1, 60) * 2.0])
    xy = np.column_stack([np.zeros(len(y)), y])
    _, pieces = swept(ToolGeometry(10.0), np.arange(len(y)) * 1.0, xy)
    result = area_totals([pieces], None)
    assert result.covered == pytest.approx(10 * (y.max() - y.min()), rel=0.01)
    assert result.by_count.get(2, 0.0) < 30


def test_a_wing_up_takes_its_third_out():
    """Half a pass with the left wing up covers the right two thirds there."""
    xy = np.column_stack([np.zeros(101), np.arange(101) * 3.0])
    switches = [WorkSwitch(-1.0, True), WorkSwitch(50.0, True, (False, True, True))]
    _, pieces = swept(ToolGeometry(12.0), np.arange(101.0), xy, switches)
    whole = area_totals([pieces], None)
    assert whole.covered == pytest.approx(12 * 150 + 8 * 150, rel=1e-3)
    left = area_totals([pieces], FieldGround(box(-6, 150, -2, 300)))
    assert left.covered == pytest.approx(0, abs=1)


def test_side_offset_to_the_right_lies_right_of_travel():
    """Going north with the tool 2 m to the right, ground from 4 m west to 8 m east is covered."""
    xy = np.column_stack([np.zeros(50), np.arange(50) * 3.0])
    _, pieces = swept(ToolGeometry(12.0, side=2.0), np.arange(50.0), xy)
    assert pieces.quad[..., 0].min() == pytest.approx(-4, abs=1e-3)
    assert pieces.quad[..., 0].max() == pytest.approx(8, abs=1e-3)


def test_gaps_tell_none_from_short_and_where_they_are(make_path, sampled):
    """A full-width hole and a once-covered lane are found apart, with their area, width and place."""
    width = 12.0
    lanes = [np.column_stack([np.full(81, x), np.arange(81) * 3.0]) for x in np.arange(6, 240, 12.0)]
    field = FieldGround(box(0, 0, 240, 240))
    stints = []
    for repeat in range(2):
        for n, lane in enumerate(lanes):
            if n == 10 or (n == 4 and repeat):
                continue
            stints.append(swept(ToolGeometry(width), np.arange(81.0), lane)[1])
    gaps = list_gaps(count_rows(stints, field, edge=width / 2), 0.3)
    inner = [g for g in gaps if not g.edge]
    assert [g.kind for g in inner] == ["none", "short"]
    assert inner[0].area == pytest.approx(12 * 240, rel=1e-3)
    assert inner[0].width == pytest.approx(12, rel=5e-3)
    assert (inner[0].x, inner[0].certainty) == (pytest.approx(126, abs=0.1), "sure")
    assert inner[1].x == pytest.approx(54, abs=0.1)
    assert sum(g.area for g in gaps if g.kind == "short") == pytest.approx(12 * 240, rel=1e-2)
    result = area_totals(stints, field, width=width)
    assert result.by_count[2] == pytest.approx(240 * 240 - 2 * 12 * 240, rel=1e-3)


def test_re_covering_is_unavoidable_only_along_the_edge():
    """Three passes over the outermost strip are unavoidable within half a width, avoidable beyond."""
    lane = np.column_stack([np.full(81, 6.0), np.arange(81) * 3.0])
    stints = [swept(ToolGeometry(12.0), np.arange(81.0), lane)[1] for _ in range(3)]
    result = area_totals(stints, FieldGround(box(0, -500, 500, 700)), width=12.0)
    assert result.unavoidable == pytest.approx(6 * 240, rel=1e-2)
    assert result.avoidable == pytest.approx(6 * 240, rel=1e-2)


def test_areas_of_holes_and_parts_are_exact():
    """A field with a hole and a second part, never covered: none is its exact area (shapely)."""
    shape = shapely.MultiPolygon(
        [Polygon([(0, 0), (300, 20), (280, 260), (10, 250)], [[(50, 50), (90, 60), (70, 120)]]), box(400, 0, 500, 100)]
    )
    assert area_totals([], FieldGround(shape)).none == pytest.approx(shape.area, rel=1e-9)
    grid = Grid(shape.bounds, 0.5)
    assert grid.mask(shape).sum() * 0.25 == pytest.approx(shape.area, rel=2e-4)
