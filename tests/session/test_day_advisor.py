"""What the day asks, each sentence by itself, and its place among the others; no store, no map."""

from dataclasses import replace

import pytest

from cabapp.common.units import ACRE, FOOT, MPH
from cabapp.planning.emergence import CROPS
from cabapp.planning.finish_time import Finish
from cabapp.session.advice.day_advisor import DayAdvisor
from cabapp.session.advice.day_facts import DayFacts, GapTourSummary, SeederLead
from cabapp.session.advice.day_summary import day_lines
from cabapp.session.state.sentence import QUIET, SEEDER, STOP_RULE, Sentence
from cabapp.session.warnings.situation import Danger, Situation
from cabapp.session.warnings.warning_evaluator import WarningEvaluator

HOUR = 3600.0
PACE = 26 * ACRE / HOUR  # 26 ac of passes an hour: 13 finished
CALM = DayFacts(
    now=0.0, state="working", width=45 * FOOT, target=2, tool="roller", left=80 * ACRE, pace=PACE,
    end=Finish(2.5 * HOUR, 3.1 * HOUR, 4 * HOUR), speed=6 * MPH,
    sunset=8 * HOUR, dusk=8.5 * HOUR, tank_s=9 * HOUR, grease_in=4 * HOUR,
    crop="chickpea", rules=CROPS["chickpea"], closes=96 * HOUR, up=160 * HOUR,
    seeder=SeederLead(20 * ACRE, 12.9 * ACRE / HOUR, 100 * ACRE, 0.0), wander=(0.3, 0.35), lap_sigma=0.3,
    spacing=22.2 * FOOT,
)  # fmt: skip


@pytest.fixture
def asker():
    return DayAdvisor()


@pytest.fixture
def lines():
    return lambda known: {name: str(line) for name, line in day_lines(known)}


def said(asks):
    return {ask.key: str(ask.words) for ask in asks}


def test_a_day_in_order_asks_for_nothing(asker):
    """Time, light, fuel, grease and crop enough, seeder far: not one sentence."""
    assert asker.feed(CALM) == ()


def test_nothing_known_asks_for_nothing(asker, lines):
    """Without pace, tank, crop, seeder or place there is nothing to say, and no line is made up."""
    assert asker.feed(DayFacts(now=0.0, state="ready")) == ()
    assert lines(DayFacts(now=0.0, state="ready")) == {}


def test_catching_the_seeder_says_when_and_the_speed_that_holds(asker):
    """Worked example of the trade notes, 6.4: B / (R - S) and v S / R. 2 ac ahead at 13 against
    7 ac/h are 20 min; 6 mph x 7 / 13 = 3.2 mph holds the distance."""
    close = replace(CALM, seeder=SeederLead(2 * ACRE, 7 * ACRE / HOUR, 50 * ACRE, 0.0))
    (ask,) = asker.feed(close)
    assert (ask.rank, str(ask.words)) == (
        SEEDER, "You catch the seeder in 20 min. 3.2 mph keeps the distance. Or stop: gaps, rocks, grease, fuel.",
    )  # fmt: skip


def test_a_standing_seeder_leaves_so_much_ground(asker):
    """20 ac ahead at 13 ac/h are an hour and a half: nothing yet; 4 ac are 18 min."""
    assert asker.feed(replace(CALM, seeder=SeederLead(20 * ACRE, 0.0, 50 * ACRE, 0.0))) == ()
    (ask,) = asker.feed(replace(CALM, seeder=SeederLead(4 * ACRE, 0.0, 50 * ACRE, 0.0)))
    assert str(ask.words).startswith("The seeder stands: seeded ground for 18 min.")


def test_a_faster_or_finished_seeder_is_no_warning(asker):
    """Nobody catches a faster one, and one that has seeded it all cannot be caught."""
    for seeder in (SeederLead(1.0, 14 * ACRE / HOUR, 10 * ACRE, 0.0), SeederLead(1.0, 0.0, 0.0, 0.0)):
        assert asker.feed(replace(CALM, seeder=seeder)) == ()


def test_fuel_is_said_in_acres_while_there_is_time_to_fill(asker):
    """40 min of fuel at 13 ac/h are 8.7 ac twice, 40 are left; with enough for the rest: silence."""
    (ask,) = asker.feed(replace(CALM, tank_s=40 * 60.0))
    assert str(ask.words) == ("Fuel for about 8.7 ac twice, and 40 ac are left. Fill before you go on far.")
    assert asker.feed(replace(CALM, tank_s=40 * 60.0, left=10 * ACRE)) == ()


def test_rain_before_the_finish_says_what_will_be_left(asker):
    """Rain in an hour: 26 of 80 pass-acres done, about 27 ac still to finish. After it, silence."""
    (ask,) = asker.feed(replace(CALM, rain=HOUR))
    assert str(ask.words) == "Rain at 01:00: about 27 ac will be left. Do the heavy ground first."
    assert asker.feed(replace(CALM, rain=4 * HOUR)) == ()


def test_a_finish_after_dusk_says_how_long_after(asker):
    """Likely finish 40 min after dusk two and a half hours ahead: choose what to leave."""
    late = replace(CALM, dusk=2.4 * HOUR + 60, end=Finish(2.5 * HOUR, 3.1 * HOUR - 60, 4 * HOUR))
    (ask,) = asker.feed(late)
    assert str(ask.words).startswith("Likely finish 40 min after dusk (02:25). Choose 8.6 ac to leave")
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
    assert str(ask.words).startswith("This ground closes Thursday 1 January (an estimate) and needs 3.1 h more")
    assert asker.feed(replace(CALM, closes=12 * HOUR)) == ()


def test_a_crop_that_may_be_up_stops_the_work_until_she_has_dug(asker):
    """From closing on: stop, go and dig; silent for a day once she looked and found no shoots."""
    due = replace(CALM, closes=-HOUR)
    (ask,) = asker.feed(due)
    assert (ask.rank, str(ask.words)) == (
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
    assert str(ask.words) == "Your laps wander 2 ft, at first 1 ft. 10 to 15 minutes off the seat help."
    assert asker.feed(replace(tired, seat_s=HOUR)) == ()
    assert asker.feed(replace(tired, wander=(1 * FOOT, 1.4 * FOOT), seat_s=0.0)) == ()


def test_the_day_can_be_read_through(lines):
    """Every line of the day, in words: clocks, fuel in acres, her own best lap (trade notes, 6.1)."""
    gaining = SeederLead(20 * ACRE, 18 * ACRE / HOUR, 36 * ACRE, 0.0)
    lines = lines(replace(CALM, lap_sigma=2 * FOOT, rain=5 * HOUR, seeder=gaining, wind=3.0, air=20.0))
    assert lines["Finish"] == "likely 03:06 (02:30 to 04:00)"
    assert lines["Daylight"] == "sunset 08:00, dark from 08:30"
    assert lines["Seeder"] == "20 ac seeded and not finished; it grows by 5.0 ac/h to 30 ac when it is done."
    assert lines["Wind and heat"] == "wind 6.7 mph, air 68 °F, as you said"
    assert lines["Your hours"].endswith("only you see this")
    assert lines["Crop"].startswith("chickpea: closes Monday 5 January (an estimate: go and dig), needs 3.1 h")
    assert lines["Fuel"] == "for about 117 ac twice, 9.0 h of work"
    assert lines["Grease"] == "in 4.0 h of work" and lines["Rain"] == "05:00, as you said"
    assert lines["Your lap"].startswith("steady to 2 ft: aim 1 ft inside half")


def test_waiting_time_is_offered_where_both_still_finish_together(lines):
    """4 ac ahead, 26 against 10 ac/h: caught in 15 min; 60 ac left to seed take it 6 h, us 64 ac 2 h 28:
    3 h 32 to spare (left / S - (lead + left) / R)."""
    quick = replace(CALM, pace=2 * PACE, seeder=SeederLead(4 * ACRE, 10 * ACRE / HOUR, 60 * ACRE, 0.0))
    assert "you catch up in 15 min. With 3 h 30 for gaps" in lines(quick)["Seeder"]


def test_standing_with_time_to_spare_she_is_told_when_to_start(asker):
    """Ready, with the 3 h 32 of the line before: start by then, and what is known to be due first;
    at work, or with ten minutes to spare, silence."""
    quick = replace(CALM, pace=2 * PACE, seeder=SeederLead(4 * ACRE, 10 * ACRE / HOUR, 60 * ACRE, 0.0), state="ready")
    (ask,) = asker.feed(replace(quick, rocks=2, grease_in=HOUR, missed=GapTourSummary(0, 0.0, 0.0)))[1:]
    assert str(ask.words) == "Start by 03:32 and you finish with the seeder. Until then 2 rocks to pick, grease."
    assert said(asker.feed(quick))["wait"].endswith("Until then gaps, rocks, grease, fuel.")
    assert "wait" not in said(asker.feed(replace(quick, state="working")))
    little = replace(quick, seeder=SeederLead(4 * ACRE, 10 * ACRE / HOUR, 4 * ACRE, 0.0))
    assert "wait" not in said(asker.feed(little))


def test_a_seeder_that_gains_is_said_when_it_leaves_hours_of_work(asker):
    """20 ac ahead, 100 to seed at 18 against 13 ac/h: 120 - 13 x 5.6 = 48 ac, 3.7 h: nothing; 30 ac
    more and it is 4.3 h."""
    gains = replace(CALM, seeder=SeederLead(20 * ACRE, 18 * ACRE / HOUR, 100 * ACRE, 0.0))
    assert asker.feed(gains) == ()
    (ask,) = asker.feed(replace(gains, seeder=SeederLead(20 * ACRE, 18 * ACRE / HOUR, 130 * ACRE, 0.0)))
    assert str(ask.words) == (
        "The seeder gains 5.0 ac/h on you: 56 ac will wait when it is done, 4.3 h of work. Say so, or get help."
    )
    assert asker.feed(gains), "what was said stays above three hours"
    assert asker.feed(replace(gains, seeder=SeederLead(1 * ACRE, 18 * ACRE / HOUR, 100 * ACRE, 0.0))) == ()


def test_an_unknown_pace_of_the_seeder_says_nothing_of_time(asker, lines):
    """Pointed out once and no pace told: how much is seeded, and neither clock."""
    seen = replace(CALM, seeder=SeederLead(1 * ACRE, None, 100 * ACRE, 0.0))
    assert asker.feed(seen) == ()
    assert lines(seen)["Seeder"] == "1.0 ac seeded and not finished."


def test_a_fault_of_the_walk_round_is_said_before_the_start(asker):
    """Who found it and when; once work has begun it is on the page only."""
    faulty = replace(CALM, state="ready", faults=("hitch pin", "tyres"), walker="Ann", walked=HOUR)
    (ask,) = asker.feed(faulty)
    assert str(ask.words) == "Not right when Ann walked round (01:00): hitch pin, tyres. Look before you start."
    assert asker.feed(replace(faulty, state="working")) == ()


def test_a_mop_up_that_is_worth_it_is_said_standing(asker):
    """Three places with their way and time; at work, or when none is worth it, silence."""
    missed = replace(CALM, state="stopped", missed=GapTourSummary(3, 965.6, 720.0))
    (ask,) = asker.feed(missed)
    assert str(ask.words) == "3 places missed are worth going back for: 0.6 mi to drive, 12 min. See More, Mop up."
    assert asker.feed(replace(missed, state="working")) == ()
    assert asker.feed(replace(missed, missed=GapTourSummary(0, 0.0, 0.0))) == ()


def test_a_lap_far_from_her_best_is_said_with_what_it_costs(asker):
    """45 ft steered to 2 ft: best is 1.4 ft inside half (trade notes, 6.1). Exactly half leaves 5 % once,
    and 1.4 ft is within her spread: silence. 3 ft outside half asks, 5 ft inside half asks the other way."""
    steady = replace(CALM, lap_sigma=2 * FOOT, spacing=22.5 * FOOT)
    assert asker.feed(steady) == ()
    (ask,) = asker.feed(replace(steady, spacing=25.5 * FOOT))
    assert str(ask.words).endswith("rolled once. Lap 4 ft more: best for your steadiness.")
    assert asker.feed(steady), "said once, it stays to half of that"
    (ask,) = asker.feed(replace(steady, spacing=17.5 * FOOT))
    assert str(ask.words).startswith("Your laps leave about 57 % rolled three times. Lap 4 ft less")
    assert asker.feed(replace(steady, spacing=21.1 * FOOT)) == ()


JUDGED = Situation(
    now=0.0, state="working", since=-100.0, width=13.7, position="good", sigma=0.3,
    speed=6 * MPH, heading=0.0, in_field=True, reach=16.0, over=0.0,
)  # fmt: skip


def test_the_day_comes_after_everything_and_in_its_own_order(asker):
    """A danger, a re-cover and a notice go before; of the day's own the first stands."""
    asks = asker.feed(replace(CALM, tank_s=600.0, rain=HOUR, grease_in=-60.0))
    assert [ask.key for ask in asks] == ["fuel", "rain", "grease"]
    judge = WarningEvaluator()
    day = replace(JUDGED, advice=asks)
    pole = replace(day, danger=Danger("m", "pole", 9.0, 0.0))
    notice = replace(day, quiet=Sentence(QUIET, "Check the hitching."))
    assert judge.feed(pole).sentence.rank == 1
    assert judge.feed(replace(notice, now=0.5)).sentence.words == "Check the hitching."
    for k in range(4):
        over = replace(day, now=1 + k / 2, over=3.0, move=3.0, move_side=1)
        last = judge.feed(over).sentence
    assert last.rank == 5
    shown = judge.feed(replace(day, now=30.0)).sentence
    assert (shown.rank, str(shown.words), shown.sound) == (QUIET, str(asks[0].words), 0)
    assert shown.i_know and not shown.act_now


def test_i_know_shows_the_next_of_the_day_until_its_cause_is_gone(asker):
    """Each is silenced by itself; once its cause went away it may come again."""
    judge = WarningEvaluator()
    both = asker.feed(replace(CALM, rain=HOUR, grease_in=-60.0))
    words = [str(both[0].words), str(both[1].words)]

    def now(t, asks):
        sentence = judge.feed(replace(JUDGED, now=t, advice=asks)).sentence
        return sentence and str(sentence.words)

    assert now(0.0, both) == words[0]
    assert judge.i_know() and now(1.0, both) == words[1]
    assert judge.i_know() and now(2.0, both) is None
    assert not judge.i_know()
    assert now(3.0, both[1:]) is None and now(4.0, both) == words[0]
