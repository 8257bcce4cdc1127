"""Where the tool is foretold to go: a smoothed course, a towed tool's own way, and the way out."""

import numpy as np
import pytest

from cabapp.counting.job_count import JobCount
from cabapp.counting.look_ahead import _tool_course
from cabapp.geometry.plane import Plane
from cabapp.track.course import Course
from cabapp.track.pose import Pose
from cabapp.track.tool import ToolGeometry
from cabapp.track.towing import tool_heading
from cabapp.track.work_switches import WorkSwitch

PLANE = Plane(50.0, -105.0)


@pytest.fixture
def pose():
    """Return a function that makes a pose heading north, its tool's middle behind the antenna."""

    def make(heading=np.pi / 2, tool=None, behind=10.0, reversing=False):
        tool = heading if tool is None else tool
        x, y = -behind * np.cos(tool), -behind * np.sin(tool)
        out = 6.0 * np.array([-np.sin(tool), np.cos(tool)])
        ends = (x + out[0], y + out[1]), (x - out[0], y - out[1])
        return Pose(0.0, 0.0, heading, tool, *ends, 2.5, 0.0, reversing, 0.0)

    return make


@pytest.fixture
def job():
    """Return a function that makes a job of finished lanes (x, from y, to y, times) in a field."""

    def make(lanes, field=None):
        made = JobCount(field, 2, 0.25, (50.0, -105.0))
        for n, (x, low, high, passes) in enumerate(lanes):
            y = np.arange(low, high, 2.5)
            lat, lon = PLANE.to_latlon(np.column_stack([np.full(len(y), x), y]))
            for k in range(passes):
                start = 10_000.0 * n + 1000.0 * k
                switches = [WorkSwitch(start - 1, True)]
                made.add_stint(
                    f"{n} {k}", start, ToolGeometry(12.0), start + np.arange(len(y)), lat, lon, None, switches
                )
        return made

    return make


def follow(made, xy, tool):
    """Drive along places a second apart and return what lay ahead at each from the tenth on."""
    lat, lon = PLANE.to_latlon(xy)
    made.begin("live", 9e5, tool)
    made.switch(WorkSwitch(9e5 - 1, True))
    out = []
    for n, (a, b) in enumerate(zip(lat, lon)):
        made.add_fixes(9e5 + n, a, b)
        if n >= 10:
            out.append(made.ahead(6.0))
    return out


def rectangle(west, south, east, north):
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    lat, lon = PLANE.to_latlon(np.array(ring, float))
    return {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}


def test_a_circle_s_curvature_and_tangent_are_found(pose):
    """Fixes on a circle of 100 m radius: 1/100 m to the left within 2 %, tangent within 0.2 degree."""
    angle = np.arange(7) * 2.5 / 100
    course = Course()
    course.feed(np.arange(7.0), 100 * np.column_stack([np.cos(angle), np.sin(angle)]))
    steady = course.steady(pose(np.pi / 2 + angle[-1]))
    assert steady.curvature == pytest.approx(0.01, rel=0.02)
    assert steady.heading == pytest.approx(np.pi / 2 + angle[-1], abs=np.deg2rad(0.2))


def test_a_turn_just_over_is_soon_forgotten(pose):
    """Four seconds after a turn of 10 m radius no curve is left, though the last 6 s still have it."""
    angle = np.linspace(0, np.pi / 2, 8)[:-1]
    turn = 10 * np.column_stack([np.cos(angle) - 1, np.sin(angle) - 1])
    straight = np.column_stack([np.full(5, -10.0), np.zeros(5)]) - np.outer(np.arange(5), [2.2, 0])
    course = Course()
    course.feed(np.arange(12.0), np.concatenate([turn, straight]))
    assert abs(course.steady(pose(np.pi)).curvature) < 1e-3


def test_without_enough_fixes_or_in_reverse_the_pose_is_left_as_it_is(pose):
    """Two fixes, and a tractor backing, have no course of their own."""
    course = Course()
    assert course.calm(pose()) == pose() and course.steady(pose()) == pose()
    course.feed(np.arange(2.0), np.array([[0.0, 0.0], [0.0, 2.5]]))
    assert course.steady(pose()) == pose()
    course.feed(np.arange(2.0, 9.0), np.column_stack([np.zeros(7), 2.5 * np.arange(2, 9)]))
    assert course.steady(pose(reversing=True)) == pose(reversing=True)


@pytest.mark.parametrize("curvature", [0.0, 0.01])
def test_a_towed_tool_turns_as_the_towing_equation_says(pose, curvature):
    """The tool 10 degrees off the tractor, straight on or in a curve: within half a degree of the
    off-tracking equation integrated in small steps (see `trail`)."""
    here = pose(np.pi / 2, np.pi / 2 - np.deg2rad(10))
    here = Pose(**{**here.__dict__, "curvature": curvature})
    middle = (np.array(here.left) + np.array(here.right)) / 2
    along = np.arange(0.5, 20.0, 0.5)
    length = -middle @ (0.0, 1.0)
    # the hitch goes ahead of the tool by cos(angle between them): 1.5 % at the start, then less
    step = np.full(400, 0.05)
    way = np.pi / 2 + curvature * np.cumsum(step)
    psi = tool_heading(here.tool_heading, way, step, np.ones(400), np.zeros(401), length)[1:]
    expected = np.interp(along, np.cumsum(step), psi)
    assert _tool_course(here, middle, along) == pytest.approx(expected, abs=np.deg2rad(0.5))


def test_noise_of_a_receiver_is_not_taken_for_a_curve(job):
    """3 cm of noise on each fix of a clean half-lap beside finished ground: never more than 1 m of
    12 seems about to run over it. The last two chords alone would have it 3 m off in 6 s."""
    rng = np.random.default_rng(4)
    y = np.arange(0, 200, 2.5)
    xy = np.column_stack([np.full(len(y), 12.0), y]) + rng.normal(0, 0.03, (len(y), 2))
    seen = follow(job([(0.0, -20, 260, 2)]), xy, ToolGeometry(12.0, 7.0, 2.0))
    assert max(ahead.over_width for ahead in seen) <= 1.0


def test_finished_ground_far_ahead_counts_only_where_it_is_much(job):
    """A block right across is told 5 s ahead; 2 m of a strip's end that far ahead is not, until it
    lies under half of the way."""
    y = np.arange(0.0, 120.0, 2.5)
    xy = np.column_stack([np.zeros(len(y)), y])
    block = follow(job([(0.0, 100, 200, 2)]), xy, ToolGeometry(12.0))
    first = next(n for n, ahead in enumerate(block) if ahead.over_width > 4) + 10
    assert y[first] + 5 * 2.5 <= 100
    strip = follow(job([(10.0, 100, 200, 2)]), xy, ToolGeometry(12.0))
    first = next(n for n, ahead in enumerate(strip) if ahead.over_width > 0) + 10
    assert 100 - 0.6 * 20 <= y[first] <= 100
    assert max(ahead.over_width for ahead in strip) == pytest.approx(2.0, abs=0.51)


def test_out_of_the_field_is_no_way_out(job):
    """In the last strip, 7 m wide beside finished ground, there is nowhere to move; in a field that
    goes on there is."""
    y = np.arange(0.0, 100.0, 2.5)
    xy = np.column_stack([np.full(len(y), 7.0), y])  # from 1 to 13, finished to 6, edge at 13
    narrow = follow(job([(0.0, -20, 200, 2)], rectangle(-50, -20, 13, 200)), xy, ToolGeometry(12.0))
    wide = follow(job([(0.0, -20, 200, 2)], rectangle(-50, -20, 80, 200)), xy, ToolGeometry(12.0))
    assert {ahead.move_side for ahead in narrow} == {0}
    assert {ahead.move_side for ahead in wide} == {1}
    assert narrow[0].over_width == pytest.approx(5.0, abs=0.51)


def test_leaving_a_finished_headland_asks_for_nothing(job):
    """Straight on across the last 10 m of finished ground, bare beyond: it is being left, and only the
    strip's picture shows threes. Where it goes on to the end of the way it counts at once."""
    y = np.arange(60.0, 90.0, 2.5)
    xy = np.column_stack([np.zeros(len(y)), y])
    leaving = follow(job([(0.0, -20, 100, 2)]), xy, ToolGeometry(12.0))[-1]
    staying = follow(job([(0.0, -20, 140, 2)]), xy, ToolGeometry(12.0))[-1]
    assert leaving.over_width == 0 and leaving.strip == (3,) * 12
    assert staying.over_width == pytest.approx(12.0, abs=0.01)
