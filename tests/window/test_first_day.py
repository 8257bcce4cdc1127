"""The first day and the second, by taps only: from an empty logbook to a field handed over."""

import json

import numpy as np
import pytest
from shapely.geometry import Polygon

from cabapp.geometry.plane import Plane
from store import open_store
from store.models import Farm, Field, HandOver, HandOverReceipt, Hitching, Operator, Stint, Tap, Tool, Tractor

pytestmark = pytest.mark.window

FIRST_MOST, RECORDING_MOST, SAME_MOST = 24, 6, 2


class Hand:
    """A hand that counts its taps."""

    def __init__(self, cab):
        self.cab, self.taps = cab, 0

    def tap(self, *texts):
        for text in texts:
            self.cab.tap(text)
            self.taps += 1

    def word(self, word, then):
        """Type a word on the keys, say Done, and wait for what comes next."""
        for sign in word:
            self.cab.find(sign)
            self.tap(sign)
        self.tap("Done")
        self.cab.find(then)

    def said(self, default, then):
        """Leave what is filled in already."""
        self.cab.wait(
            lambda: [t for t in self.cab.look()["things"] if t["text"] == default + "_"], f"{default} filled in"
        )
        self.tap("Done")
        self.cab.find(then)

    def type(self, line, word):
        """Touch a line of a form, type a word, and be back at the form."""
        self.tap(line)
        self.cab.find("Rub out")
        self.word(word, "Write down")


def shown(cab, text):
    """Return the things on the screen that show a text."""
    return [t for t in cab.look()["things"] if text in t["text"]]


def field_file(tmp_path):
    """Put a field's boundary where the tablet looks for one."""
    ring = [
        [-105.2004, 50.0498],
        [-105.1958, 50.0498],
        [-105.1958, 50.0545],
        [-105.2004, 50.0545],
        [-105.2004, 50.0498],
    ]
    folder = tmp_path / "home" / "fields"
    folder.mkdir(parents=True)
    (folder / "north_bottom.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [ring]}))


def test_from_an_empty_logbook_to_a_field_handed_over(open_cab, farm, tmp_path, capsys):
    """A new user answers nine questions, takes over, works, hands over and is followed by the next
    operator who shows the next pass, by taps alone; the taps are counted and kept few."""
    field_file(tmp_path)
    cab = open_cab("--store", tmp_path / "new.sqlite", "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "It is the farm's first machine")
    cab.find("Space")
    hand.word("Home", "America/Toronto")
    hand.tap("America/Toronto", "acres, feet")
    hand.word("Ida", "Space")
    hand.said("Tractor 1", "Space")
    hand.said("Roller", "4")
    hand.word("40", "north_bottom.geojson")
    hand.tap("north_bottom.geojson")
    cab.find("Take over")
    set_up, hand.taps = hand.taps, 0
    cab.picture("first-take-over")
    hand.tap("Take over")
    cab.wait_view(state="ready")
    cab.find("It is right")
    assert shown(cab, "Check the hitching: Tractor 1 with Roller for the first time")
    cab.picture("check-the-hitching")
    hand.tap("It is right", "Start rolling")
    view = cab.wait_view(state="working")
    recording = hand.taps
    assert (view["operator"], view["tractor"], view["tool"], view["field"]) == (
        "Ida",
        "Tractor 1",
        "Roller",
        "North Bottom",
    )
    hand.tap("Stop rolling", "Meal", "More", "Hand over", "Fine")
    cab.wait(lambda: shown(cab, "Where"), "the sheet")
    hand.tap("Hand over")
    cab.find("Later")
    with capsys.disabled():
        print(
            f"\nfirst day: {set_up} taps of set-up, {recording} from there to recording, {hand.taps - recording} to handed over"
        )
    assert set_up <= FIRST_MOST and recording <= RECORDING_MOST
    with open_store(tmp_path / "new.sqlite") as store:
        assert store.all(Farm)[0].timezone == "America/Toronto"
        assert store.all(Tool)[0].width_m == pytest.approx(40 * 0.3048)
        assert store.all(Field)[0].boundary["type"] == "Polygon" and store.all(Field)[0].target == 2
        assert len(store.all(HandOver)) == 1
        taken = [tap.kind for tap in store.all(Tap, stint_id=store.all(Stint)[0].id)]
        assert {"caution", "hitching_ok", "start", "stop", "stop_reason", "hand_over"} <= set(taken)


def test_a_second_tractor_and_its_hitching_are_set_up_by_forms(open_cab, farm, tmp_path):
    """Behind four digits a tractor and its hitching are added; a wrong number does not open set-up."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "1", "2", "3", "4", "Done", "Leave")
    hand.tap("Set-up", "9", "9", "9", "9", "Done")
    cab.wait(lambda: shown(cab, "That is another number."), "the wrong number refused")
    hand.tap("1", "2", "3", "4", "Done", "Tractors")
    cab.find("Back")
    hand.tap("New")
    hand.type("Name", "Ox")
    hand.tap("Write down")
    cab.find("New")
    hand.tap("Back")
    hand.tap("Hitchings")
    cab.find("Back")
    hand.tap("New")
    cab.find("Write down")
    for line, value in (("Tractor", "Ox"), ("Tool", "40 ft roller")):
        hand.tap(line, value)
        cab.find("Write down")
    hand.type("Hitch back to tool", "18")
    hand.tap("Write down")
    cab.wait(lambda: shown(cab, "Ox, 40 ft roller"), "the hitching in its list")
    cab.picture("hitchings")
    with open_store(farm["store"]) as store:
        ox = next(row for row in store.all(Tractor) if row.name == "Ox")
        (pair,) = store.all(Hitching, tractor_id=ox.id)
        assert pair.hitch_to_line_m == pytest.approx(18 * 0.3048) and pair.width_m == 12.0


def test_all_fields_of_a_file_come_in_at_once(open_cab, farm, tmp_path):
    """A file with two fields is taken whole with one tap, or one of them is chosen."""

    def square(lon, name):
        ring = [[lon, 50.0], [lon + 0.004, 50.0], [lon + 0.004, 50.003], [lon, 50.003], [lon, 50.0]]
        return {"type": "Feature", "properties": {"name": name}, "geometry": {"type": "Polygon", "coordinates": [ring]}}

    folder = tmp_path / "home" / "fields"
    folder.mkdir(parents=True)
    both = {"type": "FeatureCollection", "features": [square(-105.0, "East Rise"), square(-105.1, "West Rise")]}
    (folder / "land.geojson").write_text(json.dumps(both))
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "1", "2", "3", "4", "Done", "Fields")
    cab.find("Back")
    hand.tap("New", "Boundary", "land.geojson", "All 2 fields")
    cab.wait(lambda: shown(cab, "East Rise") and shown(cab, "Heron Flat"), "the list of fields")
    with open_store(farm["store"]) as store:
        assert {row.name for row in store.all(Field)} == {"Heron Flat", "East Rise", "West Rise"}


def test_the_gate_and_ground_for_once_are_set_by_taps(open_cab, farm, drive, tmp_path):
    """The gate is where the tablet stands; ground for once only comes from a file with two places and from a
    drive round a third, is refused outside the field, and both can be taken away again."""

    def square(x, y):
        corners = [(x, y), (x + 20, y), (x + 20, y + 20), (x, y + 20), (x, y)]
        ring = [[lon, lat] for _, lat, lon in (drive([corner, (0, 0)], 0.0)[0] for corner in corners)]
        return {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}

    folder = tmp_path / "home" / "fields"
    folder.mkdir(parents=True)
    for name, places in (("wet", [square(200, 300), square(250, 400)]), ("beyond", [square(500, 300)])):
        (folder / f"{name}.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": places}))
    stand, end = 250.0, 400.0
    day0, lat, lon = farm["rows"][0]
    rows = [(day0 + k, lat, lon) for k in range(int(stand))]
    rows += drive([(11, 0), (11, 60), (60, 60), (60, 0), (12, 0)], day0 + stand)
    rows += [(t, *rows[-1][1:]) for t in (rows[-1][0] + k for k in range(1, 4000))]
    farm["still"].write_text(
        "time,lat,lon,sigma,quality\n" + "".join(f"{t:.2f},{a:.8f},{o:.8f},0.05,4\n" for t, a, o in rows)
    )
    cab = open_cab("--store", farm["store"], "--replay", farm["still"], "--size", "1280x1100")
    hand = Hand(cab)

    hand.tap("I have read this", "Set-up", "1", "2", "3", "4", "Done", "Fields", "Heron Flat")
    hand.tap("Gate", "The gate is here", "Once only here", "beyond.geojson")
    cab.wait(lambda: shown(cab, "That ground lies outside the field."), "the refusal")
    hand.tap("wet.geojson", "All 2 places")
    hand.tap("Once only here", "Drive round it now")
    cab.find("All round")
    cab.picture("drive-round-once-only")
    cab.wait_hurried(lambda: cab.look()["view"]["now"] > day0 + end, "the drive to end", then=1, times=60)
    hand.tap("All round")
    cab.find("Gate")
    cab.picture("field-form")
    hand.tap("Write down")
    cab.find("New")
    with open_store(farm["store"]) as store:
        field = store.all(Field)[0]
    assert field.once_only["type"] == "MultiPolygon" and len(field.once_only["coordinates"]) == 3
    plane = Plane(lat, lon)
    areas = sorted(
        Polygon(plane.to_xy(*np.array(piece[0])[:, ::-1].T)).area for piece in field.once_only["coordinates"]
    )
    assert areas == pytest.approx([400, 400, 49 * 60], rel=0.01)
    assert (field.gate_lat, field.gate_lon) == pytest.approx((lat, lon), abs=1e-6)
    hand.tap("Heron Flat", "Gate", "No gate", "Once only here", "Nowhere", "Write down")
    cab.find("New")
    with open_store(farm["store"]) as store:
        field = store.all(Field)[0]
    assert (field.once_only, field.gate_lat, field.gate_lon) == (None, None, None) and field.boundary


def test_as_yesterday_it_is_two_taps(open_cab, farm):
    """When all is as last time, two taps lead from switching on to recording."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this. Same as last time", "Start rolling")
    cab.wait_view(state="working")
    assert hand.taps == SAME_MOST
    with open_store(farm["store"]) as store:
        stint = max(store.all(Stint), key=lambda one: one.at)
        assert [tap.kind for tap in store.all(Tap, stint_id=stint.id)] == ["caution", "start"]


def test_another_operator_and_tractor_take_six_taps_at_most(open_cab, farm, capsys):
    """With another operator and another tractor than yesterday it is six taps at most to recording."""
    with open_store(farm["store"]) as store:
        store.put(Tractor, name="Ox")
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Tam Willet", "Ox", "Take over")
    cab.wait_view(state="ready")
    hand.tap("Start rolling")
    view = cab.wait_view(state="working")
    assert (view["operator"], view["tractor"]) == ("Tam Willet", "Ox")
    assert hand.taps <= RECORDING_MOST
    with capsys.disabled():
        print(f"\nanother operator and tractor: {hand.taps} taps from power-on to recording")


def test_what_only_the_operator_can_say_stands_on_the_sheet(open_cab, farm):
    """Why, headland, fuel left, whom it is left for, and a next pass set right on the map are said by
    taps and kept; and who has no time for the check says so, which is written down."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this. Same as last time", "Start rolling")
    cab.wait_view(state="working")
    hand.tap("Stop rolling", "Wet", "More", "Hand over", "Watch", "Add to it")
    cab.find("Headland")
    cab.picture("add-to-it")
    for question, answer in (("Why", "it is wet"), ("Headland", "headland done"), ("Who receives", "Tam Willet")):
        hand.tap(question)
        cab.wait(lambda answer=answer: shown(cab, answer), answer)
    hand.tap("Headland")
    cab.wait(lambda: shown(cab, "headland not done"), "the next answer")
    hand.tap("Next pass on the map")
    left, top, right, bottom = cab.find("", kinds=("GroundMap",))["rect"]
    cab.press((left + right) / 2, (top + bottom) / 2)
    cab.picture("next-pass-set-right")
    hand.tap("Touch where it begins")
    cab.wait(lambda: shown(cab, "Headland not done."), "the sheet with what was said")
    cab.picture("hand-over-told")
    hand.tap("Hand over")
    cab.find("Later")
    with open_store(farm["store"]) as store:
        (given,) = store.all(HandOver)
        assert given.left_for and given.sheet["told"] == {
            "state": ["it is wet"],
            "odd": ["headland not done"],
            "closing": [{"id": "left for {name}", "values": {"name": "Tam Willet"}}],
        }
        assert given.next_lat == pytest.approx(50.05216, abs=2e-4), (
            "where the operator touched: the middle of the field"
        )
    cab.hold("No time (hold)")
    cab.find("Same as last time")
    cab.tap("Same as last time")
    cab.wait_view(state="ready")
    with open_store(farm["store"]) as store:
        (skipped,) = store.all(Tap, kind="check_skipped")
        assert skipped.reason == "no time" and skipped.detail == {"hand_over": given.id}
        assert not store.all(HandOverReceipt)
        assert {row.name for row in store.all(Operator)} == {"Oda Bracken", "Tam Willet"}


@pytest.fixture
def handed_over(farm):
    """Leave the farm's field for whoever comes, the next pass in its middle; return the hand-over."""
    with open_store(farm["store"]) as store:
        stint = store.all(Stint)[0]
        (west, south), (east, north) = (store.all(Field)[0].boundary["coordinates"][0][k] for k in (0, 2))
        return store.add(HandOver(
            job_id=stint.job_id, stint_id=stint.id, at=stint.at + 3600.0, state="fine", left_for=True, sheet={},
            next_lat=(south + north) / 2, next_lon=(west + east) / 2,
        ))  # fmt: skip


def test_taking_over_a_field_that_waits_leads_through_its_sheet(open_cab, farm, handed_over):
    """With a field chosen that was handed over the key says "Receive first" and opens the sheet; "Later" leaves
    all as chosen; who then shows the next pass is the operator, and one tap more takes over."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Oda Bracken")
    cab.find("Receive first")
    cab.picture("receive-first")
    hand.tap("Receive first", "Later", "Receive first")
    cab.wait(lambda: shown(cab, "Receive: Heron Flat, from Oda Bracken"), "the sheet of the field")
    hand.tap("Tam Willet")
    cab.wait(lambda: shown(cab, "touch the map where the next pass begins."), "the question")
    left, top, right, bottom = cab.find("", kinds=("GroundMap",))["rect"]
    (south, west), (north, east) = cab.look()["map_corners"]
    x = left + (right - left) * (handed_over.next_lon - west) / (east - west)
    cab.press(x, bottom - (bottom - top) * (handed_over.next_lat - south) / (north - south))
    hand.tap("Take over")
    view = cab.wait_view(state="ready")
    assert (view["operator"], view["field"]) == ("Tam Willet", "Heron Flat")
    with open_store(farm["store"]) as store:
        (receipt,) = store.all(HandOverReceipt)
        assert receipt.agreed and receipt.hand_over_id == handed_over.id and not store.all(Tap, kind="check_skipped")


def test_as_last_time_leads_through_the_sheet_too(open_cab, farm, handed_over):
    """The key "Same as last time" on a field that waits opens its sheet, and without time for it one tap takes over."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this. Same as last time")
    cab.hold("No time (hold)")
    hand.tap("Take over")
    cab.wait_view(state="ready")
    with open_store(farm["store"]) as store:
        (skipped,) = store.all(Tap, kind="check_skipped")
        assert skipped.detail == {"hand_over": handed_over.id} and not store.all(HandOverReceipt)
