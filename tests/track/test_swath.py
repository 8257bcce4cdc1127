"""Forward or backward, working or not: which chords of a path sweep ground."""

import numpy as np
import pytest

from cabapp.track.fixes.filter import TIME_STANDS
from cabapp.track.swath import MachineLimits, SwathBuilder
from cabapp.track.swept_ground import TICK, SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import SwitchTimeline, WorkSwitch

TOOL = ToolGeometry(6.0)


def straight(*legs, hertz=1.0):
    """Return places (n, 2) along y of legs (m, m/s), one after the other; below 0 m is backward."""
    y = [np.zeros(1)]
    for metres, speed in legs:
        steps = round(abs(metres) / speed * hertz)
        y.append(y[-1][-1] + np.arange(1, steps + 1) * metres / steps)
    y = np.concatenate(y)
    return np.column_stack([np.zeros(len(y)), y])


def credited(xy, hertz=1.0):
    """Return metres of path credited with sweeping ground, and the pose at the last fix."""
    builder = SwathBuilder(TOOL)
    t = 1000.0 + np.arange(len(xy)) / hertz
    first = builder.feed(t, xy, [WorkSwitch(999.0, True)])
    pose = builder.pose
    pieces = SweptPieces.join([first, builder.finish()], builder.leave)
    return float((pieces.s1 - pieces.s0).sum() * TICK), pose


@pytest.mark.parametrize("hertz", [1.0, 5.0])
@pytest.mark.parametrize(
    ("legs", "least", "most"),
    [
        (((46.5, 1.55),), 46.4, 46.6),
        # slowly back over 9 m and on again: what is backed is not credited
        (((46.5, 1.55), (-9.3, 1.55), (46.5, 1.55)), 91, 95),
        # a fast change of direction is no reversing: all of it counts, and the curve between
        (((45, 3.0), (-9, 3.0), (45, 3.0)), 98.5, 112),
        # slow on one side of the cusp is enough: braking before it, speeding up after it
        (((45, 3.0), (-9.3, 1.55), (45, 3.0)), 86, 92),
    ],
)
def test_a_slow_cusp_is_reversing_and_a_fast_one_is_not(legs, least, most, hertz):
    """Below 1.6 m/s on either side a cusp changes the gear (the limit of `MachineLimits`)."""
    assert least <= credited(straight(*legs, hertz=hertz), hertz)[0] <= most


def test_a_stint_that_begins_backward_is_forward_again_when_it_drives_off():
    """Backing 6 m and driving off at 3 m/s: all the way forward is credited."""
    got, pose = credited(straight((-6, 1.0), (60, 3.0)))
    assert 60 <= got <= 72
    assert pose.heading == pytest.approx(np.pi / 2) and not pose.reversing


def test_nobody_backs_more_than_20_metres():
    """After 20 m of backing it was no reversing: the rest of 50 m counts, and the nose is south."""
    got, pose = credited(straight((46.5, 1.55), (-49.6, 1.55)))
    assert got == pytest.approx(46.5 + 49.6 - 20, abs=4)
    assert pose.heading == pytest.approx(-np.pi / 2) and not pose.reversing


def test_a_standstill_at_the_cusp_changes_nothing():
    """Standing for 30 s before and after backing gives what it gives without standing."""
    legs = straight((46.5, 1.55)), straight((-9.3, 1.55))[1:], straight((46.5, 1.55))[1:]
    stand, end = np.zeros((30, 2)), np.array([0, 46.5])
    back, on = end + legs[1], end - (0, 9.3) + legs[2]
    plain = credited(np.concatenate([legs[0], back, on]))
    stood = credited(np.concatenate([legs[0], end + stand, back, back[-1] + stand, on]))
    assert stood[0] == pytest.approx(plain[0], abs=0.1)
    assert plain[0] == pytest.approx(93, abs=2) and not stood[1].reversing


def test_while_it_backs_the_pose_is_reversing_and_faces_forward():
    """In the middle of backing the nose still points north."""
    _, pose = credited(straight((46.5, 1.55), (-9.3, 1.55)))
    assert pose.reversing
    assert pose.heading == pytest.approx(np.pi / 2)
    assert pose.speed == pytest.approx(1.55, rel=0.01)


@pytest.mark.parametrize(("degrees", "reverses"), [(80, False), (95, False), (105, True), (170, True)])
def test_a_cusp_is_sharper_than_100_degrees(degrees, reverses):
    """A slow corner of 95 degrees is a turn, one of 105 a change of gear."""
    angle = np.pi / 2 + np.radians(degrees)
    leg = np.arange(1, 6)[:, None] * 1.55 * np.array([np.cos(angle), np.sin(angle)])
    first = straight((15.5, 1.55))
    builder = SwathBuilder(TOOL)
    xy = np.concatenate([first, first[-1] + leg])
    builder.feed(1000.0 + np.arange(len(xy)), xy)
    assert builder.pose.reversing == reverses


def test_two_fixes_are_a_pose():
    """One chord gives its own direction, speed, and the tool square to it, 3 m to either side."""
    builder = SwathBuilder(TOOL)
    builder.feed([1000.0], [[0.0, 0.0]])
    assert builder.pose is None
    builder.feed([1001.0], [[3.0, 0.0]])
    pose = builder.pose
    assert (pose.x, pose.y, pose.heading, pose.curvature, pose.speed) == (3.0, 0.0, 0.0, 0.0, 3.0)
    assert pose.left == pytest.approx((3.0, 3.0)) and pose.right == pytest.approx((3.0, -3.0))


def test_a_tool_that_cannot_be_is_refused():
    """A tool, its hitching and its sections have limits; sections together are the width."""
    assert ToolGeometry(12.0, side=1.0).intervals((True, True, False)) == ((5.0, -3.0),)
    for wrong in ({"width": 0.0}, {"width": 200.0}, {"hitch": -0.1}, {"hitch": 100.0}, {"side": 100.0},
                  {"antenna_to_hitch": -20.0}, {"antenna_to_hitch": 50.0}, {"sections": (3.0, 2.0)},
                  {"sections": (7.0, -1.0)}, {"sections": (0.06,) * 100}):  # fmt: skip
        with pytest.raises(ValueError, match=r"(is|are) not a"):
            ToolGeometry(**({"width": 6.0} | wrong))


def test_switches_tell_when_the_tool_worked():
    """From 10 to 20 s all of it, from 20 to 30 s with the left wing up, then not."""
    timeline = SwitchTimeline(ToolGeometry(12.0))
    for one in (WorkSwitch(10.0, True), WorkSwitch(20.0, True, (False, True, True)), WorkSwitch(30.0, False)):
        timeline.add(one)
    assert timeline.worked(0.0, 40.0) == [(10.0, 20.0), (20.0, 30.0)]
    assert timeline.worked(12.0, 15.0) == [(12.0, 15.0)] and timeline.worked(31.0, 40.0) == []
    assert timeline.between(10.0, 30.0) == [20.0]
    which, ends = timeline.intervals(np.array([5.0, 15.0, 25.0, 35.0]))
    assert which.tolist() == [1, 2] and ends.tolist() == [[6.0, -6.0], [2.0, -6.0]]
    with pytest.raises(ValueError, match="in order of time"):
        timeline.add(WorkSwitch(29.0, True))


def test_a_visit_ends_two_widths_on_unless_told_otherwise():
    """6 m of width: 12 m of path; or what the limits say."""
    assert SwathBuilder(TOOL).leave * TICK == 12
    assert SwathBuilder(TOOL, MachineLimits(leave=5.0)).leave * TICK == 5


@pytest.mark.parametrize(("step", "rejected"), [
    ({300: 0.0}, 0), ({300: -1.0}, 1), ({300: -0.5}, 0), ({300: -3.0}, 3), ({300: 2.0}, 0), ({100: -1.0, 101: 1.0}, 1),
    ({100: -1.0, 101: 1.0, 400: -1.0, 401: 1.0}, 2), ({100: 1.0, 101: -2.0, 102: 1.0}, 1),
])  # fmt: skip
def test_a_clock_that_steps_loses_no_ground(step, rejected):
    """A leap second, a time told twice, two fixes in the wrong order, steps of some seconds: covered or counted."""
    xy, t = straight((1800, 3.0)), 1000.0 + np.arange(601)
    for at, seconds in step.items():
        t[at:] += seconds
    builder = SwathBuilder(TOOL)
    pieces = SweptPieces.join([builder.feed(t, xy, [WorkSwitch(999.0, True)]), builder.finish()], builder.leave)
    assert float((pieces.s1 - pieces.s0).sum() * TICK) == pytest.approx(1800, abs=1.5)
    assert builder.used + rejected == 601 and builder.rejected == ({TIME_STANDS: rejected} if rejected else {})
