"""Shares as printed: within 0 and 100 %, and classes of one whole add up."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabapp.common.shares import fraction, percents, share, shares

AREAS = st.lists(st.floats(0.0, 1e8), min_size=1, max_size=9)


@given(parts=AREAS, digits=st.integers(0, 2))
def test_classes_of_a_whole_add_up_and_each_is_within_one_step_of_its_own(parts, digits):
    """Largest remainder: the sum is 100 exactly, and every class is its own, rounded up or down."""
    whole = math.fsum(parts)
    found = percents(parts, whole, digits)
    if whole < 1e-6:
        return
    assert round(sum(found), digits + 3) == 100
    for part, percent in zip(parts, found, strict=True):
        assert abs(percent - 100 * part / whole) < 10**-digits + 1e-6


@given(parts=st.lists(st.floats(-1e6, 1e8), min_size=1, max_size=9), whole=st.floats(0.0, 1e8))
def test_no_share_is_below_nothing_or_above_all(parts, whole):
    """Cells that reach over the edge, and a class that came out below 0, are clipped."""
    assert all(0 <= percent <= 100 for percent in percents(parts, whole))
    assert sum(percents(parts, whole)) <= 100
    assert all(0 <= fraction(part, whole) <= 1 for part in parts)


@given(parts=AREAS)
def test_what_is_printed_adds_up(parts):
    """The printed numbers themselves, where none is too small to print."""
    whole = math.fsum(parts)
    printed = shares(parts, whole)
    if whole > 1 and not any("under" in one or one == "–" for one in printed):
        assert sum(float(one.split()[0]) for one in printed) == pytest.approx(100, abs=1e-6)


@pytest.mark.parametrize(("part", "said"), [(110.0, "100 %"), (-1.0, "0 %"), (0.001, "under 0.1 %"), (None, "–")])
def test_one_share_alone_is_clipped(part, said):
    """A pass may count more than its field, a share may not."""
    assert share(part, 100.0) == said
