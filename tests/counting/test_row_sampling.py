"""Leaving out rows where work only runs on changes no area."""

import numpy as np
import pytest
import shapely
from shapely.geometry import Point, Polygon

from cabapp.counting.areas.area_totals import area_totals, totals_of_rows
from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.visits.row_sampling import SLANT, STEP, RowSample
from cabapp.counting.visits.visit_rule import crossings
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.polygon_rows import first_row_above, odd_outline_rows, outline_rows
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch


def driven(make_path, sampled, seed, side=400.0, wander=0.3, noise=0.02):
    """Half-laps of 12.8 m steered by hand, seen by a receiver with some noise."""
    random = np.random.default_rng(seed)
    t, xy = sampled(make_path(12.8, side, lanes=16), 4.0, 1.0)
    aside = sum(a * np.sin(4.0 * t / length + random.uniform(0, 6)) for length, a in ((13, 0.5), (27, 0.8)))
    xy = xy + np.column_stack([wander * aside, 0 * t]) + random.normal(0, noise, xy.shape)
    sweeper = SwathBuilder(ToolGeometry(12.8))
    return SweptPieces.join([sweeper.feed(t, xy, [WorkSwitch(-1.0, True)]), sweeper.finish()], sweeper.leave)


@pytest.mark.parametrize("seed", [0, *(pytest.param(seed, marks=pytest.mark.long) for seed in (1, 2))])
def test_areas_with_rows_left_out_are_those_of_the_exact_arrangement(
    make_path, sampled, exact_overlay, exact_visits, seed
):
    """Each class is within 0.01 % of the ground of shapely's exact arrangement, steered by hand."""
    pieces = driven(make_path, sampled, seed)
    exact = exact_overlay(exact_visits(pieces))
    found = area_totals([pieces], None).by_count
    for count, area in exact.items():
        assert found.get(count, 0.0) == pytest.approx(area, abs=1e-4 * sum(exact.values()))
    assert len(exact) >= 3


def test_most_rows_of_straight_work_are_left_out_and_none_in_the_turns(make_path, sampled):
    """Along the lanes one row stands for several; where the tool turns every row is kept."""
    pieces = driven(make_path, sampled, 5)
    low, high = first_row_above(crossings(pieces, SLANT).odd, 0.5)
    busy = np.zeros(2000, bool)
    for a, b in zip(low + 500, high + 500):
        busy[a : b + 1] = True
    ladder = RowSample(0.5, 1000.0, -500, busy)
    # the lanes run from 0 to 400 m north and all turns lie beyond, less what the turned frame adds
    straight = np.arange(first_row_above(60, 0.5), first_row_above(340, 0.5))
    kept, rung = ladder.find(straight)
    assert kept.mean() == pytest.approx(1 / STEP, abs=0.01)
    assert (ladder.height(rung) == STEP * 0.5).all()
    turns = np.arange(first_row_above(-12, 0.5), first_row_above(-2, 0.5))
    assert ladder.find(turns)[0].all()


def test_ground_that_ends_within_the_lanes_is_measured_row_by_row(make_path, sampled):
    """A field with a hole, a point and slanting sides has the areas that every row gives."""
    pieces = driven(make_path, sampled, 1)
    outline = Polygon([(-20, -20), (130, 10), (90, 180), (125, 390), (40, 431), (10, 300)])
    once = shapely.box(20, 205, 70, 222.3)
    field = FieldGround(outline - Point(55, 100).buffer(9), 2, once)
    every = totals_of_rows(count_rows([pieces], field), field)
    found = area_totals([pieces], field)
    assert sum(found.by_count.values()) == pytest.approx(every.covered, rel=1e-4)
    for count, area in every.by_count.items():
        assert found.by_count[count] == pytest.approx(area, abs=5e-5 * field.area)
    assert found.avoidable == pytest.approx(every.avoidable, abs=5e-5 * field.area)


def test_an_outline_is_odd_only_where_it_turns_back_or_runs_along_the_rows():
    """Of a kite only its points ask for every row; of a box its sides along the rows."""
    kite = Polygon([(0, 0), (10, 50), (0, 80), (-10, 50)])
    first, last = odd_outline_rows(kite, 1.0)
    assert sorted(zip(first, last)) == [(0, 0), (80, 80)]
    box = shapely.box(0, 10, 50, 20)
    first, last = odd_outline_rows(box, 1.0)
    assert set(zip(first, last)) == {(10, 10), (20, 20)}
    assert len(odd_outline_rows(Polygon(), 1.0)[0]) == 0


def test_heights_of_rungs_add_up_to_the_rows_they_stand_for():
    """Whatever rows are busy, rungs stand for whole bands of rows, and are found where they lie."""
    random = np.random.default_rng(2)
    for _ in range(50):
        bottom = int(random.integers(-40, 40))
        busy = random.random(int(random.integers(1, 60))) < 0.1
        ladder = RowSample(0.5, 100.0, bottom, busy)
        first = bottom // STEP * STEP
        rows = np.arange(first, -(-(bottom + len(busy)) // STEP) * STEP)
        kept, rung = ladder.find(rows)
        assert kept[np.flatnonzero(busy) + bottom - first].all()
        assert ladder.height(rung).sum() == pytest.approx(0.5 * len(rows))
        assert ladder.middle(rung) == pytest.approx((rows[kept] + 0.5) * 0.5)
        assert (ladder.above(ladder.middle(rung)) == rung).all()
        assert (ladder.above(ladder.middle(rung) + 1e-6) == rung + 1).all()


def test_outline_rows_lie_on_the_edges():
    """Crossings of a triangle with rows are where shapely puts them."""
    triangle = Polygon([(0, 0), (30, 7), (12, 19)])
    k, x = outline_rows(triangle, 1.0)
    for row in np.unique(k):
        west, _, east, _ = shapely.intersection(
            triangle, shapely.LineString([(-99, row + 0.5), (99, row + 0.5)])
        ).bounds
        assert sorted(x[k == row]) == pytest.approx([west, east])
