"""What a trace alone tells of a day: the kinds of driving, their spans and the stays in fields."""

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from shapely.geometry import box

from cabapp.jobs.records.stint_reader import StintRecord
from cabapp.jobs.records.time_split import split, worked
from cabapp.track.activity import KINDS, PAUSE_S, UNKNOWN, guess
from cabapp.track.fixes.likely_places import likely_places
from cabapp.track.logging_interval import break_limit, logging_interval

FIELD, OTHER = box(0, 0, 400, 100), box(300, 0, 800, 100)


class Day:
    """A made-up trace, one fix a second."""

    def __init__(self, x, y):
        self.places = [(float(x), float(y))]

    def to(self, x, y, speed):
        start, end = np.array(self.places[-1]), np.array([x, y], float)
        steps = round(float(np.hypot(*(end - start))) / speed)
        self.places += [tuple(start + (end - start) * k / steps) for k in range(1, steps + 1)]
        return len(self.places) - 1

    def stand(self, seconds):
        self.places += [self.places[-1]] * seconds
        return len(self.places) - 1

    def turn(self, x, y, side):
        """Half a circle of 6 m from heading along x to the next pass."""
        angle = np.linspace(0, np.pi, 9)[1:]
        self.places += [(x + side * 6 * np.sin(a), y + 6 - 6 * np.cos(a)) for a in angle]
        return len(self.places) - 1

    def guess(self, *fields, t=None):
        xy = np.array(self.places)
        return guess(np.arange(len(xy)) + 1000.0 if t is None else t, xy, fields)


def spent(spans, t):
    """Seconds of each kind, of spans that follow each other."""
    found = dict.fromkeys(KINDS, 0.0)
    for span in spans:
        found[span.kind] += float(t[min(span.last + 1, len(t) - 1)] - t[span.first])
    return found


def two_runs(day):
    """Work two passes in the first field, from its west end to its east end and back."""
    day.to(20, 50, 5.0)
    a = day.to(380, 50, 2.5)
    b = day.turn(380, 50, 1)
    c = day.to(20, 62, 2.5)
    return a, b, c


def test_standing_travelling_working_and_turning_in_order():
    """A day of known seconds: each kind has its own spans, each fix is in exactly one."""
    day = Day(-400, 50)
    stood = day.stand(60)
    _, _, end = two_runs(day)
    day.to(-300, 62, 5.0)
    stretches, stays = day.guess(FIELD)
    kinds = [(s.kind, s.field) for s in stretches]
    assert kinds[:2] == [("standing", None), ("travelling", None)]
    assert [k for k, field in kinds if field == 0] == ["working", "turning", "working"]
    assert kinds[-1] == ("travelling", None)
    assert stretches[0].last == pytest.approx(stood, abs=4)
    assert [s.first for s in stretches[1:]] == [s.last + 1 for s in stretches[:-1]]
    [stay] = stays
    assert (stay.field, stay.runs, len(stay.spells)) == (0, 2, 1)
    start, stop = stay.spells[0]
    assert stop - start == pytest.approx(2 * 144 + 8, abs=12)
    assert stop == pytest.approx(1000 + end, abs=12)
    inside = spent([span for span in stretches if span.field == 0], np.arange(len(day.places)))
    assert inside["working"] == pytest.approx(2 * 144, abs=15)
    assert inside["turning"] == pytest.approx(8, abs=10)
    assert inside["standing"] == 0


def test_a_short_stop_is_no_standing_and_a_long_one_parts_the_work():
    """15 s in the middle of a pass are work; two minutes and more end a spell of it."""
    for seconds, spells in ((15, 1), (int(PAUSE_S) + 30, 2)):
        day = Day(-100, 50)
        day.to(20, 50, 5.0)
        day.to(200, 50, 2.5)
        day.stand(seconds)
        day.to(380, 50, 2.5)
        day.turn(380, 50, 1)
        day.to(20, 62, 2.5)
        stretches, [stay] = day.guess(FIELD)
        assert len(stay.spells) == spells
        assert any(span.kind == "standing" for span in stretches) == (spells == 2)


def test_where_two_fields_overlap_the_first_counts():
    """Work between x = 300 and 400 belongs to the field named first."""
    day = Day(-100, 50)
    two_runs(day)
    _, stays = day.guess(FIELD, OTHER)
    assert [stay.field for stay in stays if stay.spells] == [0]
    _, stays = day.guess(OTHER, FIELD)
    assert {stay.field for stay in stays} == {0, 1}


def test_driving_through_is_no_work():
    """One straight run across a field at road speed is travelling."""
    day = Day(-200, 50)
    day.to(700, 50, 6.0)
    stretches, [stay] = day.guess(FIELD)
    assert stay.spells == () and stay.runs == 0
    assert {s.kind for s in stretches} == {"travelling"}


def test_time_without_a_fix_is_unknown():
    """Ten minutes missing in the middle of a pass are unknown, and a pause where the machine is at its place again."""
    day = Day(-100, 50)
    a, _, _ = two_runs(day)
    t = np.arange(len(day.places)) + 1000.0
    t[a - 60 :] += 600.0
    stretches, [stay] = day.guess(FIELD, t=t)
    assert [s.kind for s in stretches].count("unknown") == 1
    assert spent(stretches, t)["unknown"] == pytest.approx(601)
    assert len(stay.spells) == 2


@pytest.mark.parametrize(
    ("first", "last", "spells"),
    [(100, 180, 1), (60, 240, 1), (100, 102, 2), (20, 330, 1)],
    ids=["in a pass", "over a turn", "at its place", "all but the ends"],
)
def test_work_goes_on_unseen_where_the_machine_is_found_elsewhere(first, last, spells):
    """Without a fix for minutes it worked on unseen where it comes up elsewhere, and paused where it is at its place."""
    day = Day(-100, 50)
    a, _, _ = two_runs(day)
    day.turn(20, 62, -1)
    day.to(380, 74, 2.5)
    t = np.arange(len(day.places)) + 1000.0
    t[a - 144 + last :] += 180.0 - (last - first) if last - first < 180 else 0.0
    keep = np.ones(len(t), bool)
    keep[a - 144 + first + 1 : a - 144 + last] = False
    stretches, [stay] = guess(t[keep], np.array(day.places)[keep], [FIELD])
    assert len(stay.spells) == spells
    assert [span.kind for span in stretches].count("unknown") == 1


def test_who_drives_off_unseen_faster_than_it_works_is_not_at_work():
    """It comes up 1.2 km away after three minutes, in the same large field: that was driven, not worked."""
    day = Day(20, 50)
    for _ in range(2):
        day.to(380, 50, 2.5)
        day.turn(380, 50, 1)
        day.to(20, 62, 2.5)
    half = len(day.places)
    day.places += [(x + 1200.0, y) for x, y in day.places]
    t = np.arange(len(day.places)) + 1000.0
    t[half:] += 180.0
    _, [stay] = guess(t, np.array(day.places), [box(0, 0, 2000, 100)])
    assert len(stay.spells) == 2


@pytest.mark.parametrize("every", [1.0, 2.0, 5.0, 10.0, 15.0])
def test_time_without_a_fix_is_unknown_by_the_rule_of_the_count(every):
    """A silence a little longer than the count takes for known is unknown to the guess too, a little shorter is not."""
    for beyond, known in ((-0.1, True), (0.1, False)):
        t = np.arange(0.0, 600.0, every)
        t[len(t) // 2 :] += break_limit(logging_interval(t)) + beyond - every
        spans, _ = guess(t, np.column_stack([3 * t, 0 * t]), [])
        assert (UNKNOWN not in {span.kind for span in spans}) == known


STANDS = ((3, 120.0, 240.0), (6, 50.0, 90.0))
"""Lane, place along it, m, and how long it stands there, s."""


def driven(spacing, lanes=10, long=300.0, radius=6.0):
    """Times, s, places, m, ten a second, and the kind of each, of lanes at 2.5 m/s, turns of 6 m at 1.8 m/s and two stands."""
    places, seconds, kinds = [], [], []

    def go(xy, speed, kind):
        places.append(xy)
        seconds.append(np.full(len(xy), 0.1 / speed))
        kinds.append(np.full(len(xy), kind))

    for n in range(lanes):
        way = 1 if n % 2 == 0 else -1
        x = np.arange(0, long, 0.1)[::way]
        line = np.column_stack([x, np.full(len(x), n * spacing)])
        at = 0
        for lane, place, stand in STANDS:
            if lane == n:
                cut = round(place / 0.1)
                go(line[at:cut], 2.5, 0)
                go(line[cut : cut + 1], 0.1 / stand, 2)
                at = cut + 1
        go(line[at:], 2.5, 0)
        if n < lanes - 1:
            angle = np.arange(0, np.pi / 2, 0.1 / radius)
            run = np.arange(0, spacing - 2 * radius, 0.1)
            out = np.concatenate([np.sin(angle), np.ones(len(run)), np.cos(angle)]) * radius
            up = np.concatenate([radius * (1 - np.cos(angle)), radius + run, spacing - radius + radius * np.sin(angle)])
            go(np.column_stack([(long if way > 0 else 0) + way * out, n * spacing + up]), 1.8, 1)
    xy, spent, kind = (np.concatenate(one) for one in (places, seconds, kinds))
    t = np.concatenate([[0.0], np.cumsum(spent)[:-1]])
    times = np.arange(0, t[-1], 0.1)
    dense = np.column_stack([np.interp(times, t, xy[:, k]) for k in (0, 1)])
    return times, dense, kind[np.searchsorted(t, times, side="right") - 1]


@pytest.mark.parametrize("spacing", [12.0, 24.0])
@pytest.mark.parametrize(
    ("every", "white", "drift"),
    [
        (1.0, 0.0, 0.0), (5.0, 0.02, 0.0), (10.0, 0.02, 0.3), (15.0, 0.02, 0.0), (15.0, 1.0, 0.5), (1.0, 0.3, 0.5),
        (1.0, 1.0, 1.0), (0.1, 0.4, 0.5), (0.1, 1.0, 1.0), (5.0, 1.0, 1.0), (1.0, 2.5, 1.0),
    ],
)  # fmt: skip
def test_hours_and_passes_of_slow_and_noisy_traces(spacing, every, white, drift):
    """Work within 2 %, standing within 7 %, ten passes (one more with 1 m of noise): by the drive, as the logbook splits it.

    With a fix each second or oftener the guess itself tells work within 4 % and turning within 40 %.
    White error a fix and one that drifts over a minute (first-order Gauss-Markov), both of this test alone.
    """
    t, xy, kind = driven(spacing)
    truth = [float((kind == n).sum()) / 10 for n in range(3)]
    step = round(every * 10)
    t, xy, random = t[::step], xy[::step].copy(), np.random.default_rng(1)
    xy += random.normal(0, white, xy.shape)
    keeps, error = np.exp(-every / 60), random.normal(0, 1, (len(t), 2))
    for n in range(1, len(t)):
        error[n] = keeps * error[n - 1] + np.sqrt(1 - keeps**2) * error[n]
    stretches, [stay] = guess(t + 1e9, xy + drift * error, [box(-25, -20, 325, 9 * spacing + 20)])
    idle = [(a, b, "") for (_, a), (b, _) in itertools.pairwise(stay.spells)]
    begin, end = float(t[0]) + 1e9, float(t[-1]) + 1e9
    hours, _ = split(begin, end, list(stay.spells), idle, t + 1e9, xy + drift * error, 12.0)
    seconds = hours.seconds()
    if every <= 1.0:
        guessed = spent(stretches, t)
        assert guessed["working"] == pytest.approx(truth[0], rel=0.04)
        assert guessed["turning"] == pytest.approx(truth[1], rel=0.4, abs=2.0)
        assert guessed["standing"] == pytest.approx(truth[2], rel=0.07)
    assert worked(seconds) == pytest.approx(truth[0] + truth[1], rel=0.02)
    assert seconds["waiting"] == pytest.approx(truth[2], rel=0.07)
    assert abs(stay.runs - 10) <= (1 if white >= 1.0 else 0)
    assert len(stay.spells) == 2  # the longer stand parts them
    at = {float(one) for one in t + 1e9}
    assert all(edge in at for spell in stay.spells for edge in spell)


def test_places_filled_in_between_seldom_fixes_do_not_leave_a_standstill():
    """Between fixes at one place nothing is filled in elsewhere, and each fix stays where it is."""
    t = np.arange(0.0, 150.0, 15.0)
    xy = np.column_stack([np.minimum(t, 60.0) * 2.5, 0 * t])
    found = likely_places(t, xy, np.zeros(0, np.int64), 15.0)
    assert np.array_equal(found.xy[found.fix], xy)
    assert np.ptp(found.xy[found.t >= 60.0], axis=0).max() < 1e-9
    assert (np.diff(found.t) <= 1.0).all()


@pytest.mark.parametrize(
    ("every", "white", "drift"),
    [
        (1.0, 0.0, 0.0), (5.0, 0.02, 0.0), (10.0, 0.02, 0.3), (15.0, 0.02, 0.0), (15.0, 1.0, 0.5), (1.0, 1.0, 1.0),
        (0.1, 1.0, 1.0),
    ],
)  # fmt: skip
@pytest.mark.parametrize("spacing", [12.0, 24.0])
def test_hours_of_a_stint_of_slow_and_noisy_traces(spacing, every, white, drift):
    """The hours on the pages, by the drive: working within 6 %, waiting within 15 %, the way at work within 6 %."""
    t, xy, kind = driven(spacing)
    truth = [float((kind == n).sum()) / 10 for n in range(3)]
    step, random = round(every * 10), np.random.default_rng(2)
    t, xy = t[::step] + 1e9, xy[::step] + random.normal(0, white, xy[::step].shape)
    keeps, error = np.exp(-every / 60), random.normal(0, 1, (len(t), 2))
    for n in range(1, len(t)):
        error[n] = keeps * error[n - 1] + np.sqrt(1 - keeps**2) * error[n]
    stint = SimpleNamespace(
        row=SimpleNamespace(at=float(t[0]), width_m=12.0), ended=float(t[-1]), idle=[],
        standing=SimpleNamespace(work=lambda until: [(float(t[0]), until)]),
    )  # fmt: skip
    StintRecord.split_hours(stint, t, xy + drift * error, [])
    spent = stint.hours.seconds()
    assert spent["working"] == pytest.approx(truth[0], rel=0.06)
    assert spent["waiting"] == pytest.approx(truth[2], rel=0.15)
    assert stint.working_m == pytest.approx(3000.0, rel=0.06)
