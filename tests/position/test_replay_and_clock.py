"""A replay gives each fix once, when its time has come; clocks never go back."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabapp.common.clock import ManualClock, ReplayClock, WallClock
from cabapp.position.fix import Fix
from cabapp.position.recordings.replay_source import Replay


@given(times=st.lists(st.floats(0, 1000), max_size=30), polls=st.lists(st.floats(-10, 1100), max_size=20))
def test_every_fix_is_given_once_and_never_early(times, polls):
    """However it is polled, each fix comes once, in order, and not before its time."""
    replay = Replay([Fix(t, 52.0, -106.0) for t in times], "a drive")
    given_fixes = []
    for now in sorted(polls):
        batch = replay.poll(now)
        assert all(fix.t <= now for fix in batch)
        given_fixes += batch
    given_fixes += replay.poll(math.inf)
    assert [fix.t for fix in given_fixes] == sorted(times)
    assert replay.ended


def test_a_replay_knows_its_ends():
    """Start and end are the first and last fix; without fixes there is neither."""
    replay = Replay([Fix(11.0, 52.0, -106.0), Fix(10.0, None, None)], "a drive")
    assert (replay.starts, replay.ends) == (10.0, 11.0)
    assert (Replay([], "nothing").starts, Replay([], "nothing").ends) == (None, None)


def test_a_closed_replay_gives_nothing():
    """After closing, polling is harmless and empty."""
    replay = Replay([Fix(10.0, 52.0, -106.0)], "a drive")
    replay.close()
    assert replay.poll(100.0) == []


@pytest.mark.parametrize(
    ("t", "lat", "lon"), [(math.nan, 1.0, 1.0), (0.0, 1.0, None), (0.0, 91.0, 0.0), (0.0, 0.0, math.nan)]
)
def test_a_fix_that_cannot_be_is_a_mistake_of_the_caller(t, lat, lon):
    """A fix without time, with half a place or off the globe cannot be made."""
    with pytest.raises(ValueError):
        Fix(t, lat, lon)


def test_the_replay_clock_changes_speed_without_a_jump():
    """At 60 times the wall's pace a second is a minute, and setting the pace moves nothing."""
    wall = [0.0]
    clock = ReplayClock(1000.0, speed=2.0, wall=lambda: wall[0])
    wall[0] = 5.0
    assert clock.now() == 1010.0
    clock.speed = 60
    assert clock.now() == 1010.0
    wall[0] = 6.0
    assert (clock.now(), clock.speed) == (1070.0, 60.0)


@pytest.mark.parametrize("speed", [0, 0.5, 61, math.nan])
def test_the_replay_clock_has_limits(speed):
    """Slower than the wall, or more than 60 times as fast, is refused and changes nothing."""
    with pytest.raises(ValueError):
        ReplayClock(0.0, speed=speed)
    clock = ReplayClock(0.0, wall=lambda: 0.0)
    with pytest.raises(ValueError):
        clock.speed = speed
    assert clock.speed == 1.0


def test_a_clock_moved_by_hand_does_not_go_back():
    """Only forward, and by exactly so much."""
    clock = ManualClock(10.0)
    clock.advance(2.5)
    assert clock.now() == 12.5
    with pytest.raises(ValueError):
        clock.advance(-1.0)


def test_the_wall_clock_is_the_systems():
    """Two readings in a row do not go back and lie after this program was written."""
    first, second = WallClock().now(), WallClock().now()
    assert 1.7e9 < first <= second
