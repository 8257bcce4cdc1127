"""The receiver check: what it says, and what it says to do."""

import re

import numpy as np
import pytest

from cabapp.__main__ import main
from cabapp.position.calibration.side_offset_check import CheckRefused, opposite_runs, side_offset
from cabapp.position.fix import Fix
from cabapp.position.protocols.byte_decoder import TimedFix
from cabapp.position.receivers.receiver_report import assess
from cabapp.track.swath import SwathBuilder
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch


def heard(n, hz=5, **said):
    return [TimedFix(Fix(k / hz, 47.0, -30.0, **said), k / hz + 0.1) for k in range(n)]


@pytest.mark.parametrize(
    "recent, now, state, words, do",
    [
        (heard(300, sigma=0.22), 60.0, "good", "Good to about 2 ft between passes.", ""),
        (heard(300, quality=4), 60.0, "good", "Good to about 2 in between passes.", ""),
        (heard(300, quality=1, hdop=4.0), 60.0, "good", "Only good to about 29 ft between passes.", "Keep clear of trees"),
        (heard(300, sigma=0.2), 642.0, "absent", "I do not know where we are since 00:00.", "Plug the receiver in"),
        (heard(300, sigma=0.2), 642.0, "unused", "I do not know where we are since 00:00.", "Choose a receiver"),
        (heard(300, sigma=0.2), 642.0, "strange", "I do not know where we are since 00:00.", "NMEA 0183"),
        ([], 60.0, "blind", "I do not know where we are.", "open sky"),
        ([], 60.0, "silent", "I do not know where we are.", "power"),
        (heard(12, hz=0.2, sigma=0.2), 56.0, "good", "Good to about 2 ft between passes.", "only every 5 s"),
        (heard(200, quality=4) + [TimedFix(Fix(40 + k / 5, 47.0, -30.0, quality=2), 40.1 + k / 5) for k in range(100)],
         60.0, "good", "Good to about 2 ft between passes.", "It had RTK fixed until 00:00."),
        (heard(300, quality=6), 60.0, "good", "Only good to about 16 ft between passes.", "dead reckoning"),
        (heard(300, quality=8, sigma=0.1), 60.0, "good", "Good to about 11 in between passes.", "simulation"),
    ],
)  # fmt: skip
def test_words_for_each_case(recent, now, state, words, do):
    """Each way a receiver can be well or ill has its words, and one thing to do."""
    report = assess(recent, now, state)
    assert str(report.summary) == words
    advice = str(report.advice or "")
    assert do in advice and bool(do) == bool(advice)


def test_lateness_is_measured():
    """Places that come up to 4 s late are said to, and to be at what rate."""
    recent = [TimedFix(Fix(k / 5, 47.0, -30.0, sigma=0.1), k / 5 + 0.1 + 4.0 * (k % 10 == 0)) for k in range(299)]
    report = assess(recent, 60.0, "good")
    assert report.lateness == pytest.approx(4.0) and "late" in str(report.advice)
    assert report.interval == pytest.approx(0.2)


def line_both_ways(side, bearing, noise=0.0, seed=1):
    """Return the antenna's places along a line through (7, -3) there and back, and the turn between.

    The line lies ``side`` metres right of the antenna both times.
    """
    rng = np.random.default_rng(seed)
    u = np.array([np.cos(bearing), np.sin(bearing)])
    right = np.array([u[1], -u[0]])
    s = np.arange(0.0, 80.0, 1.0)[:, None]
    there = [7, -3] + s * u - side * right
    angle = np.linspace(0, np.pi, 24)[1:-1, None]
    turn = there[-1] + 6 * np.sin(angle) * u + 6 * (1 - np.cos(angle)) * right
    back = [7, -3] + s[::-1] * u + side * right
    places = [part + rng.normal(0, noise, part.shape) for part in (there, turn, back)]
    return places


@pytest.mark.parametrize("side", [-1.5, -0.3, 0.0, 0.45, 2.0])
@pytest.mark.parametrize("bearing", [0.0, 1.0, 2.5, -2.0])
def test_half_the_difference_is_the_offset(side, bearing):
    """Whatever the direction, an offset of either sign is found to the millimetre."""
    there, turn, back = line_both_ways(side, bearing)
    assert side_offset(there, back).side == pytest.approx(side, abs=1e-3)
    assert side_offset(*opposite_runs(np.concatenate([there, turn, back]))).side == pytest.approx(side, abs=0.02)


def test_how_sure_it_is_follows_from_the_scatter():
    """Over many noisy drives the found offsets scatter as much as each says it does."""
    found = [side_offset(*line_both_ways(0.5, 1.0, noise=0.1, seed=n)[::2]) for n in range(200)]
    sides = [one.side for one in found]
    assert np.mean(sides) == pytest.approx(0.5, abs=0.005)
    assert np.std(sides) == pytest.approx(np.mean([one.standard_error for one in found]), rel=0.2)


def test_the_offset_found_is_the_one_the_tool_wants():
    """Swept with the offset found, the tool's middle runs over the line on both ways."""
    there, _, back = line_both_ways(0.7, 1.0)
    found = side_offset(there, back)
    right = np.array([np.sin(1.0), -np.cos(1.0)])
    for run in (there, back):
        sweeper = SwathBuilder(ToolGeometry(6.0, side=found.side))
        sweeper.feed(np.arange(len(run), dtype=float), run, [WorkSwitch(-1.0, True)])
        middle = (np.array(sweeper.pose.left) + np.array(sweeper.pose.right)) / 2
        assert (middle - [7, -3]) @ right == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize(
    "there, back, why",
    [
        (slice(0, 5), slice(None), "at least 10 places"),
        (slice(0, 20), slice(0, 20), "in common"),
        (slice(None), None, "same way"),
    ],
)
def test_a_drive_that_shows_nothing_is_refused(there, back, why):
    """Too short, not the same stretch, or twice the same way is refused in words."""
    one, _, other = line_both_ways(0.5, 0.3)
    with pytest.raises(CheckRefused, match=why):
        side_offset(one[there], one if back is None else other[back])


def test_a_curved_drive_holds_no_line():
    """A drive in a circle is no line there and back."""
    angle = np.linspace(0, 6, 300)
    with pytest.raises(CheckRefused, match="there and back"):
        opposite_runs(np.column_stack([100 * np.cos(angle), 100 * np.sin(angle)]))


@pytest.mark.parametrize("places", [np.empty((0, 2)), np.zeros((1, 2)), np.zeros((50, 2))])
def test_a_drive_that_went_nowhere_is_refused(places):
    """No place, one, or a standstill: refused in words, as any drive without a line there and back."""
    with pytest.raises(CheckRefused, match="there and back"):
        opposite_runs(places)


def test_the_command_reads_a_recorded_check(tmp_path, sea_place, capsys):
    """A recording of the check gives the offset in words, with how sure it is."""
    xy = np.concatenate(line_both_ways(0.6, 0.8, noise=0.02))
    rows = [f"{1_779_000_000 + n},{sea_place(*p)[0]:.9f},{sea_place(*p)[1]:.9f}" for n, p in enumerate(xy)]
    path = tmp_path / "check.csv"
    path.write_text("time,lat,lon\n" + "\n".join(rows))
    assert main(["receiver", "--both-ways", str(path)]) == 0
    words = capsys.readouterr().out
    assert re.match(
        r"The middle lies 2 ft right of the antenna\. Write 2 ft right into the hitching\.\nBoth ways over 7\d m", words
    )
