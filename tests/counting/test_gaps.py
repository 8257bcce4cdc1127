"""The list of gaps from stretches of rows made by hand."""

import numpy as np
import pytest
from scipy.special import ndtr

from cabapp.counting.areas.row_stretches import RowStretches
from cabapp.counting.gaps import list_gaps, list_recovered, width_shown


def rows(*parts, angle=0.0, row=4.0):
    """Stretches of rows: (first row, rows, x0, x1, count, inner), all in the field, target 2."""
    k = np.concatenate([np.arange(first, first + many) for first, many, *_ in parts])
    repeat = [many for _, many, *_ in parts]
    x0, x1, count, inner = (np.repeat([part[n] for part in parts], repeat) for n in (2, 3, 4, 5))
    order = np.lexsort((x0, k))
    inside = np.ones(len(k), bool)
    return RowStretches(
        k[order], x0[order].astype(float), x1[order].astype(float), count[order], inside,
        inner[order].astype(bool), ~inside, np.full(len(k), 2), row, angle,
    )  # fmt: skip


def sides(ring):
    return sorted(np.hypot(*(ring[(n + 1) % 4] - ring[n])) for n in (0, 1))


@pytest.mark.parametrize("angle", [0.0, 0.7])
def test_a_rectangle_is_as_long_and_wide_as_its_rows(angle):
    """15 rows of 4 m, 3 m wide: 60 by 3 m, half a row beyond the middles of the end rows."""
    [gap] = list_gaps(rows((5, 15, 10, 13, 0, 1), angle=angle), 0.1)
    assert (gap.kind, gap.certainty, gap.edge) == ("none", "sure", False)
    assert (gap.area, gap.length, gap.width) == pytest.approx((180, 60, 3))
    assert sides(gap.ring) == pytest.approx([3, 60])
    c, s = np.cos(angle), np.sin(angle)
    middle = np.array([11.5, 12.5 * 4]) @ np.array([[c, -s], [s, c]])
    assert gap.ring.mean(axis=0) == pytest.approx(middle)
    assert (gap.x, gap.y) == pytest.approx(tuple(middle), abs=2.1)
    assert gap.spread == pytest.approx(0.1 * np.sqrt(2))


def test_gaps_are_parted_where_rows_do_not_overlap_and_joined_where_they_do():
    """Two strips that overlap in neighbouring rows are one gap; with a row between them two."""
    joined = rows((0, 10, 0, 3, 0, 1), (10, 10, 2, 5, 0, 1))
    parted = rows((0, 10, 0, 3, 0, 1), (10, 10, 3, 6, 0, 1))
    assert [gap.area for gap in list_gaps(joined, 0.1)] == [240]
    assert [gap.area for gap in list_gaps(parted, 0.1)] == [120, 120]


def test_none_comes_before_short_and_the_edge_last():
    """Order by edge, kind and area; what is done or too small is not listed."""
    found = list_gaps(
        rows(
            (0, 10, 0, 3, 1, 1), (0, 20, 10, 13, 1, 1), (0, 5, 20, 23, 0, 1), (0, 30, 30, 33, 1, 0),
            (0, 30, 40, 43, 2, 1), (0, 2, 50, 51, 0, 1), (0, 30, 60, 60.2, 0, 1),
        ),
        0.1,
    )  # fmt: skip
    assert [(gap.kind, gap.edge, gap.area) for gap in found] == [
        ("none", False, 60), ("short", False, 240), ("short", False, 120), ("short", True, 360),
    ]  # fmt: skip
    over = list_recovered(rows((0, 30, 0, 3, 3, 1), (0, 40, 10, 13, 4, 1), (0, 10, 20, 23, 3, 0)), 0.1)
    assert [(gap.kind, gap.edge, gap.area) for gap in over] == [
        ("over", False, 480), ("over", False, 360), ("over", True, 120),
    ]  # fmt: skip


def test_an_error_below_nothing_is_refused():
    """A negative error of an edge is a fault of the caller."""
    with pytest.raises(ValueError, match="error"):
        list_gaps(rows((0, 10, 0, 3, 0, 1)), -0.1)


@pytest.mark.parametrize(("width", "words"), [(0.70, "sure"), (0.69, "maybe"), (0.29, "maybe"), (0.28, "cannot tell")])
def test_one_error_for_all_is_judged_by_width_alone(width, words):
    """A number for the error keeps to Phi(g / (sigma root 2)): sure from 2.33 sigma (normal table)."""
    [gap] = list_gaps(rows((0, 100, 0, width, 0, 1)), 0.3, least_width=0.1)
    assert gap.certainty == words
    assert gap.chance == pytest.approx(ndtr(width / 0.3 / np.sqrt(2)))
    [gap] = list_gaps(rows((0, 100, 0, width, 0, 1)), 0.0, least_width=0.1)
    assert (gap.certainty, gap.chance) == ("sure", 1.0)


def test_a_gap_of_the_width_that_shows_is_listed_95_times_in_100():
    """Edges drawn from a normal distribution: of gaps so wide, 95 in 100 are seen at least as wide as is listed."""
    random = np.random.default_rng(4)
    for error in (0.02, 0.43, 3.2):
        seen = width_shown(error) + random.normal(0, error, 200_000) - random.normal(0, error, 200_000)
        assert np.mean(seen >= 0.3) == pytest.approx(0.95, abs=0.003)
