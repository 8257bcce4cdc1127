"""Every page, by day and by night, at every size: what a gloved hand and an eye at arm's length need."""

import importlib
import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cabapp.planning.sun import evening
from cabapp.screens.system.screen_registry import MENU, SCREENS
from store import open_store
from store.models import Field, Mark, Tap
from tests.window.contrast import contrast
from tests.window.pseudo_language import write_language
from tests.window.screen_parts import TOURED

pytestmark = pytest.mark.window

# a 10.1-inch tablet each: width, height and pixels per inch
SIZES = {"wide": (1280, 800, 149), "small": (1024, 600, 117.5), "fine": (1920, 1200, 224), "tall": (800, 1280, 149)}
MARGIN_MM = 2.0
AFTER_SUNSET_S = 600.0  # civil dusk lasts above half an hour in May at 50 N


@pytest.fixture
def opened(open_cab, farm, tmp_path):
    """Return a function that opens the cab, standing still in the field, at a size; a recorded day is there."""
    recordings = tmp_path / "home" / "recordings"
    recordings.mkdir(parents=True)
    shutil.copy(farm["still"], recordings / "still.csv")

    def open_one(size, *words, replay=farm["still"]):
        width, height, dpi = SIZES[size]
        return open_cab(
            "--store", farm["store"], "--replay", replay, "--size", f"{width}x{height}", "--dpi", dpi, *words
        )

    return open_one


@pytest.fixture
def sundown(farm):
    """Return a recording of the same stand in the field, begun ten minutes after that day's sunset."""
    head, *fixes = farm["still"].read_text().splitlines()
    begun, lat, lon = (float(v) for v in fixes[0].split(",")[:3])
    later = evening(lat, lon, begun) + AFTER_SUNSET_S - begun
    rows = [fix.split(",", 1) for fix in fixes]
    path = farm["still"].with_name("sundown.csv")
    path.write_text("\n".join([head, *(f"{float(t) + later:.2f},{rest}" for t, rest in rows)]) + "\n")
    return path


def check_page(seen, picture, name, sizes):
    """Keys, gaps, letters, margin and contrast of one page."""
    sizes.keys(seen)
    sizes.words(seen)
    picture = np.asarray(Image.open(picture).convert("RGB"))
    for thing in seen["things"]:
        if thing["kind"] == "key" and thing["text"] and not thing["disabled"]:
            assert has_air(picture, thing, seen["px_per_mm"]), (name, thing["text"])
        if thing["text"] and thing["kind"] not in ("GroundMap", "StripPiece"):
            assert bare_at_edges(picture, thing, seen["px_per_mm"]), (name, thing["text"])
        if (
            any(c.isalnum() for c in thing["text"])
            and thing["whole"]
            and thing["kind"] not in ("GroundMap", "StripPiece")
        ):
            assert contrast(*painted(picture, thing)) >= 7, (name, thing["text"])


def bare_at_edges(picture, thing, px_per_mm):
    """Say whether of what is written, or of a key, nothing lies in the margin of the window: there it is of one colour."""
    high, wide = picture.shape[:2]
    left, top, right, bottom = (round(v) for v in thing["rect"])
    margin = round(MARGIN_MM * px_per_mm)
    bands = (
        picture[top:bottom, left : max(left, min(right, margin))],
        picture[top:bottom, max(left, min(right, wide - margin)) : right],
        picture[top : max(top, min(bottom, margin)), left:right],
        picture[max(top, min(bottom, high - margin)) : bottom, left:right],
    )
    return all(len(np.unique(band.reshape(-1, 3), axis=0)) <= 1 for band in bands)


def painted(picture, thing):
    """Return the two commonest colours of a thing on a picture, as #RRGGBB."""
    left, top, right, bottom = (round(v) for v in thing["rect"])
    inside = picture[top + 4 : bottom - 4, left + 4 : right - 4].astype(np.uint32)
    colours, counts = np.unique(inside @ np.array([65536, 256, 1], np.uint32), return_counts=True)
    return [f"#{colours[k]:06X}" for k in np.argsort(counts)[::-1][:2]]


def has_air(picture, key, px_per_mm):
    """Say whether a millimetre inside a key's frame is bare at both sides of its words."""
    left, top, right, bottom = key["rect"]
    near, far = 0.9 * px_per_mm, 1.9 * px_per_mm
    bands = ((left + near, left + far), (right - far, right - near))
    inside = [picture[round(top + near) : round(bottom - near), round(a) : round(b)].reshape(-1, 3) for a, b in bands]
    return len(np.unique(np.concatenate(inside), axis=0)) == 1


def clear_of_keys(seen, ring):
    """Say whether no corner of a field, on a map with north up, lies under one of the map's two keys."""
    (ground,) = [t["rect"] for t in seen["things"] if t["kind"] == "GroundMap"]
    (south, west), (north, east) = seen["map_corners"]
    keys = [t["rect"] for t in seen["things"] if t["text"] in ("+", "–") and t["kind"] == "key"]
    assert len(keys) == 2
    lon, lat = np.array(ring).T
    x = ground[0] + (lon - west) / (east - west) * (ground[2] - ground[0])
    y = ground[3] - (lat - south) / (north - south) * (ground[3] - ground[1])
    inside = x.min() > ground[0] and x.max() < ground[2] and y.min() > ground[1] and y.max() < ground[3]
    return inside and all(x.max() < k[0] or x.min() > k[2] or y.max() < k[1] or y.min() > k[3] for k in keys)


def worked_out(seen, name):
    """Say whether a screen is shown and nothing on it is still being looked for."""
    return seen["screen"] == name and not [thing for thing in seen["things"] if "…" in thing["text"]]


def parts_of_the_day(cab):
    """Go to the parts of the day's screen by taps; give the name of each."""
    for key, part in (
        ("Rain", "rain"), ("Wind and heat", "figures"), ("Seeding and soil", "ground"), ("Seeder", "seeder"), ("On the map", "map"),
    ):  # fmt: skip
        cab.tap(key)
        cab.wait(lambda part=part: cab.look()["part"] == part, f"the part {part}")
        yield f"the-day-{part}"
        if part != "seeder":
            cab.tap("Back")
    cab.tap("Back")
    cab.find("Greased")


def tour(cab):
    """Go to every page by taps; give the name of each as it is shown."""
    cab.find("I have read this")
    yield "caution"
    cab.tap("I have read this")
    cab.find("Set-up")
    yield "take-over"
    cab.tap("Set-up")
    cab.find("7")
    yield "number"
    for digit in "1234":
        cab.tap(digit)
    cab.tap("Done")
    cab.find("Hitchings")
    yield "set-up"
    cab.tap("This tablet")
    cab.find("Pairing")
    yield "this-tablet"
    cab.tap("Passphrase")
    cab.find("Space")
    yield "passphrase"
    cab.tap("Back")
    cab.find("Hitchings")
    cab.tap("This tablet")
    cab.tap("Pairing")
    cab.find("This tablet's card")
    yield "pairing"
    cab.tap("This tablet's card")
    cab.find("Write it to the stick")
    yield "card"
    cab.tap("Back")
    cab.find("This tablet's card")
    cab.tap("Back")
    cab.wait(lambda: cab.look()["screen"] == "exchange", "the page of the exchange")
    cab.tap("Back")
    cab.find("Set-up")
    cab.tap("Set-up")
    for digit in "1234":
        cab.tap(digit)
    cab.tap("Done")
    cab.find("Hitchings")
    cab.tap("Bring in a day")
    cab.wait(lambda: cab.look()["screen"] == "bring in", "the screen of recorded days")
    yield "bring-in"
    cab.tap("Back")
    cab.find("Set-up")
    cab.tap("Set-up")
    for digit in "1234":
        cab.tap(digit)
    cab.tap("Done")
    cab.find("Hitchings")
    cab.tap("Tools")
    cab.tap("40 ft roller")
    cab.find("Write down")
    yield "form"
    cab.tap("Name")
    cab.find("Space")
    yield "letters"
    cab.tap("123")
    cab.find("%")
    yield "signs"
    cab.tap("Back")
    cab.find("Write down")
    cab.tap("Back")
    cab.find("New")
    yield "list"
    cab.tap("Back")
    cab.find("Leave")
    cab.tap("Leave")
    cab.tap("Same as last time")
    cab.wait_view(state="ready")
    yield "ready"
    cab.tap("More")
    cab.find("Walk round")
    yield "more"
    for key, shown in (
        ("Fuel", "Write down"),
        ("Fields", "Heron Flat"),
        ("Other mark", "Well"),
        ("This tablet", "Turn the map"),
    ):
        cab.tap(key)
        cab.find(shown)
        yield f"menu-{key.replace(' ', '-').lower()}"
        cab.tap("Back")
    for name, row in SCREENS.items():
        if row.stint == MENU and row.key:
            cab.tap(row.key)
            cab.wait(lambda name=name: worked_out(cab.look(), name), f"the screen {name}")
            yield f"menu-{name.replace(' ', '-')}"
            if name == "the day":
                yield from parts_of_the_day(cab)
            cab.tap("Back")
            cab.find("Walk round")
    cab.tap("This tablet")
    cab.tap("Receiver")
    cab.wait(lambda: cab.look()["screen"] == "receiver", "the page of the receiver")
    yield "receiver"
    cab.tap("Back")
    cab.tap("This tablet")
    cab.tap("Exchange")
    cab.wait(lambda: cab.look()["screen"] == "exchange", "the page of the exchange")
    yield "exchange"
    cab.tap("Back")
    cab.find("Mark")
    cab.tap("More")
    cab.find("Walk round")
    cab.tap("Hand over")
    cab.tap("Watch")
    cab.wait(lambda: [t for t in cab.look()["things"] if t["text"] == cab.language.get("Where", "Where")], "the sheet")
    yield "hand-over"
    cab.tap("Add to it")
    cab.find("Headland")
    yield "hand-over-more"
    cab.tap("Next pass on the map")
    cab.find("Touch where it begins")
    yield "hand-over-map"
    cab.tap("Back")
    cab.find("Walk round")
    cab.tap("Back")
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    yield "working"
    cab.tap("Wing")
    cab.find("Both down")
    yield "wings"
    cab.tap("Both down")
    cab.tap("Stop rolling")
    cab.find("No reason")
    yield "stop"
    cab.tap("Rain")
    cab.wait_view(stop_reason="rain")
    yield "stopped"
    cab.tap("More")
    cab.tap("Hand over")
    cab.tap("Fine")
    cab.tap("Hand over")
    cab.find("Later")
    yield "receive"
    cab.tap("Tam Willet")
    cab.wait(lambda: [t for t in cab.look()["things"] if t["text"] == cab.language.get("Where", "Where")], "the sheet")
    yield "receive-where"


long = pytest.mark.long


@pytest.mark.parametrize(
    ("size", "light"),
    [("small", "night"), ("tall", "day"),  # wide, at dusk: in the longer language below
     *(pytest.param(*one, marks=long) for one in (
         ("wide", "dusk"), ("wide", "day"), ("wide", "night"), ("small", "day"), ("tall", "night"), ("fine", "day"), ("fine", "night"), ("tall", "dusk")))],
)  # fmt: skip
def test_every_page_fits_a_gloved_hand_and_an_arms_length(opened, farm, sundown, sizes, size, light):
    """On every page keys of 20 and 30 mm, gaps of 3 mm, letters of 4.1 mm, no words cut off, all of
    it inside the window, air round the words in a key, no place of the field under the map's keys, and
    7:1 measured on the painted pixels; at the window's edge 2 mm bear no letter and no key; dusk is that of the sun in the recording."""
    cab = opened(size, *(["--night"] if light == "night" else []), replay=sundown if light == "dusk" else farm["still"])
    cab.wait(lambda: cab.look()["palette"]["name"] == light, f"the colours of the {light}")
    with open_store(farm["store"]) as store:
        (ring,) = store.get(Field, farm["field"]).boundary["coordinates"]
    shown, screens, parts = [], set(), set()
    for name in tour(cab):
        # the picture first: it is waited for, and by then the page has all its words and its places
        picture, seen = cab.picture(f"{name}-{size}-{light}"), cab.look()
        assert seen["palette"]["name"] == light
        check_page(seen, picture, name, sizes)
        shown.append(name)
        screens.add(seen["screen"])
        parts |= {(seen["screen"], seen["part"])} if seen["part"] else set()
        if name in ("ready", "stopped", "hand-over-map", "receive", "receive-where"):
            assert clear_of_keys(seen, ring), name
        if name == "ready":
            figure = max(t["font_px"] for t in seen["things"] if t["font_px"])
            assert figure * 1456 / 2048 / seen["px_per_mm"] >= 15
    assert len(shown) == len(set(shown))
    # the first questions are asked on an empty logbook only
    assert screens | {"first"} == set(SCREENS)
    assert parts == TOURED
    with open_store(farm["store"]) as store:
        assert not store.all(Mark)
        assert [tap.reason for tap in store.all(Tap, kind="stop_reason")] == ["rain"]


def test_the_first_questions_fit_too(open_cab, tmp_path, farm, sizes):
    """On an empty logbook "Set-up" opens the first questions, which hold the same sizes."""
    cab = open_cab("--store", tmp_path / "empty.sqlite", "--replay", farm["still"])
    cab.go("I have read this", "Set-up")
    cab.wait(lambda: cab.look()["screen"] == "first", "the first question")
    picture, seen = cab.picture("first-wide-day"), cab.look()
    check_page(seen, picture, "first", sizes)
    cab.tap("It is the farm's first machine")
    cab.find("Space")
    picture, seen = cab.picture("first-typing-wide-day"), cab.look()
    check_page(seen, picture, "first", sizes)


def test_every_screen_is_a_row_of_the_table():
    """Each class of a screen is in the table once; each row is allowed somewhere and Back leads to a screen that is then allowed."""
    from cabapp.screens.widgets.screen_frame import CabScreen

    rows = list(SCREENS.values())
    folder = Path(__file__).parents[2] / "cabapp" / "screens"
    for path in folder.rglob("*_screen.py"):
        importlib.import_module(".".join(path.relative_to(folder.parents[1]).with_suffix("").parts))
    classes, named = [one.__name__ for one in CabScreen.__subclasses__()], [row.screen.__name__ for row in rows]
    assert not set(classes) - set(named), "add a row to SCREENS for each of these"
    assert sorted(named) == sorted(classes)
    for name, row in SCREENS.items():
        assert row.stint or row.idle, name
        for when in ("stint", "idle"):
            if (allowed := getattr(row, when)) and allowed.parent:
                assert getattr(SCREENS[allowed.parent], when), (name, allowed.parent)


def test_upright_only_the_map_gives_way_to_a_sentence(opened):
    """Upright the map has the room while nothing is said, and when something is said no key and no figure moves."""
    cab = opened("tall")
    cab.tap("I have read this. Same as last time")
    cab.wait_view(state="ready")

    def places():
        things = cab.look()["things"]
        texts = {
            t["text"]: t["rect"]
            for t in things
            if t["text"] in ("Mark", "Wing", "More", "–", "+", "acres to finish", "mph", "done by")
        }
        return texts | {t["kind"]: t["rect"] for t in things if t["kind"] in ("GroundMap", "ToolStrip")}

    cab.wait(
        lambda: not [t for t in cab.look()["things"] if t["kind"] == "key" and t["text"].startswith("Undo")],
        "nothing to be said",
    )
    silent = places()
    cab.tap("Start rolling")
    cab.find("Undo start")
    said = places()
    before, after = silent.pop("GroundMap"), said.pop("GroundMap")
    assert len(silent) >= 8 and said == silent
    assert before[3] == after[3] and after[1] - before[1] > 100


SAME = {  # what no language changes: names and crops of the farm, units, and what the keys write
    "Oda", "Bracken", "Tam", "Willet", "Tractor", "roller", "Heron", "Flat", "lentils", "mph", "gal", "ABC", "rollbook", "csv", "still", "sundown",
    "tablet",
}  # fmt: skip


@pytest.mark.parametrize("size", ["wide", *(pytest.param(one, marks=pytest.mark.long) for one in ("small", "tall"))])
def test_a_longer_language_is_whole_and_leaves_no_english(opened, sundown, sizes, tmp_path, size):
    """With every word of the cab in foreign letters and a third longer, every page fits as it does in English, no word is
    cut off and no English is left, the session's sentences and the hand-over sheet included; at dusk."""
    home = tmp_path / "home"
    longer = write_language(home / "long.po")
    (tmp_path / "tablet.json").write_text(json.dumps({"language": str(home / "long.po")}), encoding="utf-8")
    cab, cut, left = opened(size, replay=sundown), [], []
    cab.language = longer
    cab.wait(lambda: cab.look()["palette"]["name"] == "dusk", "the colours of the dusk")
    for name in tour(cab):
        picture, seen = cab.picture(f"{name}-long-{size}"), cab.look()
        check_page(seen, picture, name, sizes)
        things = seen["things"]
        cut += [(name, t["text"]) for t in things if t["text"] and not t["fits"]]
        for thing in things:
            said = re.sub(r"\[/?b\]|[\w./-]*/[\w./-]+|\b[0-9a-f]{4}\b", "", thing["text"])
            own = [word for word in re.findall(r"[A-Za-z]{3,}", said) if word not in SAME]
            left += [(name, thing["text"])] if own else []
    assert not left, left
    assert not cut, cut
