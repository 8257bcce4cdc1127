"""Which fixes are believed: by place, time, speed, acceleration and stated error."""

import numpy as np
import pytest

from cabapp.track.fixes.filter import OFF_COURSE, SPIKE, TIME_STANDS, FixFilter
from cabapp.track.usable_fixes import WRONG_DATE, usable_fixes

DAY = 86400.0
YEAR_2024 = 1_704_067_200.0


def rows_of(t, xy, sigma=0.0):
    out = np.empty((len(t), 4))
    out[:, 0], out[:, 1:3], out[:, 3] = t, xy, sigma
    return out


def straight(n=40, hertz=1.0, speed=3.0):
    t = np.arange(n) / hertz
    return t, np.column_stack([t * speed, np.zeros(n)])


def filtered(rows):
    one = FixFilter(5.0, 15.0)
    kept, breaks = one.feed(rows)
    one.flush()
    return kept, breaks, one.rejected


def test_one_fix_off_course_is_dropped_and_nothing_breaks():
    """4 m aside at 1 Hz with 2 cm stated: more than 3 m/s2 and 10 sigma make, so dropped."""
    t, xy = straight()
    xy[20, 1] += 4.0
    kept, breaks, rejected = filtered(rows_of(t, xy, 0.02))
    assert rejected == {OFF_COURSE: 1}
    assert len(kept) == 39 and 20.0 not in kept[:, 0]
    assert breaks.tolist() == [True] + [False] * 38


@pytest.mark.parametrize(("sigma", "aside", "dropped"), [
    (0.02, 2.9, 0), (0.02, 3.4, 1), (0.5, 7.5, 0), (0.5, 8.5, 1), (0.0, 12.5, 0), (0.0, 13.5, 1),
])  # fmt: skip
def test_the_limit_is_acceleration_and_ten_sigma(sigma, aside, dropped):
    """At 1 Hz 3 m + 10 sigma may be off; where none is stated sigma is taken for 1 m."""
    t, xy = straight(speed=1.0)
    xy[20, 1] += aside
    assert filtered(rows_of(t, xy, sigma))[2].get(OFF_COURSE, 0) == dropped


def test_a_receiver_that_jumps_and_stays_is_followed():
    """4 m aside for good (corrections came back) loses no fix and, below the speed limit, no stretch."""
    t, xy = straight()
    xy[20:, 1] += 4.0
    kept, breaks, rejected = filtered(rows_of(t, xy, 0.02))
    assert len(kept) == 40 and not rejected and breaks.sum() == 1
    xy[20:, 1] += 100.0
    kept, breaks, rejected = filtered(rows_of(t, xy, 0.02))
    assert len(kept) == 40 and not rejected
    assert np.flatnonzero(breaks).tolist() == [0, 20]


def test_hard_turns_and_stops_of_a_machine_are_believed():
    """A full-lock turn of 6 m radius at 3 m/s and braking at 2.5 m/s2 lose nothing, 2 cm stated."""
    for hertz in (1.0, 5.0, 10.0):
        t = np.arange(0, 40, 1 / hertz)
        speed = np.clip(np.minimum(3.0, 2.5 * (38.0 - t)), 0, None)
        angle = np.cumsum(speed) / hertz / 6.0
        xy = np.cumsum(speed[:, None] * np.column_stack([np.cos(angle), np.sin(angle)]), 0) / hertz
        noisy = xy + np.random.default_rng(1).normal(0, 0.02, xy.shape)
        assert not filtered(rows_of(t, noisy, 0.02))[2]


def test_a_jump_no_machine_makes_and_repeated_times_are_counted_by_reason():
    """300 m there and back is a spike; a time told twice, and one that runs back, stand still."""
    t, xy = straight()
    xy[10] += 300.0
    rows = rows_of(t, xy)
    rows = np.concatenate([rows[:20], rows[19:20], rows[15:16], rows[20:]])
    kept, _, rejected = filtered(rows)
    assert rejected == {SPIKE: 1, TIME_STANDS: 2}
    assert len(kept) == 39


def test_a_date_of_tomorrow_does_not_swallow_the_rest():
    """One fix dated a day and more on is dropped, and all after it are kept."""
    t, xy = straight()
    rows = rows_of(t, xy)
    ahead = rows[20:21] + np.array([3e8, 0, 0, 0])
    kept, breaks, rejected = filtered(np.concatenate([rows[:21], ahead, rows[21:]]))
    assert rejected == {WRONG_DATE: 1} and len(kept) == 40 and breaks.sum() == 1
    # the next day is believed, as a new stretch
    later = rows_of(t + 3 * DAY, xy)
    kept, breaks, rejected = filtered(np.concatenate([rows, later]))
    assert not rejected and np.flatnonzero(breaks).tolist() == [0, 40]


def test_a_rolled_over_week_count_is_told_by_the_other_fixes():
    """1024 weeks back before 2005, and a few a year on, are refused; a whole old trace is not.

    Weeks are counted modulo 1024 (gpsd, "NMEA Revealed"; roll-overs August 1999 and April 2019).
    """
    t = YEAR_2024 + np.arange(1000.0)
    lat, lon = np.full(1000, 50.0), np.full(1000, -105.0)
    t[:3] -= 1024 * 7 * DAY
    t[-2:] += 365 * DAY
    good = usable_fixes(t, lat, lon)
    assert good.reasons == {WRONG_DATE: 5}
    assert good.keep[3:-2].all()
    assert usable_fixes(t - 1024 * 7 * DAY, lat, lon).keep[3:-2].all()  # a logger wrong all day long
    assert usable_fixes(np.arange(10.0), lat[:10], lon[:10]).keep.all()  # only times of day were known
    two_days = np.concatenate([t[3:500], t[500:-2] + 2 * DAY])
    assert usable_fixes(two_days, lat[:995], lon[:995]).keep.all()


def test_in_a_stint_a_date_is_judged_by_its_start():
    """From a day before the stint began to a week after is a date; else it is none."""
    t = YEAR_2024 + np.array([-2 * DAY, -100.0, 0.0, 3 * DAY, 8 * DAY])
    found = usable_fixes(t, np.full(5, 50.0), np.full(5, -105.0), since=YEAR_2024)
    assert found.keep.tolist() == [False, True, True, True, False]
    assert found.reasons == {WRONG_DATE: 2}


@pytest.mark.parametrize("seed", range(120))
def test_any_batches_give_the_same(seed):
    """Wild traces: gaps, jumps, steps, equal and backward times, wrong dates; whole, cut or single."""
    random = np.random.default_rng(seed)
    n = 60
    steps = random.choice([0.1, 1, 6, -0.5, 0, 1e5, 2e5], n, p=[0.05, 0.8, 0.05, 0.03, 0.03, 0.02, 0.02])
    xy = np.cumsum(random.normal(0, 1, (n, 2)) * random.choice([0, 2, 20], (n, 1)) + [3, 0], 0)
    for at in random.integers(0, n, 4):
        xy[at] += random.choice([8.0, 30.0, 300.0])
    rows = rows_of(1000 + np.cumsum(steps), xy, random.choice([0.0, 0.02, 0.5], n))
    if seed % 3 == 0:
        rows[random.integers(n), 0] += 3e5
    whole = FixFilter(5.0, 15.0)
    kept, breaks = whole.feed(rows)
    assert len(kept) + sum(whole.rejected.values()) + (whole._held is not None) == n
    for cuts in (range(1, n), np.sort(random.integers(0, n, 4))):
        parts = FixFilter(5.0, 15.0)
        fed = [parts.feed(part) for part in np.split(rows, cuts)]
        assert np.array_equal(kept, np.concatenate([f[0] for f in fed]))
        assert np.array_equal(breaks, np.concatenate([f[1] for f in fed]))
        assert whole.rejected == parts.rejected


def test_a_long_trace_with_many_spikes_is_judged_quickly(monkeypatch):
    """Of 200,000 fixes with a thousand spikes only those near a spike are judged one by one."""
    n = 200_000
    t, xy = straight(n, 10.0)
    rows = rows_of(t, xy, 0.02)
    odd = np.random.default_rng(0).choice(n - 10, 1000, replace=False)
    rows[odd, 1] += 7.0
    judged = []
    judge = FixFilter._judge
    monkeypatch.setattr(FixFilter, "_judge", lambda *given: judged.append(1) or judge(*given))
    kept, _, rejected = filtered(rows)
    assert n - len(kept) == sum(rejected.values()) > 900
    assert len(judged) < 6 * len(odd)


@pytest.mark.parametrize(
    ("lat", "lon", "quality", "t"),
    [(91.0, 10.0, 4, 0.0), (-90.1, 10.0, 4, 0.0), (50.0, 180.1, 4, 0.0), (50.0, -181.0, 4, 0.0), (0.0, 0.0, 4, 0.0),
     (np.nan, 10.0, 4, 0.0), (50.0, np.nan, 4, 0.0), (50.0, 10.0, 0, 0.0), (50.0, 10.0, 4, -86401.0),
     (50.0, 10.0, 4, 7 * 86400.0 + 1)],
)  # fmt: skip
def test_one_bad_fix_is_rejected_also_alone_and_between_good_ones(lat, lon, quality, t):
    """Place, quality and date are each checked: alone, as live fixes come, and among others."""
    since = 1_780_000_000.0
    assert not usable_fixes([since + t], [lat], [lon], [quality], since).keep.any()
    three = usable_fixes([since, since + t, since], [50.0, lat, 0.0], [10.0, lon, 10.0], [4, quality, 1], since)
    assert three.keep.tolist() == [True, False, True] and sum(three.reasons.values()) == 1


def test_good_fixes_at_the_limits_are_kept():
    """The poles, the date line, the equator, a day before the stint and a week after it are places and times."""
    since = 1_780_000_000.0
    t = since + np.array([-86400.0, 0.0, 7 * 86400.0, 0.0, 0.0])
    found = usable_fixes(t, [90.0, -90.0, 0.0, 50.0, 50.0], [0.0, 180.0, -180.0, 0.0, 1.0], None, since)
    assert found.keep.all() and found.reasons == {}


@pytest.mark.parametrize(("metres", "kept"), [(39.9, 2), (40.1, 1)])
@pytest.mark.parametrize("errors", [(3.0, 4.0), (4.0, 3.0)])
def test_errors_of_both_fixes_widen_what_can_be_reached(errors, metres, kept):
    """15 m/s for 1 s and 5 times the root of 3 and 4 m squared: 40 m."""
    rows = np.array([(0.0, 0.0, 0.0, errors[0]), (1.0, metres, 0.0, errors[1])])
    assert len(FixFilter(5.0, 15.0).feed(rows)[0]) == kept
