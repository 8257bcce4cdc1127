"""What the day asks, each sentence by itself, and its place among the others; no store, no map."""

from dataclasses import replace

import pytest

from cabapp.reckoning.finish import Finish
from cabapp.reckoning.thermal import CROPS
from cabapp.session.asks import Asker
from cabapp.session.daylines import DayLines
from cabapp.session.known import Known, Pursuit
from cabapp.session.situation import Danger, Situation
from cabapp.session.view import QUIET, SEEDER, STOP_RULE, Sentence
from cabapp.session.warnings import Judge
from cabapp.units import ACRE, FOOT, MPH, Units

HOUR = 3600.0
PACE = 26 * ACRE / HOUR  # 26 ac of passes an hour: 13 finished
CALM = Known(
    now=0.0, state="working", width=45 * FOOT, target=2, tool="roller", left=80 * ACRE, pace=PACE,
    end=Finish(2.5 * HOUR, 3.1 * HOUR, 4 * HOUR), speed=6 * MPH,
    sunset=8 * HOUR, dusk=8.5 * HOUR, tank_s=9 * HOUR, grease_in=4 * HOUR,
    crop="chickpea", rules=CROPS["chickpea"], closes=96 * HOUR, up=160 * HOUR,
    seeder=Pursuit(200 * ACRE, 18 * ACRE / HOUR, 100 * ACRE, 0.0), wander=(0.3, 0.35), lap_sigma=0.3,
)  # fmt: skip


HOW = Units("us"), lambda t: f"{t / HOUR:.1f} h", lambda t: "Thursday"


@pytest.fixture
def asker():
    return Asker(*HOW)


@pytest.fixture
def lines():
    return lambda known: dict(DayLines(*HOW).of(known))


def said(asks):
    return {ask.key: ask.words for ask in asks}


def test_a_day_in_order_asks_for_nothing(asker):
    """Time, light, fuel, grease and crop enough, seeder far: not one sentence."""
    assert asker.feed(CALM) == ()


def test_nothing_known_asks_for_nothing(asker, lines):
    """Without pace, tank, crop, seeder or place there is nothing to say, and no line is made up."""
    assert asker.feed(Known(now=0.0, state="ready")) == ()
    assert lines(Known(now=0.0, state="ready")) == {}


def test_catching_the_seeder_says_when_and_the_speed_that_holds(asker):
    """Worked example of the trade notes, 6.4: B / (R - S) and v S / R. 2 ac ahead at 13 against
    7 ac/h are 20 min; 6 mph x 7 / 13 = 3.2 mph holds the distance."""
    close = replace(CALM, seeder=Pursuit(2 * ACRE, 7 * ACRE / HOUR, 50 * ACRE, 0.0))
    (ask,) = asker.feed(close)
    assert (ask.rank, ask.words) == (
        SEEDER, "You catch the seeder in 20 min. 3.2 mph keeps the distance, or do gaps first.",
    )  # fmt: skip


def test_a_standing_seeder_leaves_so_much_ground(asker):
    """20 ac ahead at 13 ac/h are an hour and a half: nothing yet; 4 ac are 18 min."""
    assert asker.feed(replace(CALM, seeder=Pursuit(20 * ACRE, 0.0, 50 * ACRE, 0.0))) == ()
    (ask,) = asker.feed(replace(CALM, seeder=Pursuit(4 * ACRE, 0.0, 50 * ACRE, 0.0)))
    assert ask.words.startswith("The seeder stands: seeded ground for 18 min.")


def test_a_faster_or_finished_seeder_is_no_warning(asker):
    """Nobody catches a faster one, and one that has seeded it all cannot be caught."""
    for seeder in (
        Pursuit(1.0, 14 * ACRE / HOUR, 9e9, 0.0),
        Pursuit(1.0, 0.0, 0.0, 0.0),
    ):
        assert asker.feed(replace(CALM, seeder=seeder)) == ()


def test_fuel_is_said_in_acres_while_there_is_time_to_fill(asker):
    """40 min of fuel at 13 ac/h are 8.7 ac twice, 40 are left; with enough for the rest: silence."""
    (ask,) = asker.feed(replace(CALM, tank_s=40 * 60.0))
    assert ask.words == (
        "Fuel for about 8.7 ac twice, and 40 ac are left. Fill before you go on far."
    )
    assert asker.feed(replace(CALM, tank_s=40 * 60.0, left=10 * ACRE)) == ()


def test_rain_before_the_finish_says_what_will_be_left(asker):
    """Rain in an hour: 26 of 80 pass-acres done, about 27 ac still to finish. After it, silence."""
    (ask,) = asker.feed(replace(CALM, rain=HOUR))
    assert ask.words == "Rain at 1.0 h: about 27 ac will be left. Do the heavy ground first."
    assert asker.feed(replace(CALM, rain=4 * HOUR)) == ()


def test_a_finish_after_dusk_says_how_long_after(asker):
    """Likely finish 40 min after dusk two and a half hours ahead: choose what to leave."""
    late = replace(CALM, dusk=2.4 * HOUR + 60, end=Finish(2.5 * HOUR, 3.1 * HOUR - 60, 4 * HOUR))
    (ask,) = asker.feed(late)
    assert ask.words.startswith("Likely finish 40 min after dusk (2.4 h). Choose 8.6 ac to leave")
    assert asker.feed(replace(late, dusk=3.2 * HOUR)) == ()


def test_a_sentence_stays_till_its_cause_has_clearly_gone(asker):
    """Two thresholds: five minutes after dusk raises nothing, but does not end what was said."""
    five = replace(CALM, dusk=2.5 * HOUR, end=Finish(2 * HOUR, 2.5 * HOUR + 300, 4 * HOUR))
    twenty = replace(five, end=Finish(2 * HOUR, 2.5 * HOUR + 1200, 4 * HOUR))
    before = replace(five, end=Finish(2 * HOUR, 2.5 * HOUR - 60, 4 * HOUR))
    seen = [bool(asker.feed(known)) for known in (five, twenty, five, before, five)]
    assert seen == [False, True, True, False, False]


def test_ground_that_closes_too_soon_asks_for_help(asker):
    """80 ac of passes need 3.1 h; closing in six hours leaves 2.5 h of a ten-hour day."""
    (ask,) = asker.feed(replace(CALM, closes=6 * HOUR))
    assert ask.words.startswith("This ground closes Thursday (an estimate) and needs 3.1 h more")
    assert asker.feed(replace(CALM, closes=12 * HOUR)) == ()


def test_a_crop_that_may_be_up_stops_the_work_until_she_has_dug(asker):
    """From closing on: stop, go and dig; silent for a day once she looked and found no shoots."""
    due = replace(CALM, closes=-HOUR)
    (ask,) = asker.feed(due)
    assert (ask.rank, ask.words) == (
        STOP_RULE, "Chickpea may be just under the surface by now (an estimate). Stop, go and dig.",
    )  # fmt: skip
    assert asker.feed(replace(due, looked=-600.0)) == ()
    assert asker.feed(replace(due, looked=-25 * HOUR))
    assert asker.feed(replace(due, up=-11 * 24 * HOUR, closes=-14 * 24 * HOUR)) == ()


def test_grease_is_asked_for_when_due(asker):
    """At the interval and after, with how long over; before it, silence."""
    assert said(asker.feed(replace(CALM, grease_in=-60.0))) == {
        "grease": "Grease the roller at the next stop: it was due."
    }
    assert "due, 2.0 h ago" in said(asker.feed(replace(CALM, grease_in=-2 * HOUR)))["grease"]


def test_a_break_is_hinted_at_after_two_hours_of_wandering_more(asker):
    """1 ft at first, 2 ft now, two hours in the seat: a hint; fresh from a break: none."""
    tired = replace(CALM, wander=(1 * FOOT, 2 * FOOT), seat_s=2.5 * HOUR)
    (ask,) = asker.feed(tired)
    assert ask.words == "Your laps wander 2 ft, at first 1 ft. 10 to 15 minutes off the seat help."
    assert asker.feed(replace(tired, seat_s=HOUR)) == ()
    assert asker.feed(replace(tired, wander=(1 * FOOT, 1.4 * FOOT), seat_s=0.0)) == ()


def test_the_day_can_be_read_through(lines):
    """Every line of the day, in words: clocks, fuel in acres, her own best lap (trade notes, 6.1)."""
    lines = lines(replace(CALM, lap_sigma=2 * FOOT, rain=5 * HOUR))
    assert lines["Finish"] == "likely 3.1 h (2.5 h to 4.0 h)"
    assert lines["Daylight"] == "sunset 8.0 h, dark from 8.5 h"
    assert lines["Seeder"] == "200 ac seeded and not finished; it grows by 5.0 ac/h."
    assert lines["Crop"].startswith("chickpea: closes Thursday (an estimate: go and dig), needs 3.1 h")
    assert lines["Fuel"] == "for about 117 ac twice, 9.0 h of work"
    assert lines["Grease"] == "in 4.0 h of work" and lines["Rain"] == "5.0 h, as you said"
    assert lines["Your lap"].startswith("steady to 2 ft: aim 1 ft inside half")


def test_waiting_time_is_offered_where_both_still_finish_together(lines):
    """4 ac ahead, 26 against 10 ac/h: caught in 15 min; 60 ac left to seed take 6 h, us 2.3."""
    quick = replace(CALM, pace=2 * PACE, seeder=Pursuit(4 * ACRE, 10 * ACRE / HOUR, 60 * ACRE, 0.0))
    assert "you catch up in 15 min. With 3 h 25 for gaps" in lines(quick)["Seeder"]


JUDGED = Situation(
    now=0.0, state="working", since=-100.0, width=13.7, position="good", sigma=0.3,
    speed=6 * MPH, heading=0.0, in_field=True, reach=16.0, over=0.0,
)  # fmt: skip


def test_the_day_comes_after_everything_and_in_its_own_order(asker):
    """A danger, a re-cover and a notice go before; of the day's own the first stands."""
    asks = asker.feed(replace(CALM, tank_s=600.0, rain=HOUR, grease_in=-60.0))
    assert [ask.key for ask in asks] == ["fuel", "rain", "grease"]
    judge = Judge(Units("us"), str)
    day = replace(JUDGED, asks=asks)
    pole = replace(day, danger=Danger("m", "pole", 9.0, 0.0))
    notice = replace(day, quiet=Sentence(QUIET, "Check the hitching."))
    assert judge.feed(pole).sentence.rank == 1
    assert judge.feed(replace(notice, now=0.5)).sentence.words == "Check the hitching."
    for k in range(4):
        over = replace(day, now=1 + k / 2, over=3.0, move=3.0, move_side=1)
        last = judge.feed(over).sentence
    assert last.rank == 5
    shown = judge.feed(replace(day, now=30.0)).sentence
    assert (shown.rank, shown.words, shown.sound) == (QUIET, asks[0].words, 0)
    assert shown.i_know and not shown.act_now


def test_i_know_shows_the_next_of_the_day_until_its_cause_is_gone(asker):
    """Each is silenced by itself; once its cause went away it may come again."""
    judge = Judge(Units("us"), str)
    both = asker.feed(replace(CALM, rain=HOUR, grease_in=-60.0))
    words = [both[0].words, both[1].words]

    def now(t, asks):
        sentence = judge.feed(replace(JUDGED, now=t, asks=asks)).sentence
        return sentence and sentence.words

    assert now(0.0, both) == words[0]
    assert judge.i_know() and now(1.0, both) == words[1]
    assert judge.i_know() and now(2.0, both) is None
    assert not judge.i_know()
    assert now(3.0, both[1:]) is None and now(4.0, both) == words[0]
