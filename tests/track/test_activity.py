"""What a trace alone tells of a day: the kinds of driving, their spans and the stays in fields."""

import numpy as np
import pytest
from shapely.geometry import box

from cabapp.track.activity import PAUSE_S, UNKNOWN, guess
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
    assert stay.seconds["working"] == pytest.approx(2 * 144, abs=15)
    assert stay.seconds["turning"] == pytest.approx(8, abs=10)
    assert stay.seconds["standing"] == 0


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
        _, [stay] = day.guess(FIELD)
        assert len(stay.spells) == spells
        assert (stay.seconds["standing"] > 0) == (spells == 2)


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
    """Ten minutes missing in the middle of a pass are unknown and part the spell."""
    day = Day(-100, 50)
    a, _, _ = two_runs(day)
    t = np.arange(len(day.places)) + 1000.0
    t[a - 60 :] += 600.0
    stretches, [stay] = day.guess(FIELD, t=t)
    assert [s.kind for s in stretches].count("unknown") == 1
    assert stay.seconds["unknown"] == pytest.approx(601)
    assert len(stay.spells) == 2


@pytest.mark.parametrize("every", [1.0, 2.0, 5.0, 10.0, 15.0])
def test_time_without_a_fix_is_unknown_by_the_rule_of_the_count(every):
    """A silence a little longer than the count takes for known is unknown to the guess too, a little shorter is not."""
    for beyond, known in ((-0.1, True), (0.1, False)):
        t = np.arange(0.0, 600.0, every)
        t[len(t) // 2 :] += break_limit(logging_interval(t)) + beyond - every
        spans, _ = guess(t, np.column_stack([3 * t, 0 * t]), [])
        assert (UNKNOWN not in {span.kind for span in spans}) == known
