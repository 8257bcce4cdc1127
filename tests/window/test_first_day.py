"""The first day and the second, by taps only: from an empty logbook to a field handed over."""

import json

import pytest

from store import open_store
from store.models import Farm, Field, HandOver, Stint, Tap, Tool

pytestmark = pytest.mark.window


class Hand:
    """A hand that counts its taps."""

    def __init__(self, cab):
        self.cab, self.taps = cab, 0

    def tap(self, *texts):
        for text in texts:
            self.cab.tap(text)
            self.taps += 1

    def type(self, line, word):
        """Touch a line of a form, type a word, and be back at the form."""
        self.tap(line)
        self.cab.find("Rub out")
        for sign in word:
            self.cab.find(sign)
            self.tap(sign)
        self.tap("Done")
        self.cab.find("Write down")

    def write(self):
        self.tap("Write down")


def test_from_an_empty_logbook_to_a_field_handed_over(open_cab, farm, tmp_path, capsys):
    """A new user sets up farm, operator, tractor, tool and a field from a file, takes over, works,
    and hands over, by taps alone; once set up it is two taps and the day's caution to recording."""
    ring = [[-105.2004, 50.0498], [-105.1958, 50.0498], [-105.1958, 50.0545], [-105.2004, 50.0545], [-105.2004, 50.0498]]
    (tmp_path / "home" / "fields").mkdir(parents=True)
    (tmp_path / "home" / "fields" / "north_bottom.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))
    cab = open_cab("--store", tmp_path / "new.sqlite", "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "1", "2", "3", "4", "Done", "Farm")
    hand.type("Name", "Home")
    hand.tap("Time zone", "America/Toronto")
    cab.find("Write down")
    hand.write()
    for kind, name, more in (("Operators", "Ida", ()), ("Tractors", "Ox", ()), ("Tools", "Bar", (("Working width", "40"),))):
        hand.tap(kind)
        cab.find("Back")  # "New" is on this page now, no longer "New number"
        hand.tap("New")
        hand.type("Name", name)
        for line, figure in more:
            hand.type(line, figure)
        hand.write()
        cab.find("New")
        hand.tap("Back")
        cab.find("Leave")
    hand.tap("Fields")
    cab.find("Back")
    hand.tap("New", "Boundary", "north_bottom.geojson")
    cab.find("Write down")
    hand.write()
    cab.find("New")
    hand.tap("Back")
    cab.find("Leave")
    hand.tap("Leave")
    set_up, hand.taps = hand.taps, 0
    cab.picture("first-take-over")
    hand.tap("Take over")
    cab.wait_view(state="ready")
    if [t for t in cab.look()["things"] if t["text"] == "It is right"]:
        hand.tap("It is right")
    hand.tap("Start rolling")
    view = cab.wait_view(state="working")
    recording = hand.taps
    assert (view["operator"], view["tractor"], view["tool"], view["field"]) == ("Ida", "Ox", "Bar", "North Bottom")
    hand.tap("Stop rolling", "Meal", "More", "Hand over", "Fine")
    cab.wait(lambda: [t for t in cab.look()["things"] if t["text"] == "Where"], "the sheet")
    hand.tap("Hand over")
    cab.find("Later")
    with capsys.disabled():
        print(f"\nfirst day: {set_up} taps of set-up, {recording} from there to recording, {hand.taps - recording} to handed over")
    assert recording <= 6 - 1, "with the day's caution six at most"
    with open_store(tmp_path / "new.sqlite") as store:
        assert store.all(Farm)[0].timezone == "America/Toronto"
        assert store.all(Tool)[0].width_m == pytest.approx(40 * 0.3048)
        assert store.all(Field)[0].boundary["type"] == "Polygon"
        assert len(store.all(HandOver)) == 1
        taken = [tap.kind for tap in store.all(Tap, stint_id=store.all(Stint)[0].id)]
        assert {"caution", "start", "stop", "stop_reason", "hand_over"} <= set(taken)


def test_as_yesterday_it_is_two_taps(open_cab, farm):
    """When all is as last time, two taps lead from switching on to recording."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this. Same as last time", "Start rolling")
    cab.wait_view(state="working")
    assert hand.taps == 2
    with open_store(farm["store"]) as store:
        stint = max(store.all(Stint), key=lambda one: one.at)
        assert [tap.kind for tap in store.all(Tap, stint_id=stint.id)] == ["caution", "start"]
