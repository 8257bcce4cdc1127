"""Bounds and hysteresis, to the value itself: what stands just at a limit, and what is left of a sum."""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from cabapp.counting.job_count import JobCount
from cabapp.jobs.imports import trace_recovery
from cabapp.jobs.imports.trace_recovery import _logs, _within, _words
from cabapp.planning.cost import area_in_tank, fuel_per_pass_area
from cabapp.session.advice.day_advisor import LAP_LEAST, LAP_OFF, DayAdvisor
from cabapp.session.advice.day_facts import DayFacts, best_spacing
from cabapp.session.advice.day_reader import RESERVE
from cabapp.session.advice.seeder_progress import APART_S, STALE_S, STEP, SeederFromTaps
from cabapp.session.handover.receipt import NEAR_M, within
from cabapp.session.warnings.finished_ground import OFF_S, ON_S, PASS_ENDS, REPEAT_S, FinishedGroundAlarm
from cabapp.session.warnings.missed_tap import ASK_AFTER_S, FASTEST, ROAD_S, SLOWEST, STANDING, MissedTapDetector
from cabapp.session.warnings.situation import Danger, Situation
from cabapp.session.warnings.warning_outcome import WarningFollowUp
from cabapp.track.tool import ToolGeometry
from store.traces.trace_codec import make_trace

T0 = 1_779_000_000.0
DAY = 86400.0


# --- the alarm for finished ground ----------------------------------------------------------


def fed(alarm, *steps, heading=0.0):
    """Feed (time, metres over) with thresholds 1.5 and 0.75 m; return the last state."""
    for t, over in steps:
        state = alarm.feed(t, over, 1.5, 0.75, heading=heading, quiet=False)
    return state


@pytest.fixture
def on():
    """An alarm that rose at ON_S."""
    alarm = FinishedGroundAlarm()
    assert fed(alarm, (0.0, 1.5), (ON_S, 1.5)).rising
    return alarm


def test_the_alarm_rises_at_its_threshold_and_not_below():
    """At e_on for ON_S it rises; a hair less, or a hair sooner, it does not."""
    assert not fed(FinishedGroundAlarm(), (0.0, 1.499), (ON_S, 1.499)).rising
    assert not fed(FinishedGroundAlarm(), (0.0, 1.5), (ON_S - 0.01, 1.5)).rising
    assert not fed(FinishedGroundAlarm(), (0.0, 1.5), (1.0, 1.4), (ON_S, 1.5)).rising


def test_the_alarm_goes_off_at_its_lower_threshold(on):
    """At e_off it begins to go, after OFF_S it is gone; anything above keeps it on."""
    assert fed(on, (10.0, 0.75), (10.0 + OFF_S - 0.01, 0.75)).shown
    assert not fed(on, (10.0 + OFF_S, 0.75)).shown and not on.on


def test_a_moment_above_the_lower_threshold_begins_the_wait_anew(on):
    """Just above e_off after 2 s: three more seconds below are needed."""
    fed(on, (10.0, 0.75), (12.0, 0.7501), (12.5, 0.5))
    assert fed(on, (12.5 + OFF_S - 0.01, 0.5)).shown
    assert not fed(on, (12.5 + OFF_S, 0.5)).shown


def test_one_repeat_twenty_seconds_after_the_rise_and_only_above_the_threshold(on):
    """Not before REPEAT_S, not below e_on, once; and again after it went and rose anew."""
    again = ON_S + REPEAT_S
    assert not fed(on, (again - 0.01, 1.5)).sound and not fed(on, (again, 1.499)).sound
    assert fed(on, (again, 1.5)).sound and not fed(on, (again + REPEAT_S, 1.5)).sound
    fed(on, (60.0, 0.0), (60.0 + OFF_S, 0.0))
    assert fed(on, (70.0, 1.5), (70.0 + ON_S, 1.5)).sound
    assert fed(on, (70.0 + ON_S + REPEAT_S, 1.5)).sound


def test_a_pass_ends_beyond_sixty_degrees(on):
    """At 60 degrees it is the same pass; a hair more is another, and the alarm starts afresh."""
    on.i_know()
    assert fed(on, (5.0, 1.5), heading=PASS_ENDS).shown is False and on.on
    fed(on, (6.0, 1.5), heading=2 * PASS_ENDS + 0.001)
    assert not on.on
    assert fed(on, (6.0 + ON_S, 1.5), heading=2 * PASS_ENDS + 0.001).rising


# --- the missed tap -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("state", "speed", "after", "kind"),
    [
        ("ready", SLOWEST, ASK_AFTER_S, "forgotten"), ("stopped", FASTEST, ASK_AFTER_S, "forgotten"),
        ("working", FASTEST + 1e-6, ROAD_S, "still on"), ("working", STANDING - 1e-6, ASK_AFTER_S, "still on"),
    ],
)  # fmt: skip
def test_a_question_is_asked_at_its_time_and_speed(state, speed, after, kind):
    """At the limit of speed, at the second; one second sooner nothing is asked."""
    detector = MissedTapDetector()
    asked = [detector.feed(float(t), state, 0.0, speed, True) for t in range(int(after) + 1)]
    assert asked[-2] is None and (asked[-1].kind, asked[-1].since) == (kind, 0.0)


@pytest.mark.parametrize(
    ("state", "speed"), [("ready", SLOWEST - 1e-6), ("ready", FASTEST + 1e-6), ("working", STANDING)]
)
def test_beyond_the_limit_of_speed_nothing_is_asked(state, speed):
    """Creeping and travel are no work; at the speed of a receiver's noise the tractor does not stand."""
    detector = MissedTapDetector()
    assert all(detector.feed(float(t), state, 0.0, speed, True) is None for t in range(int(ASK_AFTER_S) + 5))


# --- the place pointed at -------------------------------------------------------------------


def test_the_right_place_is_at_most_ten_metres_off_or_half_the_tool():
    """At the limit it is agreed; a centimetre more is not."""
    assert within(NEAR_M, 6.0) and not within(NEAR_M + 0.01, 6.0)
    assert within(15.0, 30.0) and not within(15.01, 30.0)


# --- the tank -------------------------------------------------------------------------------


def test_what_is_burnt_since_the_last_fill_is_taken_off_the_tank(run, drive_rows, store):
    """After two fills and 20 min more at work there is 20 min less in it: tank - burnt - reserve."""
    day = run(drive_rows([-140.0 + 6 * k for k in range(40)], hz=0.5, west=-180.0, east=180.0), tick=10.0)
    day.take_over()
    day.session.tap("fuel", litres=50.0)
    day.until(T0 + 10.0)
    day.session.tap("start")
    day.until(T0 + 10 + 60 * 34)
    day.session.tap("stop")
    day.session.tap("fuel", litres=102.0)  # 34 min at work: 0.05 l/s
    day.session.tap("restart")
    day.on(60.0)
    early = day.session._runner.day._known
    day.on(1200.0)
    late = day.session._runner.day._known
    assert late.now - early.now == pytest.approx(1200.0, abs=60.0)
    # how long it lasts at work does not hang on the pace: litres over litres a second
    assert early.tank_s == pytest.approx((400 * (1 - RESERVE)) / 0.05 - (early.now - T0 - 10 - 2040), rel=0.002)
    assert early.tank_s - late.tank_s == pytest.approx(late.now - early.now, rel=0.002)
    assert area_in_tank(90.0, fuel_per_pass_area(0.05, 2.0), reserve=10.0) == pytest.approx(80 / 0.05 * 2.0)


# --- the seeder told by taps ----------------------------------------------------------------


class Ground:
    """A field of places STEP apart, 100 by 100 m, none done; passes run north, so across is east."""

    def __init__(self):
        east, north = np.meshgrid(np.arange(0.0, 100.0, STEP), np.arange(0.0, 100.0, STEP))
        self.places = np.column_stack([east.ravel(), north.ravel()])
        self.plane = SimpleNamespace(to_xy=lambda lat, lon: np.array([[lon, lat]]))

    def short(self):
        return np.ones(len(self.places))

    def across(self):
        return np.array([1.0, 0.0])


def at(east, t):
    return SimpleNamespace(kind="seeder", at=t, lat=50.0, lon=east, detail=None)


def told(*taps, now):
    return SeederFromTaps(Ground(), taps).look(now, here=(0.0, 50.0))


def test_two_places_tell_the_seeder_s_rate_from_just_the_ground_between():
    """From 20 to 60 m in 1000 s over 100 m: 4 m2/s; a row of places at the first mark belongs to it."""
    seen = told(at(20.0, 0.0), at(60.0, 1000.0), now=1000.0)
    assert seen.rate == pytest.approx(40 * 100 / 1000)
    assert (seen.lead, seen.left) == (60 * 100, 40 * 100)


def test_two_places_nearer_than_ten_minutes_tell_no_rate():
    """At ten minutes they do; a second less and the second stands for the first set right."""
    assert told(at(20.0, 0.0), at(60.0, APART_S), now=APART_S).rate == pytest.approx(4000 / APART_S)
    assert told(at(20.0, 0.0), at(60.0, APART_S - 1), now=APART_S).rate is None


def test_what_was_told_of_the_seeder_is_stale_after_two_hours():
    """At two hours it still holds; a second later it does not."""
    assert told(at(20.0, 0.0), now=STALE_S) is not None and told(at(20.0, 0.0), now=STALE_S + 1) is None


def test_the_seeder_goes_on_at_its_rate_until_nothing_is_left():
    """500 s later: 2000 m2 more are seeded and fewer are left; never more than there were."""
    pace = SimpleNamespace(kind="seeder_pace", at=0.0, lat=None, lon=None, detail={"rate": 4.0, "seeded": 2000.0})
    seen = SeederFromTaps(Ground(), [pace]).look(500.0)
    assert (seen.lead, seen.left, seen.rate) == (2000.0 + 2000.0, 8000.0 - 2000.0, 4.0)
    late = SeederFromTaps(Ground(), [pace]).look(5000.0)
    assert (late.lead, late.left) == (10000.0, 0.0)


# --- traces from the raw log ----------------------------------------------------------------


def test_the_raw_logs_of_the_first_and_last_day_are_read_and_no_others(tmp_path):
    """Days are those of the span with a minute at either side, UTC, each receiver's by itself and in order."""
    for day in ("2026-05-16", "2026-05-17", "2026-05-18", "2026-05-19", "2026-05-20"):
        for part in ("002", "001"):
            (tmp_path / f"{day}-wire-{part}{trace_recovery.SUFFIX}").touch()
    (tmp_path / f"2026-05-18-other-one-001{trace_recovery.SUFFIX}").touch()
    (tmp_path / "2026-05-18-notes.txt").touch()
    noon = 1_779_105_600.0  # 2026-05-18 12:00 UTC (date arithmetic)
    found = _logs(tmp_path, noon, noon + DAY)
    assert list(found) == ["other-one", "wire"]
    assert [Path(p).name[:10] for p in found["wire"]] == ["2026-05-18"] * 2 + ["2026-05-19"] * 2
    assert [p.name.split("-")[-1][:3] for p in found["wire"]] == ["001", "002"] * 2
    midnight = noon + DAY / 2
    assert len(_logs(tmp_path, midnight + 60, midnight + 61)["wire"]) == 2
    assert len(_logs(tmp_path, midnight + 59, midnight + 61)["wire"]) == 4
    assert len(_logs(tmp_path, noon, float("inf"))["wire"]) == 6


def test_what_came_back_and_what_is_lost_is_said_only_where_there_is_some():
    """Nothing, some back, some lost, both: each a sentence of its own with its number."""
    assert _words(0, 0) is None
    back, lost, both = str(_words(1200, 0)), str(_words(0, 7)), str(_words(1200, 7))
    assert "1,200" in back and "lost" not in back.replace("were lost", "") and "7" in lost and "came back" not in lost
    assert "1,200" in both and "7" in both


def test_only_fixes_within_what_is_missing_are_put_back():
    """From its begin to before its end; a stint's first fix may be a little older; a signed page is taken whole."""
    gap = SimpleNamespace(since=100.0, n=3, count=5, signed=False)
    assert [_within(t, gap, 200.0) for t in (99.99, 100.0, 199.99, 200.0)] == [False, True, True, False]
    first = SimpleNamespace(since=100.0, n=0, count=5, signed=False)
    assert _within(98.0, first, 200.0) and not _within(97.99, first, 200.0)
    assert not _within(99.0, SimpleNamespace(since=100.0, n=0, count=None, signed=False), 200.0)
    signed = SimpleNamespace(since=100.0, n=3, count=5, signed=True)
    assert _within(200.0, signed, 200.0) and not _within(200.01, signed, 200.0)


def test_of_unsigned_logs_only_the_likeliest_is_tried_and_of_signed_ones_all(monkeypatch, tmp_path):
    """The most fixes that are the same decide; a signature tells by itself, so each log is offered."""
    trace = make_trace([98.0, 99.0], [1.0, 1.0], [2.0, 2.0], [0.1, 0.1], [4, 4])
    store = SimpleNamespace(
        get=lambda *_: SimpleNamespace(id="s", device="d", receiver="x", at=0.0), read_trace=lambda _: trace, device="d"
    )

    def heard(folder, name, paths, since, until):
        same = {"one": (99.0,), "two": (98.0, 99.0)}[name]
        return [trace_recovery.Fix(t, 1.0, 2.0) for t in same] + [trace_recovery.Fix(150.0, 1.0, 2.0 + len(same))]

    monkeypatch.setattr(trace_recovery, "_logs", lambda *_: {"one": [], "two": []})
    monkeypatch.setattr(trace_recovery, "_heard", heard)
    gap = {"stint_id": "s", "since": 100.0, "until": 200.0, "n": 3, "count": 1}
    plain = list(trace_recovery._found(store, tmp_path, SimpleNamespace(**gap, signed=False)))
    assert [one.lon.tolist() for one in plain] == [[4.0]]
    signed = list(trace_recovery._found(store, tmp_path, SimpleNamespace(**gap, signed=True)))
    assert [one.lon.tolist() for one in signed] == [[4.0], [3.0]]


# --- the count ------------------------------------------------------------------------------


def test_a_stint_is_counted_once():
    """The same stint given twice is a mistake in the program."""
    count, tool = JobCount(None, centre=(50.0, 10.0)), ToolGeometry(6.0)
    count.add_stint("one", 0.0, tool, [], [], [])
    with pytest.raises(ValueError, match="counted already"):
        count.add_stint("one", 0.0, tool, [], [], [])


# --- outcomes of warnings, and the lap --------------------------------------------------------


@pytest.mark.parametrize(
    ("speed", "aside", "acted"), [(1.4, 0.0, True), (1.41, 0.0, None), (2.0, 1.0, True), (2.0, 0.99, None)]
)
def test_easing_off_to_seven_tenths_or_moving_a_metre_is_acting_on_a_danger(speed, aside, acted):
    """At the limit it is; a hair less it is not told yet."""
    follow_up, before = (
        WarningFollowUp(),
        Situation(0.0, "working", 0.0, speed=2.0, danger=Danger("a", "pole", 20.0, 0.0)),
    )
    follow_up.raised("danger", before)
    settled = follow_up.feed(replace(before, now=1.0, speed=speed, danger=Danger("a", "pole", 18.0, aside)))
    assert [one.acted for one in settled] == ([acted] if acted else [])


def test_a_lap_is_off_from_three_quarters_of_the_spread_and_no_sooner():
    """At the limit it is said, a hair nearer to the best it is not; what was said stays to half of that."""
    sigma = 0.8  # 0.75 of it, 0.6 m, is above the least, 0.4 m
    day = DayFacts(0.0, "working", width=12.0, target=2, lap_sigma=sigma)
    best, limit = best_spacing(day), LAP_OFF * sigma
    assert limit > LAP_LEAST

    def keys(advisor, off):
        return [one.key for one in advisor.feed(replace(day, spacing=best + off))]

    for side in (-1, 1):
        advisor = DayAdvisor()
        assert keys(advisor, side * (limit - 1e-6)) == [] and keys(advisor, side * (limit + 1e-6)) == ["lap"]
        assert keys(advisor, side * (limit / 2 + 1e-6)) == ["lap"] and keys(advisor, side * (limit / 2 - 1e-6)) == []
