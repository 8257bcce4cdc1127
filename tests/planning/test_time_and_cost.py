"""Finish time, pursuit, fuel and capacity: small laws that must hold for any figures."""

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from cabapp.planning.capacity import field_capacity, field_efficiency, mean_speed
from cabapp.planning.cost import area_in_tank, fuel_per_pass_area
from cabapp.planning.finish_time import finish_time, paces
from cabapp.planning.fuel_use import fuel_rate
from cabapp.planning.pursuit import (
    backlog_at_its_end,
    holding_speed,
    time_to_catch,
    time_to_spare,
    wait_to_finish_together,
)

RATE = st.floats(0.5, 50)


def test_a_steady_pace_finishes_when_division_says():
    """At 10 m²/s without spread, 36 000 m² take an hour, early and late alike."""
    end = finish_time(1000.0, 36_000, [10.0] * 6)
    assert (end.early, end.likely, end.late) == (4600.0, 4600.0, 4600.0)


@given(left=st.floats(0, 1e6), pace=st.lists(RATE, min_size=3, max_size=20))
def test_early_likely_late_stand_in_order(left, pace):
    """The range is a range, and starts no sooner than now."""
    end = finish_time(0.0, left, pace)
    assert 0 <= end.early <= end.likely <= end.late


@pytest.mark.parametrize("pace", [[], [10.0, 10.0], [0.0, 0.0, 0.0, 5.0]])
def test_too_little_known_says_nothing(pace):
    """Fewer than three spans, or mostly standing, gives no time rather than a wrong one."""
    assert finish_time(0.0, 1000.0, pace) is None


def test_a_stop_in_every_tenth_span_cannot_tell_how_late():
    """When the slow end of the pace is standing still, late is endless, not a guess."""
    assert finish_time(0.0, 1000.0, [0.0, 0.0, 5.0, 5.0, 5.0]).late == np.inf
    assert finish_time(7.0, 0.0, [0.0, 0.0, 5.0, 5.0, 5.0]).late == 7.0


@given(steps=st.lists(st.floats(0, 100), min_size=2, max_size=50))
def test_paces_add_up_to_the_ground_covered(steps):
    """Whole spans hold all the ground between their first and last edge."""
    t = np.arange(len(steps)) * 300.0
    done = np.cumsum(steps)
    found = paces(t, done)
    first = t[-1] - 600.0 * len(found)
    assert found.sum() * 600 == pytest.approx(done[-1] - np.interp(first, t, done), abs=1e-6)


def test_no_trace_has_no_pace():
    """One moment, or less than one span, gives no pace."""
    assert len(paces([0.0], [0.0])) == len(paces([0.0, 599.0], [0.0, 1.0])) == 0


@given(lead=st.floats(0, 1e6), own=RATE, other=RATE)
def test_catching_up_is_when_both_have_done_the_same(lead, own, other):
    """At the time named, ours equals the lead and what the other did since; slower never catches."""
    seconds = time_to_catch(lead, own, other)
    if own <= other and lead > 0:
        assert seconds is None
        return
    assert own * seconds == pytest.approx(lead + other * seconds, rel=1e-6, abs=1e-6)


def followed(lead, left, own, other, wait, step=1.0):
    """Drive both on second by second, we after a wait; return when each ends and the greatest
    shortfall of ground ahead of us, and what is not done when the other ends."""
    seeded, done, total, t = lead, 0.0, lead + left, 0.0
    ended, behind = None, None
    while done < total - 1e-6 and t < 1e6:
        seeded = min(total, seeded + other * step)
        if t >= wait:
            done = min(seeded, done + own * step)
        t += step
        if ended is None and seeded >= total - 1e-6:
            ended, behind = t, total - done
    return ended, t, behind


@given(
    lead=st.floats(0, 2e4), left=st.floats(1e4, 1e5), own=st.floats(5, 30), other=st.floats(3, 30),
)  # fmt: skip
@example(lead=0.0, left=43200.0, own=7.0, other=3.2)
@example(lead=0.0, left=43200.0, own=5.0, other=3.2)
def test_spare_time_and_backlog_agree_with_a_drive(lead, left, own, other):
    """Driven second by second: after the time to spare both end together (to two seconds) and without
    waiting, what is left when the other ends is the backlog named."""
    spare = time_to_spare(lead, left, own, other)
    ended, ours, _ = followed(lead, left, own, other, spare)
    if spare > 0:
        assert ours == pytest.approx(ended, abs=3.0)
    _, _, behind = followed(lead, left, own, other, 0.0)
    assert behind == pytest.approx(backlog_at_its_end(lead, left, own, other), abs=3 * (own + other))


@given(area=st.floats(1, 1e6), own=RATE, other=RATE)
def test_starting_late_finishes_together(area, own, other):
    """After the wait both end in the same moment; a slower follower has nothing to wait for."""
    wait = wait_to_finish_together(area, own, other)
    if own <= other:
        assert wait == 0
    else:
        assert wait + area / own == pytest.approx(area / other)


@given(speed=st.floats(0.5, 5), own=RATE, other=RATE)
def test_the_holding_speed_never_catches_up(speed, own, other):
    """At the speed that holds the lead our rate is the other's."""
    held = holding_speed(speed, own, other)
    assert own * held / speed == pytest.approx(other)
    assume(own * held / speed <= other)
    assert time_to_catch(1.0, own * held / speed, other) is None


def test_rates_that_cannot_be():
    """A rate of nothing has no answer."""
    with pytest.raises(ValueError):
        wait_to_finish_together(1.0, 0.0, 1.0)
    with pytest.raises(ValueError):
        holding_speed(1.0, 0.0, 1.0)


@given(litres=st.floats(1, 500), area=st.floats(1e3, 1e6))
def test_a_full_tank_covers_what_it_took(litres, area):
    """What was filled for an area lasts for that area again."""
    use = fuel_per_pass_area(litres, area)
    assert area_in_tank(litres, use) == pytest.approx(area)
    assert area_in_tank(litres, use, reserve=litres + 1) == 0


def test_unknown_fuel_stays_unknown():
    """No ground covered, or no use known, gives no figure."""
    assert fuel_per_pass_area(10.0, 0.0) is None
    assert area_in_tank(100.0, None) is None


@given(speed=st.floats(0.1, 10), width=st.floats(1, 60), efficiency=st.floats(0.01, 1))
def test_efficiency_undoes_capacity(speed, width, efficiency):
    """An hour at a capacity gives back the efficiency it was reckoned with."""
    area = field_capacity(speed, width, efficiency) * 3600
    assert field_efficiency(area, speed, width, 3600) == pytest.approx(efficiency)


def test_nothing_driven_has_no_speed_and_no_efficiency():
    """Where no time passed there is no speed, and an impossible share is a mistake."""
    assert mean_speed(10.0, 0.0) is None
    assert field_efficiency(0.0, 0.0, 10.0, 60.0) is None
    with pytest.raises(ValueError):
        field_capacity(1.0, 1.0, 1.1)


@pytest.mark.parametrize("load", [0, -0.1, 1.01, float("nan")])
def test_a_load_beyond_the_tractor_is_a_mistake(load):
    """The formulas hold for a share above 0 and up to 1."""
    with pytest.raises(ValueError):
        fuel_rate(1e5, load)
