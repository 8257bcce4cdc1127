"""Spans of work and of standing idle, and the reasons for the latter."""

import itertools
from zoneinfo import ZoneInfo

from cabapp.jobs.records.stint_state import stint_state
from cabapp.jobs.records.time_split import MOST_DAYS, days
from cabapp.jobs.records.work_intervals import idle_spans, part_spans, seconds, work_spans
from tests.session.made_tap import Made


def idle(taps, ended, taken_over=0.0):
    state = stint_state(taken_over, taps)
    return idle_spans(taken_over, ended, state.switches, state.stops)


def test_a_first_stop_by_the_answer_stop_counting_is_no_time_before_the_start():
    """Work went on before it: the span has no reason, and only the time before work is "before the start"."""
    taps = [Made("start", 10.0), Made("stop_counting", 50.0, detail={"from": 30.0}), Made("restart", 60.0)]
    assert idle(taps, 80.0) == [(0.0, 10.0, "before the start"), (30.0, 60.0, "no reason given")]


def test_a_wing_moved_while_stopped_neither_splits_the_stop_nor_loses_its_reason():
    """The reason said after the stop holds until work goes on, whatever the wing did meanwhile."""
    taps = [
        Made("start", 10.0), Made("stop", 20.0, reason="other"), Made("stop_reason", 22.0, reason="rain"),
        Made("width", 25.0, detail={"wing": "left up"}), Made("restart", 40.0), Made("finish", 50.0),
    ]  # fmt: skip
    assert idle(taps, 50.0) == [(0.0, 10.0, "before the start"), (20.0, 40.0, "rain")]


def test_each_stop_keeps_its_own_reason_and_an_undone_one_is_none():
    """Two stops, the second taken back: its span and reason are gone with it."""
    second = Made("stop", 40.0, reason="fuel")
    taps = [Made("start", 10.0), Made("stop", 20.0, reason="meal"), Made("restart", 30.0), second]
    assert idle(taps, 60.0)[1:] == [(20.0, 30.0, "meal"), (40.0, 60.0, "fuel")]
    assert idle([*taps, Made("undo", 45.0, detail={"tap": second.id})], 60.0)[1:] == [(20.0, 30.0, "meal")]


def test_counting_from_earlier_shortens_the_stop_it_corrects():
    """ "Yes, count it" from 30: the stop before lasts until 30."""
    taps = [
        Made("start", 10.0), Made("stop", 20.0, reason="meal"), Made("were_rolling", 50.0, detail={"from": 30.0}),
    ]  # fmt: skip
    assert idle(taps, 60.0) == [(0.0, 10.0, "before the start"), (20.0, 30.0, "meal")]


def test_work_and_idle_fill_a_stint_without_overlap():
    """Seconds of work and of standing idle add up to the whole stint; an open span ends with it."""
    taps = [
        Made("start", 10.0), Made("width", 15.0, detail={"wing": "left up"}), Made("stop", 20.0),
        Made("width", 25.0, detail={"wing": "all"}), Made("restart", 30.0),
    ]  # fmt: skip
    switches = stint_state(5.0, taps).switches
    assert work_spans(switches, 45.0) == [(10.0, 20.0), (30.0, 45.0)]
    assert [(t, end, one.on) for t, end, one in part_spans(switches, 45.0)] == [(15.0, 20.0, (False, True, True))]
    rest = [(begin, end) for begin, end, _ in idle(taps, 45.0, 5.0)]
    assert seconds(work_spans(switches, 45.0)) + seconds(rest) == 40.0
    assert seconds(work_spans(switches, 45.0), 12.0, 32.0) == 8.0 + 2.0


def test_nothing_worked_is_nothing():
    """A stint without a start is idle as a whole; one that was never open at all has no span."""
    assert work_spans((), 10.0) == [] and idle([], 10.0) == [(0.0, 10.0, "before the start")]
    assert idle([], 0.0) == []


def test_a_span_of_centuries_is_few_days():
    """What a bundle says lasts from 1719 to 2220 is cut into a bounded number of days that add up to it."""
    found = days(-7.9e9, 7.9e9, ZoneInfo("UTC"))
    assert len(found) == MOST_DAYS and found[0][1] == -7.9e9 and found[-1][2] == 7.9e9
    assert all(before[2] == after[1] for before, after in itertools.pairwise(found))
