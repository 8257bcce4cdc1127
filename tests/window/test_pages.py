"""Every page, by day and by night, at every size: what a gloved hand and an eye at arm's length need."""

import json
import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from cabapp.screens.parts.theme import contrast
from store import open_store
from store.models import Mark, Tap

pytestmark = pytest.mark.window

# a 10.1-inch tablet each: width, height and pixels per inch
SIZES = {"wide": (1280, 800, 149), "small": (1024, 600, 117.5), "fine": (1920, 1200, 224), "tall": (800, 1280, 149)}


@pytest.fixture
def opened(open_cab, farm):
    """Return a function that opens the cab, standing still in the field, at a size."""

    def open_one(size, *words):
        width, height, dpi = SIZES[size]
        return open_cab(
            "--store", farm["store"], "--replay", farm["still"], "--size", f"{width}x{height}", "--dpi", dpi, *words
        )

    return open_one


def check_page(seen, picture, name, sizes):
    """Keys, gaps, letters and contrast of one page."""
    sizes.keys(seen)
    sizes.words(seen)
    picture = np.asarray(Image.open(picture).convert("RGB"))
    for thing in seen["things"]:
        if any(c.isalnum() for c in thing["text"]) and thing["whole"] and thing["kind"] not in ("GroundMap", "StripPiece"):
            assert contrast(*painted(picture, thing)) >= 7, (name, thing["text"])


def painted(picture, thing):
    """Return the two commonest colours of a thing on a picture, as #RRGGBB."""
    left, top, right, bottom = (round(v) for v in thing["rect"])
    inside = picture[top + 4 : bottom - 4, left + 4 : right - 4].astype(np.uint32)
    colours, counts = np.unique(inside @ np.array([65536, 256, 1], np.uint32), return_counts=True)
    return [f"#{colours[k]:06X}" for k in np.argsort(counts)[::-1][:2]]


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
    cab.find("Card for the office")
    yield "this-tablet"
    cab.tap("Card for the office")
    cab.find("Write it to the stick")
    yield "card"
    cab.tap("Back")
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
    for key, shown, back in (
        ("Fuel", "Write down", "Back"), ("Fields", "Heron Flat", "Back"), ("Other mark", "Well", "Back"),
        ("This tablet", "Turn the map", "Back"), ("Finish", "Finish (hold", "Back"), ("Walk round", "Lights and sign", "Back"),
        ("Look first", "Yes", "Back"), ("The day", "Seeding and soil", "Back"), ("Mop up", "Nothing that was missed", "Back"),
    ):  # fmt: skip
        cab.tap(key)
        cab.find(shown)
        yield key.replace(" ", "-").lower()
        cab.tap(back)
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
    [("wide", "day"), ("small", "night"), ("tall", "day"),
     *(pytest.param(*one, marks=long) for one in (
         ("wide", "night"), ("small", "day"), ("tall", "night"), ("fine", "day"), ("fine", "night")))],
)  # fmt: skip
def test_every_page_fits_a_gloved_hand_and_an_arms_length(opened, farm, sizes, size, light):
    """On every page keys of 20 and 30 mm, gaps of 3 mm, letters of 4.1 mm, no words cut off, all of
    it inside the window, and 7:1 measured on the painted pixels."""
    cab = opened(size, *(["--night"] if light == "night" else []))
    shown = []
    for name in tour(cab):
        seen, picture = cab.look(), cab.picture(f"{name}-{size}-{light}")
        assert seen["palette"]["name"] == light
        check_page(seen, picture, name, sizes)
        shown.append(name)
        if name == "ready":
            figure = max(t["font_px"] for t in seen["things"] if t["font_px"])
            assert figure * 1456 / 2048 / seen["px_per_mm"] >= 15
    assert len(shown) == 31
    with open_store(farm["store"]) as store:
        assert not store.all(Mark)
        assert [tap.reason for tap in store.all(Tap, kind="stop_reason")] == ["rain"]


CYRILLIC = "абсвеїзніькгшпорцтєчиужхяэ"  # about as wide as the letters they stand for
SAME = {  # what no language changes: names and crops of the farm, units, and what the keys write
    "Oda", "Bracken", "Tam", "Willet", "Tractor", "roller", "Heron", "Flat", "lentils", "mph", "gal", "ABC", "rollbook", "csv", "still",
    "tablet",
}  # fmt: skip


def foreign(text):
    """Return a text in letters that are not English, a third longer (a common allowance for German and
    French), with figures and bold marks where they were."""
    parts = re.split(r"(\{\w+\}|\[/?b\])", text)
    for k in range(0, len(parts), 2):
        parts[k] = re.sub("[A-Za-z]", lambda m: CYRILLIC[(ord(m[0]) | 32) - 97], parts[k])
    plain = "".join(parts[::2])
    return ("".join(parts) + " " + "нмеи " * 40)[: len("".join(parts)) + 1 + round(len(plain) / 3)].strip()


@pytest.mark.parametrize("size", ["wide", *(pytest.param(one, marks=pytest.mark.long) for one in ("small", "tall"))])
def test_a_longer_language_is_whole_and_leaves_no_english(opened, tmp_path, size):
    """With every word of the cab in foreign letters and a third longer, no word is cut off on any page
    and no English is left on any, the session's sentences and the hand-over sheet included."""
    english = json.loads((Path(__file__).parents[2] / "cabapp/screens/words.json").read_text(encoding="utf-8"))
    longer = {word: foreign(word) for word in english}
    home = tmp_path / "home"
    home.mkdir()
    (home / "long.json").write_text(json.dumps(longer), encoding="utf-8")
    (tmp_path / "tablet.json").write_text(json.dumps({"language": str(home / "long.json")}), encoding="utf-8")
    cab, cut, left = opened(size), [], []
    cab.language = longer
    for name in tour(cab):
        things = cab.look()["things"]
        cab.picture(f"{name}-long-{size}")
        cut += [(name, t["text"]) for t in things if t["text"] and not t["fits"]]
        for thing in things:
            said = re.sub(r"\[/?b\]|[\w./-]*/[\w./-]+|\b[0-9a-f]{4}\b", "", thing["text"])
            own = [word for word in re.findall(r"[A-Za-z]{3,}", said) if word not in SAME]
            left += [(name, thing["text"])] if own else []
    assert not left, left
    assert not cut, cut
