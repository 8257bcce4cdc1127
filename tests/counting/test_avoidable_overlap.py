"""Re-covering that could have been spared, told from the one that could not."""

import numpy as np
import pytest
from shapely.geometry import Polygon, box

from cabapp.counting.areas.area_totals import area_totals, totals_of_rows
from cabapp.counting.areas.avoidable_overlap import split
from cabapp.counting.areas.row_stretches import count_rows
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

WIDTH, ROW = 12.0, 2.0


def lay(*starts, south=20, north=180):
    """Intervals of a 12 m tool on rows, one pass after the other."""
    rows = np.arange(int(south / ROW), int(north / ROW))
    n = len(rows)
    return (
        np.tile(rows, len(starts)),
        np.repeat(np.array(starts, float), n),
        np.repeat(np.array(starts, float) + WIDTH, n),
        np.repeat(np.arange(len(starts)), n),
    )


def test_half_laps_that_stray_onto_finished_ground_are_avoidable():
    """With bare ground beyond, 3 m of finished ground run over again could have been spared."""
    field = FieldGround(box(-200, 0, 200, 200), 2)
    avoidable, unavoidable = split(lay(0, 0, 9), field, ROW, WIDTH)
    assert avoidable == pytest.approx(3 * 160, rel=0.05)
    assert unavoidable == 0


def test_the_closing_strip_is_unavoidable():
    """A strip 5 m wide left between finished ground costs 7 m re-covered each pass: no other way."""
    field = FieldGround(box(-200, 0, 200, 200), 2)
    avoidable, unavoidable = split(lay(0, 0, 17, 17, 8, 8), field, ROW, WIDTH)
    assert avoidable == 0
    assert unavoidable == pytest.approx(7 * 160, rel=0.06)


def test_a_whole_needless_pass_is_avoidable():
    """Running a finished lane a third time is all avoidable."""
    field = FieldGround(box(-200, 0, 200, 200), 2)
    assert split(lay(0, 0, 0), field, ROW, WIDTH) == (pytest.approx(12 * 160, rel=0.05), 0)


def test_a_last_lap_against_an_obstacle_is_unavoidable():
    """Between finished ground and a hole there is no better place for the tool."""
    hole = [(15, 10), (45, 10), (45, 190), (15, 190)]
    field = FieldGround(Polygon([(-200, 0), (200, 0), (200, 200), (-200, 200)], [hole]), 2)
    avoidable, unavoidable = split(lay(-3, -3, 3, 3), field, ROW, WIDTH)
    assert avoidable == 0
    assert unavoidable == pytest.approx(6 * 160, rel=0.06)


def test_where_one_pass_is_enough_a_second_is_over():
    """On ground wanted once, the second pass is re-covering; its neighbour is not."""
    field = FieldGround(box(-200, 0, 200, 200), 2, once=box(-100, 0, 6, 200))
    avoidable, unavoidable = split(lay(0, 0), field, ROW, WIDTH)
    assert avoidable + unavoidable == pytest.approx(6 * 160, rel=0.06)


def test_ground_run_over_twice_too_often_counts_twice_in_the_passes_to_be_spared():
    """A lane driven five times where two are wanted: its ground is re-covered once, and three passes
    over it could have been spared, by either way of adding up."""
    y = np.arange(0, 240.0, 4.0)
    stints = []
    for n in range(5):
        sweeper = SwathBuilder(ToolGeometry(10.0))
        t, xy = 3600.0 * n + np.arange(len(y)), np.column_stack([np.full(len(y), 5.0), y])
        parts = [sweeper.feed(t, xy, [WorkSwitch(-1.0, True)]), sweeper.finish()]
        stints.append(SweptPieces.join(parts, sweeper.leave))
    field = FieldGround(box(0, 0, 10, 230))
    for found in (area_totals(stints, field), totals_of_rows(count_rows(stints, field), field)):
        assert found.by_count == pytest.approx({5: 2300.0}, rel=1e-3)
        assert found.avoidable + found.unavoidable == pytest.approx(2300.0, rel=1e-3)
        assert found.avoidable_passes == pytest.approx(3 * 2300.0, rel=1e-3)


@pytest.mark.parametrize(("east", "north"), [(0, 0), (1000, 0), (0, 1000), (-700, -900)])
def test_it_does_not_matter_where_the_field_lies(east, north):
    """The same passes on a long narrow field give the same figures far from the plane's origin."""
    k, x0, x1, order = lay(0, 0, 9)
    field = FieldGround(box(-20 + east, north, 40 + east, 200 + north), 2)
    found = split((k + int(north / ROW), x0 + east, x1 + east, order), field, ROW, WIDTH)
    assert found == (pytest.approx(3 * 160, rel=0.05), 0)


def test_a_step_at_one_side_of_a_pass_could_have_been_left():
    """Bare ground on the left of finished ground: a pass 3 m too far right over it is avoidable, on the
    other side too."""
    field = FieldGround(box(-200, 0, 200, 200), 2)
    for start in (9, -9):
        assert split(lay(0, 0, start), field, ROW, WIDTH)[0] == pytest.approx(3 * 160, rel=0.05)
