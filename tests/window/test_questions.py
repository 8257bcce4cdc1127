"""The questions the cab asks instead of refusing, answered by taps in the real window."""

import pytest

from store import open_store
from store.models import Stint, Tap, Tractor

pytestmark = pytest.mark.window


def shown(cab, text):
    """Return the things on the screen that show a text."""
    return [t for t in cab.look()["things"] if text in t["text"]]


def taps_of_today(store):
    """Return today's taps in order."""
    stint = max(store.all(Stint), key=lambda one: one.at)
    return sorted(store.all(Tap, stint_id=stint.id), key=lambda tap: tap.seq)


def test_a_forgotten_start_and_a_forgotten_stop_are_asked_about(open_cab, farm):
    """The operator rolls for two minutes with recording off: "Were you rolling since ...?", and Yes counts it from
    there. Then the tractor stands with recording on: "Stop counting from ...?", and Yes stops it from there."""
    cab = open_cab("--store", farm["store"], "--replay", farm["trace"], "--speed", "5")
    cab.tap("I have read this. Same as last time")
    cab.wait_view(state="ready")
    if shown(cab, "It is right"):
        cab.tap("It is right")
    began, ended = (farm["rows"][0][0] + 45.0 + drive for drive in (0.0, 380 / 3.0))

    def pass_moment(t):
        """Let the replay run fast up to a moment and slowly through it: what happens is dated by ticks."""
        for until, times in ((t - 10, 30), (t + 10, 10)):
            cab.wait_hurried(lambda until=until: cab.look()["view"]["now"] > until, "the moment", then=5, times=times)

    pass_moment(began)
    cab.wait_hurried(lambda: shown(cab, "Were you rolling since 09:00?"), "the question", then=5)
    cab.find("No, driving")
    cab.picture("were-you-rolling")
    cab.tap("Yes, count it")
    view = cab.wait_view(state="working")
    assert abs(view["since"] - began) < 15, "since the operator began to drive, not since the answer"
    pass_moment(ended)
    cab.wait_hurried(lambda: shown(cab, "Stop counting from 09:0"), "the mirror question", then=5)
    cab.picture("stop-counting")
    cab.tap("Yes, stopped")
    view = cab.wait_view(state="stopped")
    assert abs(view["since"] - ended) < 20
    with open_store(farm["store"]) as store:
        kinds = [
            tap.kind for tap in taps_of_today(store) if tap.kind in ("start", "were_rolling", "stop_counting", "stop")
        ]
        assert kinds == ["were_rolling", "stop_counting"]


def test_the_field_the_tractor_stands_in_is_named(open_cab, farm):
    """Standing in a field, the page says so and asks whether to start there, with the field chosen."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    cab.tap("I have read this")
    cab.wait(lambda: shown(cab, "You are in Heron Flat. Start?"), "the field named")
    cab.picture("you-are-in")


def test_another_tractor_before_the_tool_asks_for_its_hitching(open_cab, farm):
    """A tractor that never pulled the tool: "Check the hitching", once, until it is said to be right."""
    with open_store(farm["store"]) as store:
        store.put(Tractor, name="Ox")
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    for key in ("I have read this", "Oda Bracken", "Ox", "Take over"):
        cab.tap(key)
    cab.wait(lambda: shown(cab, "Check the hitching: Ox with 40 ft roller for the first time."), "the question")
    cab.tap("It is right")
    cab.wait(lambda: not shown(cab, "Check the hitching"), "the question to go")
    cab.kill()
    again = open_cab("--store", farm["store"], "--replay", farm["still"])
    again.wait_view(state="ready")
    assert not shown(again, "Check the hitching"), "what was said to be right is not asked again"
