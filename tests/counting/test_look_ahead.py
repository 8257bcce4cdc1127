"""What lies ahead: width, side, and the way out."""

import numpy as np
import pytest

from cabapp.counting.job_count import JobCount
from cabapp.geometry.plane import Plane
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

PLANE = Plane(50.0, -105.0)


def lane(x, start=0.0, stop=240.0, t0=0.0):
    y = np.arange(start, stop, 3.0)
    lat, lon = PLANE.to_latlon(np.column_stack([np.full(len(y), x), y]))
    return t0 + np.arange(len(y)) * 1.0, lat, lon


def job_with_lanes(*xs):
    job = JobCount(None, 2, 0.25, (50.0, -105.0))
    for n, x in enumerate(xs):
        t, lat, lon = lane(x, t0=1000.0 * n)
        job.add_stint(f"{n}", t[0], ToolGeometry(12.0), t, lat, lon, None, [WorkSwitch(t[0] - 1, True)])
    return job


def begin_at(job, x, upto):
    t, lat, lon = lane(x, stop=upto, t0=9000.0)
    job.begin("live", 9000.0, ToolGeometry(12.0))
    job.switch(WorkSwitch(8999.0, True))
    job.add_fixes(t, lat, lon)
    return job.ahead(6.0)


def test_a_clean_half_lap_leaves_twos_beside_ones_and_warns_of_nothing():
    """Half on once-covered ground, half on bare: left twos, right ones, nothing over."""
    ahead = begin_at(job_with_lanes(0.0), 6.0, 60.0)
    assert ahead.strip == (2,) * 6 + (1,) * 6
    assert ahead.over_width == 0 and ahead.move == 0 and ahead.distance == np.inf


def test_the_left_end_on_finished_ground_says_move_right_so_far():
    """With 3 m of the left end over ground done twice: 3 m, left, move right 3 m."""
    ahead = begin_at(job_with_lanes(0.0, 0.0), 9.0, 60.0)
    assert ahead.over_width == pytest.approx(3.0, abs=0.51)
    assert (ahead.side, ahead.move_side) == (-1, 1)
    assert ahead.move == pytest.approx(3.0, abs=0.51)
    assert ahead.strip[0] == 3 and ahead.strip[-1] == 1
    assert ahead.over[0] and not ahead.over[-1]


def test_right_is_right_whichever_way_one_drives():
    """Coming south beside the same finished lane, its ground is on the right."""
    job = job_with_lanes(0.0, 0.0)
    y = np.arange(240, 100, -3.0)
    lat, lon = PLANE.to_latlon(np.column_stack([np.full(len(y), 9.0), y]))
    job.begin("live", 9000.0, ToolGeometry(12.0))
    job.switch(WorkSwitch(8999.0, True))
    job.add_fixes(9000.0 + np.arange(len(y)), lat, lon)
    ahead = job.ahead(6.0)
    assert (ahead.side, ahead.move_side) == (1, -1)


def test_a_finished_lane_under_the_whole_tool_asks_for_its_whole_width():
    """On top of a finished lane the way out is one tool width, either way."""
    ahead = begin_at(job_with_lanes(0.0, 0.0), 0.0, 60.0)
    assert ahead.over_width == pytest.approx(12.0, abs=0.01)
    assert ahead.move == pytest.approx(12.0, abs=0.51)
    assert set(ahead.strip) == {3}


def test_ground_finished_far_ahead_is_seen_before_the_tool_gets_there():
    """A finished block that begins 12 m on is announced with its distance."""
    job = JobCount(None, 2, 0.25, (50.0, -105.0))
    for n in range(2):
        t, lat, lon = lane(0.0, start=75.0, t0=1000.0 * n)
        job.add_stint(f"{n}", t[0], ToolGeometry(12.0), t, lat, lon, None, [WorkSwitch(t[0] - 1, True)])
    ahead = begin_at(job, 0.0, 64.0)
    assert ahead.distance == pytest.approx(12.0, abs=1.01)
