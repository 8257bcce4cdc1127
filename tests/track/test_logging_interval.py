"""One gap rule for every way in: by how often the logger writes."""

import numpy as np
import pytest

from cabapp.counting.job_count import JobCount
from cabapp.geometry.plane import Plane
from cabapp.track.logging_interval import LoggingInterval, break_limit, interpolation_error, logging_interval
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

PLANE = Plane(50.0, -105.0)
WIDTH = 12.0


def job():
    return JobCount(None, 1, centre=(50.0, -105.0))


@pytest.mark.parametrize(("interval", "jitter"), [(0.05, 0.01), (1.0, 0.02), (2.0, 0.02), (5.0, 0.3), (6.0, 0.0),
                                                   (10.0, 1.0), (15.0, 0.5)])  # fmt: skip
def test_the_interval_is_the_median_step_and_grows_the_same_one_by_one(interval, jitter):
    """NumPy's median within half a step of 0.05 s, whatever pauses and repeated times there are between."""
    random = np.random.default_rng(1)
    t = 1.78e9 + np.cumsum(interval + random.uniform(-jitter, jitter, 401))
    t[200:] += 3600.0
    t = np.insert(t, 100, t[99])
    found = LoggingInterval()
    for one in t:
        found.add_one(float(one))
    steps = np.diff(t)
    assert found.interval == logging_interval(t) == pytest.approx(np.median(steps[steps > 0]), abs=0.026)


@pytest.mark.parametrize(("interval", "jitter"), [(5.0, 0.3), (6.0, 0.0), (10.0, 0.0), (15.0, 0.5)])
def test_a_slow_logger_is_a_recording_like_any_other(interval, jitter):
    """Straight on at 3 m/s with one fix each 5 to 15 s: all of it is covered, whole and live, and nothing unknown."""
    random = np.random.default_rng(2)
    t = 1.78e9 + np.cumsum(interval + random.uniform(-jitter, jitter, 80))
    lat, lon = PLANE.to_latlon(np.column_stack([0 * t, 3.0 * (t - t[0])]))
    on = WorkSwitch(t[0] - 1, True)
    whole, live = job(), job()
    path = whole.add_stint("a", t[0], ToolGeometry(WIDTH), t, lat, lon, switches=[on])
    live.begin("a", t[0], ToolGeometry(WIDTH))
    live.switch(on)
    for one in zip(t, lat, lon):
        live.add_fixes(*one)
    live.end()
    assert path.unknown == []
    assert whole.area_totals().covered == pytest.approx(WIDTH * 3.0 * (t[-1] - t[0]), rel=1e-3)
    (one,), (other,) = whole.pieces(), live.pieces()
    assert (one.quad == other.quad).all() and (one.s1 == other.s1).all()
    assert (whole.grid.counts == live.grid.counts).all()


def test_a_missing_fix_of_a_slow_logger_is_no_gap_and_three_are():
    """With a fix each 10 s 20 s are filled, and 40 s are unknown ground."""
    t = 1.78e9 + np.delete(np.arange(0.0, 800.0, 10.0), [20, 40, 41, 42])
    lat, lon = PLANE.to_latlon(np.column_stack([0 * t, 3.0 * (t - t[0])]))
    made = job()
    path = made.add_stint("a", t[0], ToolGeometry(WIDTH), t, lat, lon, switches=[WorkSwitch(t[0] - 1, True)])
    assert [one.end - one.begin for one in path.unknown] == [40.0]
    assert break_limit(logging_interval(t)) == 25.0


@pytest.mark.parametrize(("interval", "all_of_it", "turns"), [(2, 0.021, 0.085), (3, 0.032, 0.174), (5, 0.066, 0.455),
    (7, 0.107, 0.786), (10, 0.182, 1.456), (12, 0.224, 1.994), (15, 0.314, 2.799)])  # fmt: skip
def test_the_error_of_what_is_filled_in_is_the_measured_one(interval, all_of_it, turns):
    """Root mean squares found by thinning a recorded seeding (OFPEDATA, 2.5 m/s), within a fifth."""
    assert interpolation_error(interval, 2.5) == pytest.approx(all_of_it, rel=0.2)
    assert interpolation_error(interval, 2.5, turning=True) == pytest.approx(turns, rel=0.25)
