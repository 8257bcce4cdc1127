"""The judging of warnings, each rule by itself; no store, no map."""

import math
from dataclasses import replace

import pytest

from cabapp.common.farm_format import FarmFormat
from cabapp.common.rendering import render
from cabapp.common.units import FOOT, MPH, Units
from cabapp.session.state.sentence import QUIET, Sentence
from cabapp.session.warnings.finished_ground import FinishedGroundAlarm, look_ahead_seconds, thresholds
from cabapp.session.warnings.situation import Danger, Situation, danger_ahead
from cabapp.session.warnings.warning_evaluator import WarningEvaluator
from cabapp.session.warnings.warning_outcome import ACT_S

W = 45 * FOOT
METRIC = FarmFormat("UTC", Units("metric"))
DRIVING = Situation(
    now=0.0, state="working", since=-100.0, width=W, position="good", sigma=0.3,
    speed=6 * MPH, heading=0.0, in_field=True, reach=16.0, over=0.0,
)  # fmt: skip


@pytest.fixture
def judge():
    return WarningEvaluator()


def drive(judge, seconds, start=0.0, step=0.5, **known):
    """Feed the same situation for some seconds; give all judgements."""
    steps = round(seconds / step)
    return [judge.feed(replace(DRIVING, now=start + k * step, **known)) for k in range(steps + 1)]


def said(judgements):
    return [str(j.sentence.words) if j.sentence else None for j in judgements]


def test_look_ahead_is_about_six_seconds_and_53_feet_at_6_mph():
    """Worked example of the trade notes, 5.2: reaction 2.5 s, delay 1 s, 1 m over at 8 degrees."""
    seconds = look_ahead_seconds(6 * MPH)
    assert seconds == pytest.approx(3.5 + 1 / (6 * MPH * math.sin(math.radians(8))))
    assert seconds == pytest.approx(6, abs=0.3)
    assert seconds * 6 * MPH / FOOT == pytest.approx(53, abs=2)


def test_look_ahead_is_longer_when_slow_but_never_over_10_s():
    """Moving over takes longer at a crawl; nobody holds a line for more than 10 s."""
    assert look_ahead_seconds(4 * MPH) > look_ahead_seconds(8 * MPH)
    assert look_ahead_seconds(0.1) == 10.0
    with pytest.raises(ValueError, match="above 0"):
        look_ahead_seconds(0.0)


@pytest.mark.parametrize(("sigma_ft", "e_on_ft"), [(1, 4.5), (2, 8.4)])
def test_thresholds_follow_her_own_steadiness(sigma_ft, e_on_ft):
    """Worked example of the trade notes, 5.2: 45 ft tool, sigma 1 ft 4.5 ft, sigma 2 ft 8.4 ft."""
    e_on, e_off = thresholds(W, sigma_ft * FOOT, 0.0)
    assert e_on / FOOT == pytest.approx(e_on_ft, abs=0.05)
    assert e_off == e_on / 2


def test_thresholds_follow_the_receiver_and_stay_under_a_third():
    """2.33 sigma of the receiver, a tenth of the tool when nothing is known, a third at most."""
    assert thresholds(12.0, None, 0.0)[0] == pytest.approx(1.2)
    assert thresholds(12.0, None, 1.0)[0] == pytest.approx(2.33)
    assert thresholds(12.0, 3.0, 9.0)[0] == pytest.approx(4.0)


def test_it_speaks_after_a_second_and_a_half_and_names_side_and_distance(judge):
    """The words are the operation's, the count the target's, and the move has a side in feet."""
    judgements = drive(judge, 3.0, over=1.83, move=6 * FOOT, move_side=-1)
    words = "Rolled twice already. Move left 6 ft."
    assert said(judgements) == [None] * 3 + [words] * 4
    sentence = judgements[-1].sentence
    assert (sentence.rank, sentence.side, sentence.act_now, sentence.i_know) == (5, -1, True, True)
    other = WarningEvaluator()
    known = {"over": 2.0, "move": 2.0, "move_side": 1, "operation": "harrowing", "target": 3}
    sentence = drive(other, 2.0, **known)[-1].sentence
    assert render(sentence.words, farm=METRIC) == "Harrowed 3 times already. Move right 2.0 m."


def test_more_than_half_the_tool_is_a_finished_pass(judge):
    """When e > w/2 she is on a finished pass, and it says that."""
    words = said(drive(judge, 2.0, over=W * 0.6, move=22 * FOOT, move_side=1))[-1]
    assert words == "Rolled twice already: this pass is finished. Move right 22 ft."


def test_below_e_on_it_says_nothing(judge):
    """A few feet of lap are normal steering and no warning."""
    assert set(said(drive(judge, 60.0, over=4.4 * FOOT))) == {None}


def test_two_thresholds_hold_the_sentence_and_three_seconds_end_it(judge):
    """On at e_on, held between the two, off after 3 s at e_off; then armed again."""
    drive(judge, 2.0, over=2.0, move=2.0, move_side=1)
    between = drive(judge, 5.0, start=2.5, over=1.0, move=1.0, move_side=1)
    assert all(j.sentence.rank == 5 and j.sentence.act_now for j in between)
    out = drive(judge, 4.0, start=8.0, over=0.5, move=0.4, move_side=1)
    assert [j.sentence is not None for j in out] == [True] * 6 + [False] * 3
    assert not out[0].sentence.act_now  # she has moved over: nothing to do any more
    again = drive(judge, 2.0, start=12.5, over=2.0, move=2.0, move_side=1)
    assert again[-1].sentence.sound == between[-1].sentence.sound + 1


def test_one_sound_an_event_and_one_repeat_at_20_s():
    """A minute on finished ground sounds twice: when it begins, and once more."""
    recover = FinishedGroundAlarm()
    sounds = [t / 2 for t in range(121) if recover.feed(t / 2, 2.0, 1.4, 0.7, heading=0.0, quiet=False).sound]
    assert sounds == [1.5, 21.5]


@pytest.mark.parametrize(
    "why",
    [
        {"curvature": 1 / 15},
        {"curvature": -1 / 15},
        {"speed": 1.4 * MPH},
        {"since": -1.0},
        {"reversing": True},
        {"position": "poor"},
        {"position": "lost"},
        {"edge_ahead": 30.0},
        {"over": None},
        {"heading": None},
    ],
)
def test_silent_when_a_word_would_be_noise(judge, why):
    """Turning, slow, just started, reversing, position not good, row's end near: no word."""
    known = {"over": 5.0, "move": 5.0, "move_side": 1} | why
    sentences = [j.sentence for j in drive(judge, 5.0, **known)]
    assert not any(s and s.rank == 5 for s in sentences)


def test_silent_when_the_heading_turns_quickly(judge):
    """A heading that runs 6 degrees a second is a turn even where the curve says nothing."""
    for k in range(40):
        heading = math.radians(6.0) * k / 2
        now = replace(DRIVING, now=k / 2, over=5.0, move=5.0, move_side=1, heading=heading)
        assert judge.feed(now).sentence is None


def test_i_know_is_silent_to_the_end_of_the_pass_and_not_longer(judge):
    """A wobble is the same pass; a turn round begins another."""
    known = {"over": 3.0, "move": 3.0, "move_side": 1}
    drive(judge, 2.0, **known)
    assert judge.i_know()
    assert set(said(drive(judge, 60.0, start=2.5, heading=math.radians(20.0), **known))) == {None}
    drive(judge, 3.0, start=63.0, over=0.0, heading=math.pi, curvature=0.1)
    back = drive(judge, 3.0, start=70.0, heading=math.pi, **known)
    assert said(back)[-1] == "Rolled twice already. Move right 10 ft."


def test_i_know_with_nothing_to_silence_says_so(judge):
    """A tap that has nothing to work on is told apart from one that has."""
    drive(judge, 2.0)
    assert not judge.i_know()


def test_a_danger_goes_before_everything(judge):
    """A pole in the way takes the line from the re-cover, and says where it stands."""
    pole = Danger("m1", "pole", 15.0, 4.0)
    words = drive(judge, 3.0, over=3.0, move=3.0, move_side=1, danger=pole)
    assert said(words)[-1] == "Pole ahead on the right, 49 ft."
    assert (words[-1].sentence.rank, words[-1].sentence.side) == (1, -1)
    assert words[0].sentence.sound == words[-1].sentence.sound - 1  # the hidden one rose too


def test_only_dangerous_marks_in_the_tool_s_way_count():
    """A gate is no danger, a pole beside the tool none, the nearest goes first."""
    marks = [
        ("gate", "gate", 10.0, 0.0),
        ("beside", "pole", 12.0, 9.0),
        ("far", "well", 29.0, 0.0),
        ("near", "rock pile", 20.0, -7.0),
        ("behind", "pole", -5.0, 0.0),
    ]
    found = danger_ahead(0.0, 0.0, 0.0, marks, 12.0, 30.0)
    assert (found.key, round(found.aside, 6)) == ("near", 7.0)
    assert danger_ahead(0.0, 0.0, math.pi, marks, 12.0, 30.0).key == "behind"


def test_i_know_silences_one_danger_and_not_the_next(judge):
    """A danger silenced stays silent while it is ahead; another one speaks."""
    drive(judge, 1.0, danger=Danger("m1", "well", 15.0, 0.0))
    judge.i_know()
    assert set(said(drive(judge, 2.0, start=1.5, danger=Danger("m1", "well", 9.0, 0.0)))) == {None}
    new = drive(judge, 1.0, start=4.0, danger=Danger("m2", "pole", 9.0, 0.0))
    assert said(new)[-1] == "Pole ahead, 30 ft."


def test_forgotten_start_is_asked_once_after_two_minutes_at_working_speed(judge):
    """Moving 2 min at working speed in the field with recording off raises one question."""
    known = {"state": "ready", "since": -100.0, "over": None}
    judgements = drive(judge, 130.0, **known)
    words = said(judgements)
    assert words[239] is None and words[240] == "Were you rolling since 00:00?"
    answers = {str(words): kind for words, kind in judgements[-1].sentence.answers}
    assert answers == {"Yes, count it": "were_rolling", "No, driving": "not_rolling"}
    assert judge.question_since == 0.0
    judge.answered()
    assert set(said(drive(judge, 600.0, start=131.0, **known))) == {None}


@pytest.mark.parametrize("why", [{"speed": 14 * MPH}, {"speed": 0.2}, {"in_field": False}, {"position": "lost"}])
def test_driving_that_is_not_work_raises_no_question(judge, why):
    """Road speed, standing, another place or no position: nothing to ask."""
    known = {"state": "stopped", "since": -100.0, "over": None} | why
    assert set(said(drive(judge, 400.0, **known))) == {None}


def test_a_turn_does_not_end_the_spell_but_a_stop_does(judge):
    """Ten slow seconds in a turn belong to the work; a minute standing does not."""
    known = {"state": "ready", "since": -100.0, "over": None}
    drive(judge, 100.0, **known)
    drive(judge, 8.0, start=100.5, **(known | {"speed": 0.4}))
    assert said(drive(judge, 30.0, start=109.0, **known))[-1] is not None
    other = WarningEvaluator()
    drive(other, 100.0, **known)
    drive(other, 60.0, start=100.5, **(known | {"speed": 0.0}))
    assert said(drive(other, 100.0, start=161.0, **known))[-1] is None


def test_standing_with_recording_on_asks_to_stop_counting(judge):
    """The mirror of the forgotten tap: standing 2 min, or the road for 20 s, while working."""
    assert said(drive(judge, 125.0, speed=0.0))[-1] == "Stop counting from 00:00?"
    back = drive(judge, 10.0, start=126.0)
    assert said(back)[-1] is None  # at work again by herself
    road = drive(judge, 25.0, start=140.0, speed=15 * MPH, in_field=False)
    assert said(road)[-1] == "Stop counting from 00:02?"
    answers = {str(words): kind for words, kind in road[-1].sentence.answers}
    assert answers == {"Yes, stopped": "stop_counting", "No, rolling": "still_working"}


def test_a_lost_position_is_said_in_words_while_working(judge):
    """It says since when, and what goes on; without work there is nothing to do about it."""
    lost = {"position": "lost", "lost_since": -10.0, "speed": None, "heading": None, "over": None}
    words = said(drive(judge, 2.0, **lost))[-1]
    assert words.startswith("I do not know where we are since 23:59. Taps and hours go on")
    assert said(drive(judge, 2.0, start=3.0, state="stopped", **lost))[-1] is None


def test_the_ranks_are_kept(judge):
    """Taking the causes away one by one shows the next rank each time."""
    known = {
        "danger": Danger("m", "pole", 9.0, 0.0), "stop_rule": "Stop.", "seeder": "Seeder.",
        "over": 3.0, "move": 3.0, "move_side": 1, "quiet": Sentence(QUIET, "Dusk at 21:28."),
    }  # fmt: skip
    lost = {"position": "lost", "lost_since": -10.0}
    ranks, start = [], 0.0
    for gone in (None, "danger", "lost", "stop_rule", "seeder", "over", "quiet"):
        if gone == "lost":
            lost = {}
        elif gone:
            known[gone] = 0.0 if gone == "over" else None
        sentence = drive(judge, 6.0, start=start, **(known | lost))[-1].sentence
        ranks.append(sentence and sentence.rank)
        start += 7.0
    assert ranks == [1, 2, 3, 4, 5, 6, None]
    assert judge.rank is None


def test_a_warning_acted_on_is_graded_so(judge):
    """She moved over within 8 s: acted. The grade carries e and the threshold."""
    drive(judge, 2.0, over=3.0, move=3.0, move_side=1)
    graded = [g for j in drive(judge, 3.0, start=2.5, over=0.4) for g in j.outcomes]
    assert [(g.kind, g.at, g.acted) for g in graded] == [("recover", 1.5, True)]
    assert graded[0].detail["e"] == 3.0
    assert graded[0].detail["threshold"] == pytest.approx(4.5 * FOOT)


def test_a_warning_ignored_is_graded_so_after_eight_seconds(judge):
    """Nothing changed for 8 s: not acted on; a stint that ends sooner leaves it untold."""
    judgements = drive(judge, ACT_S + 3, over=3.0, move=3.0, move_side=1)
    assert [(g.kind, g.acted) for j in judgements for g in j.outcomes] == [("recover", False)]
    other = WarningEvaluator()
    drive(other, 3.0, over=3.0, move=3.0, move_side=1)
    assert [(g.kind, g.acted) for g in other.flush()] == [("recover", None)]


def test_slowing_for_a_danger_is_acting_on_it(judge):
    """At 60 % of the speed within 8 s the pole was heeded."""
    drive(judge, 1.0, danger=Danger("m", "pole", 15.0, 0.0))
    slow = drive(judge, 1.0, start=1.5, speed=3.6 * MPH, danger=Danger("m", "pole", 9.0, 0.0))
    assert [(g.kind, g.acted) for j in slow for g in j.outcomes] == [("danger", True)]
