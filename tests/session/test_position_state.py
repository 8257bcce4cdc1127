"""Whether we know where we are, whose time it is, and how steadily she laps."""

import pytest

from cabapp.position.fix import Fix
from cabapp.session.state.position_state import PositionState, sigma_of

HERE = {"lat": 47.0, "lon": -30.0}


def test_no_receiver_is_never_lost():
    """Without a receiver there is nothing to lose: "none", and no time since."""
    where = PositionState(receiver=False)
    assert (where.state(1e9, 12.0), where.lost_since(1e9)) == ("none", None)
    assert where.here(1e9) == (None, None)


def test_lost_after_three_seconds_and_back_with_the_next_fix():
    """2.9 s is a hiccup, 3.1 s is lost since the last fix; one fix brings it back."""
    where = PositionState(receiver=True)
    assert where.state(99.0, 12.0) == "lost"
    where.add_fix(Fix(100.0, sigma=0.1, **HERE), 100.0)
    assert where.state(102.9, 12.0) == "good"
    assert (where.state(103.1, 12.0), where.lost_since(103.1)) == ("lost", 100.0)
    where.add_fix(Fix(104.0, sigma=0.1, **HERE), 104.0)
    assert (where.state(104.0, 12.0), where.lost_since(104.0)) == ("good", None)


def test_poor_means_that_a_lap_cannot_be_judged():
    """2.33 sigma over a third of the tool is poor: 1.7 m for 12 m, not for 18 m."""
    where = PositionState(receiver=True)
    where.add_fix(Fix(100.0, sigma=1.8, **HERE), 100.0)
    assert (where.state(100.0, 12.0), where.state(100.0, 18.0)) == ("poor", "good")


def test_an_error_not_stated_is_assumed_from_the_quality():
    """RTK is trusted more than a single fix, and a bad HDOP makes either worse."""
    single, rtk = Fix(0.0, quality=1, **HERE), Fix(0.0, quality=4, **HERE)
    assert sigma_of(rtk) < sigma_of(single)
    assert sigma_of(Fix(0.0, quality=1, hdop=4.0, **HERE)) == 4 * sigma_of(single)


@pytest.mark.parametrize("ahead", [-3600.0, -30.0, 30.0])
def test_taps_take_the_receiver_s_time_when_the_tablet_s_clock_is_wrong(ahead):
    """Seconds to hours apart: what a tap is dated by is the time the trace has."""
    where = PositionState(receiver=True)
    for k in range(30):
        where.add_fix(Fix(1e6 + k + ahead, **HERE), 1e6 + k)
    assert where.time(1e6 + 29.5) == pytest.approx(1e6 + 29.5 + ahead)


def test_a_replay_that_hands_out_old_fixes_does_not_shift_the_time():
    """Fixes up to 12 s old, as at 60 times the speed, and a gap: the clock is left alone."""
    where = PositionState(receiver=True)
    for batch in (12, 24, 36):
        for k in range(batch - 12, batch):
            if not 28 <= k < 34:
                where.add_fix(Fix(1e6 + k, **HERE), 1e6 + batch - 1)
    assert where.time(1e6 + 35.0) == 1e6 + 35.0


def test_time_is_never_before_the_newest_fix():
    """Half a second behind the receiver: a tap is dated by the fix before it."""
    where = PositionState(receiver=True)
    where.add_fix(Fix(1e6 + 0.5, **HERE), 1e6)
    assert where.time(1e6) == 1e6 + 0.5
