"""Swept ground against plane geometry: annulus sectors, a pivot inside the tool, parallel passes.

The area a straight line sweeps broadside on a circle is an annulus sector (Pappus and Guldin);
the figures are calculated from exact definitions.
"""

import numpy as np
import pytest
import shapely
from shapely.geometry import box

from cabapp.counting.areas.area_totals import area_totals
from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.gaps import list_gaps
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.tool import ToolGeometry


@pytest.mark.parametrize(
    ("radius", "width", "angle", "area"),
    [(20, 12, np.pi, 753.9822), (19.078784, 15, np.pi, 899.0665), (30, 36, np.pi / 2, 1696.4600)],
)
def test_a_turn_sweeps_an_annulus_sector(driven, circle, radius, width, angle, area):
    """Radius, angle and width multiply, within 0.3 %, in one visit and nothing twice.

    Pieces are straight: a chord over 0.13 rad, as long as they get here, is 0.28 % short (x²/6).
    """
    _, pieces = driven(ToolGeometry(width), circle(radius, angle))
    found = area_totals([pieces], None, row=0.1)
    assert found.pass_area == pytest.approx(area, rel=3e-3)
    assert found.covered == pytest.approx(area, rel=3e-3)


def test_a_pivot_inside_the_tool(driven, circle):
    """r = 5 m with 12 m: 191.64 m² are passed over; radius x angle x width, 188.50, is wrong."""
    _, pieces = driven(ToolGeometry(12.0), circle(5, np.pi))
    found = area_totals([pieces], None, row=0.1)
    assert found.covered == pytest.approx(191.6372, rel=5e-3)
    assert found.covered - 188.4956 > 1.5


def test_a_towed_tool_in_a_steady_turn_sweeps_its_own_radius(driven, circle):
    """R = 20 m, L = 6 m, W = 15 m: half a round more sweeps 899.07 m², not 942.48 of the antenna."""
    tool = ToolGeometry(15.0, hitch=6.0)
    sums = [
        shapely.area(shapely.polygons(driven(tool, circle(20, angle))[1].quad)).sum()
        for angle in (4 * np.pi, 5 * np.pi)
    ]
    assert sums[1] - sums[0] == pytest.approx(899.0665, rel=3e-3)


@pytest.fixture
def lanes(driven):
    """Drive n passes of a length at a spacing, all from the same end, minutes apart.

    Nothing is driven between them, so the way back is a gap in reception as long as the field.
    """

    def drive(width, spacing, n, length):
        along = np.arange(0, length + 1, 2.0)
        xy, t = [], []
        for k in range(n):
            xy.append(np.column_stack([along, np.full(len(along), k * spacing)]))
            t.append(k * 1000.0 + np.arange(len(along)))
        return driven(ToolGeometry(width), np.concatenate(xy), np.concatenate(t))[1]

    return drive


def test_parallel_passes_that_overlap(lanes):
    """W 12, spacing 11.5, 10 passes of 800 m: 9.24 ha once or more, 0.36 twice, 9.60 of passes."""
    found = area_totals([lanes(12.0, 11.5, 10, 800)], None)
    assert found.covered == pytest.approx(92_400, rel=2e-4)
    assert found.by_count[2] == pytest.approx(3_600, rel=2e-3)
    assert found.pass_area == pytest.approx(96_000, rel=2e-4)
    assert set(found.by_count) == {1, 2}


def test_parallel_passes_that_leave_gaps(lanes):
    """W 12, spacing 12.5: nine gaps of 0.5 m, 0.36 ha in all, each listed with its width."""
    field = FieldGround(box(0, -6, 800, 9 * 12.5 + 6), target=1)
    pieces = [lanes(12.0, 12.5, 10, 800)]
    found = area_totals(pieces, field, row=0.25)
    assert found.none == pytest.approx(3_600, rel=2e-3)
    assert found.by_count == {1: pytest.approx(96_000, rel=2e-4)}
    gaps = list_gaps(count_rows(pieces, field, edge=6.0), 0.1)
    assert [gap.kind for gap in gaps] == ["none"] * 9
    assert [gap.width for gap in gaps] == [pytest.approx(0.5, abs=0.01)] * 9


def test_half_laps_cover_twice_but_for_the_ends(lanes):
    """Spacing w/2: all but the first and last half width is covered twice, nothing thrice."""
    found = area_totals([lanes(12.0, 6.0, 11, 800)], None)
    assert found.by_count == {1: pytest.approx(2 * 6 * 800, rel=1e-3), 2: pytest.approx(10 * 6 * 800, rel=1e-3)}


def test_below_half_the_spacing_a_third_count_appears(lanes):
    """Spacing 5 with 12 m: each inner strip 2 m wide is under three passes (p < W/2)."""
    found = area_totals([lanes(12.0, 5.0, 10, 800)], None)
    assert found.by_count[3] == pytest.approx(8 * 2 * 800, rel=2e-3)
