"""The table of states and taps, and what the taps of a stint add up to."""

import pytest

from cabapp.jobs.records import stint_state
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from store.errors import Refused
from tests.session.made_tap import Made

LEFT_UP = (False, True, True)


def undo(tap, at):
    return Made("undo", at, detail={"tap": tap.id})


@pytest.mark.parametrize("state", stint_state.STATES)
@pytest.mark.parametrize("tap", stint_state.TAPS)
def test_every_tap_in_every_state_leads_on_or_is_refused_with_a_sentence(state, tap):
    """No tap is dropped silently: it has a place in the table or a sentence that says why not."""
    try:
        assert stint_state.next_state(state, tap) in stint_state.STATES
    except Refused as refused:
        assert str(refused)[0].isupper() and str(refused).endswith(".")
        assert state not in TAP_KINDS[tap].transitions


def test_every_state_can_be_reached_from_idle():
    """No state is a dead letter, and from each there is a way back to a new stint."""
    reached, new = set(), {"idle"}
    while new:
        reached |= new
        transitions = [kind.transitions for kind in TAP_KINDS.values()]
        new = {after for one in transitions for before, after in one.items() if before in reached} - reached
    assert reached == set(stint_state.STATES)
    assert set(TAP_KINDS["take_over"].transitions) == {"idle", "finished", "handed over"}


def test_a_reason_names_the_state_it_was_refused_in():
    """The sentence of a refusal fits the state and tap it is about."""
    with pytest.raises(stint_state.TapRefused, match="Nobody has taken over"):
        stint_state.next_state("idle", "start")
    with pytest.raises(stint_state.TapRefused, match="Press Restart"):
        stint_state.next_state("stopped", "start")
    with pytest.raises(stint_state.TapRefused, match="engine off"):
        stint_state.next_state("working", "hand_over")


def test_a_state_or_tap_that_does_not_exist_is_a_mistake_in_the_program():
    """An unknown word is a ValueError, not a sentence for the operator."""
    with pytest.raises(ValueError, match="no such state or tap"):
        stint_state.next_state("working", "explode")


def test_the_taps_of_a_day_add_up():
    """State, reason, working time and switches follow from the taps alone."""
    taps = [
        Made("start", 100.0),
        Made("width", 150.0, detail={"wing": "left up"}),
        Made("stop", 200.0, reason="fuel"),
        Made("restart", 300.0),
        Made("finish", 360.0),
    ]
    now = stint_state.stint_state(50.0, taps)
    assert (now.state, now.since, now.on) == ("finished", 360.0, LEFT_UP)
    assert now.working_s(1000.0) == 160.0
    assert [(s.t, s.working, s.on) for s in now.switches] == [
        (100.0, True, ()),
        (150.0, True, LEFT_UP),
        (200.0, False, LEFT_UP),
        (300.0, True, LEFT_UP),
        (360.0, False, LEFT_UP),
    ]
    assert stint_state.stint_state(50.0, taps[:3]).reason == "fuel"
    assert stint_state.stint_state(50.0, taps[:4]).working_s(330.0) == 130.0


@pytest.mark.parametrize("kind", ["start", "stop", "restart", "finish", "width", "pass_counted"])
def test_undo_restores_exactly_what_was_before(kind):
    """Taking a tap back gives the same standing as never having made it."""
    way = {
        "start": [],
        "stop": [Made("start", 10.0)],
        "restart": [Made("start", 10.0), Made("stop", 20.0)],
        "finish": [Made("start", 10.0)],
        "width": [Made("start", 10.0)],
        "pass_counted": [Made("start", 10.0), Made("pass_counted", 15.0)],
    }[kind]
    tap = Made(kind, 30.0, detail={"wing": "right up"} if kind == "width" else None)
    assert stint_state.stint_state(0.0, [*way, tap]) != stint_state.stint_state(0.0, way)
    assert stint_state.stint_state(0.0, [*way, tap, undo(tap, 35.0)]) == stint_state.stint_state(0.0, way)


def test_a_tap_can_be_undone_for_ten_seconds_and_the_last_goes_first():
    """At 10 s it is too late; what cannot be undone is passed over."""
    start, stop = Made("start", 100.0), Made("stop", 104.0)
    taps = [start, stop, Made("i_know", 105.0)]
    assert stint_state.undoable(taps, 113.9) is stop
    assert stint_state.undoable(taps, 114.0) is None
    taps.append(undo(stop, 106.0))
    assert stint_state.undoable(taps, 109.0) is start
    assert stint_state.undoable(taps, 110.0) is None
    assert stint_state.undoable([], 0.0) is None


def test_counting_from_earlier_replaces_what_was_said_after_that_time():
    """ "Yes, count it" works from the time asked about, and "stop" from the time it names."""
    taps = [Made("start", 100.0), Made("stop", 200.0), Made("restart", 300.0)]
    late = stint_state.stint_state(0.0, [*taps, Made("stop_counting", 500.0, detail={"from": 420.0})])
    assert (late.state, late.since, late.working_s(999.0)) == ("stopped", 420.0, 220.0)
    forgotten = stint_state.stint_state(0.0, [*taps[:2], Made("were_rolling", 500.0, detail={"from": 260.0})])
    assert (forgotten.state, forgotten.since) == ("working", 260.0)
    assert forgotten.working_s(500.0) == 100.0 + 240.0


def test_counted_passes_have_a_length_only_when_it_was_told():
    """A pass of unknown length makes the sum unknown, never zero; a wing up is two thirds."""
    told = Made("pass_counted", 20.0, detail={"length_m": 600.0})
    wing = Made("width", 30.0, detail={"wing": "left up"})
    more = Made("pass_counted", 40.0)
    now = stint_state.stint_state(0.0, [Made("start", 10.0), told, wing, more])
    assert (now.tally, now.tally_m) == (2, pytest.approx(600.0 + 400.0))
    untold = stint_state.stint_state(0.0, [Made("start", 10.0), more, told])
    assert (untold.tally, untold.tally_m) == (2, None)


def test_taps_of_a_newer_version_are_passed_over():
    """A kind this program does not know changes nothing and breaks nothing."""
    taps = [Made("start", 10.0), Made("sing", 20.0)]
    assert stint_state.stint_state(0.0, taps) == stint_state.stint_state(0.0, taps[:1])


def test_a_reason_given_after_the_stop_is_the_stop_s_and_undo_still_takes_the_stop_back():
    """The stop counts at once, its reason is asked when she stands; undo goes for the stop."""
    taps = [Made("start", 10.0), Made("stop", 20.0), Made("stop_reason", 25.0, reason="rain")]
    now = stint_state.stint_state(0.0, taps)
    assert (now.state, now.since, now.reason) == ("stopped", 20.0, "rain")
    assert stint_state.undoable(taps, 26.0) is taps[1]
    assert stint_state.stint_state(0.0, [*taps, undo(taps[1], 26.0)]) == stint_state.stint_state(0.0, taps[:1])
