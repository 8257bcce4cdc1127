"""The order of the work and the worth of the second pass: against all orders, and against scipy."""

import itertools

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabapp.planning.finish_time import Finish
from cabapp.planning.pass_comparison import ComparisonResult, compare
from cabapp.planning.work_order import Work, left_at, scheduled

WORKS = st.lists(st.tuples(st.floats(1e3, 1e6), st.one_of(st.none(), st.floats(0, 1e6))), min_size=1, max_size=6)


@given(WORKS)
def test_no_order_is_less_late(rows):
    """Of all orders of up to six fields none has a smaller greatest lateness (Jackson 1955)."""
    works = [Work(str(n), left, closes) for n, (left, closes) in enumerate(rows)]

    def worst(order):
        clock, late = 0.0, 0.0
        for work in order:
            clock += work.left / 5.0 * 24 / 10
            late = max(late, 0.0 if work.closes is None else clock - work.closes)
        return late

    ours = [slot.work for slot in scheduled(works, 5.0, 0.0)]
    assert worst(ours) <= min(map(worst, itertools.permutations(works))) + 1e-6


def test_a_field_that_is_done_is_not_in_the_list():
    """What lacks nothing is left out; what closes nothing comes last, the least first."""
    works = [Work("done", 0.0, 5.0), Work("big", 9.0), Work("small", 1.0), Work("soon", 5.0, 3.0)]
    assert [slot.work.name for slot in scheduled(works, 1.0, 0.0)] == ["soon", "small", "big"]
    with pytest.raises(ValueError):
        scheduled(works, 0.0, 0.0)


def test_hours_a_day_stretch_the_days():
    """Eleven hours of work begun at midnight, ten a day: done after 26.4 h, an hour late after a day."""
    (slot,) = scheduled([Work("Home North", 11.0, 86400.0)], 1 / 3600, 0.0)
    assert slot.ends == pytest.approx(26.4 * 3600)
    assert slot.late == pytest.approx(3600)


@given(until=st.floats(0, 1e5), left=st.floats(1, 1e6), needs=st.floats(10, 1e5))
def test_what_is_left_at_rain_and_what_is_done_make_the_whole(until, left, needs):
    """At the likely pace, work done till then and work left add up; nothing is left after the end."""
    rest = left_at(until, 0.0, left, Finish(needs, needs, needs))
    assert rest == pytest.approx(max(0.0, left - left / needs * until), abs=1e-6)


@given(hits=st.integers(0, 60), other=st.integers(0, 60), area=st.floats(1, 500), more=st.floats(1, 500))
def test_the_chance_is_scipy_s(hits, other, area, more):
    """The two-sided exact chance equals scipy.stats.binomtest on the same hits."""
    found = compare(hits, area, other, more)
    if hits + other == 0:
        assert found.ratio is None and not found.tells
        return
    from scipy.stats import binomtest  # here: all workers load this module, one runs the test

    expected = binomtest(hits, hits + other, area / (area + more)).pvalue
    assert found.chance == pytest.approx(expected, rel=1e-6)


def test_few_hits_do_not_tell():
    """Three stones on once-rolled ground and one on as much twice-rolled ground say nothing (chance
    0.625 = 10/16 by Pascal's triangle); no other sharing of four hits does, either."""
    assert compare(3, 100.0, 1, 100.0).chance == pytest.approx(10 / 16)
    assert compare(0, 100.0, 0, 50.0) == ComparisonResult(None, 1.0, False)
    assert not any(compare(k, 100.0, 4 - k, 100.0).tells for k in range(5))
    assert compare(6, 100.0, 0, 100.0).tells  # 2/64


def test_hits_without_ground_are_a_mistake():
    """No area, or fewer than no hits, has no rate."""
    for wrong in ((1, 0.0, 1, 1.0), (-1, 1.0, 1, 1.0)):
        with pytest.raises(ValueError):
            compare(*wrong)
