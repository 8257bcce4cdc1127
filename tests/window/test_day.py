"""The day around the pass on the real screens: told by taps, said on the line, silent when nothing is to do."""

import itertools
import math

import pytest

from store import open_store
from store.models import Field, Mark, Stint, Tap, Tool

pytestmark = pytest.mark.window

DAY0 = 1779375600.0  # when the farm's traces begin
LAT0, LON0 = 50.05, -105.2
M_LAT, M_LON = 111_229.0, 111_320.0 * math.cos(math.radians(LAT0))
STOP_RULE, QUIET = 3, 6


@pytest.fixture
def begun(open_cab, farm):
    """Return a function that opens the cab, standing still in the field, and takes over."""

    def begin(*words, **program):
        cab = open_cab("--store", farm["store"], "--replay", farm["still"], *words, **program)
        cab.tap("I have read this")
        cab.tap("Same as last time")
        cab.wait_view(state="ready")
        return cab

    return begin


def page(cab, name):
    cab.wait(lambda: cab.look()["screen"] == name, f"the page {name}")


def check(cab, sizes, name):
    """Keep a picture of a page and hold it to the sizes of a gloved hand and an arm's length."""
    cab.picture(name)
    seen = cab.look()
    sizes.keys(seen)
    sizes.words(seen)
    outside = [thing["text"] for thing in seen["things"] if thing["kind"] == "FittedLabel" and not thing["whole"]]
    assert not outside, outside


def press_in_row(cab, text, row):
    """Tap the key with this text in the upper (0) or lower (1) of the two figures."""

    def two():
        found = [t for t in cab.look()["things"] if t["kind"] == "key" and t["text"] == text and not t["disabled"]]
        return sorted(found, key=lambda t: t["rect"][1]) if len(found) == 2 else None

    left, top, right, bottom = cab.wait(two, f"two keys {text!r}")[row]["rect"]
    cab.press((left + right) / 2, (top + bottom) / 2)


@pytest.mark.parametrize("size", ["1280x800", pytest.param("800x1280", marks=pytest.mark.long)])
def test_what_is_told_of_crop_and_grease_comes_back_as_sentences(begun, farm, sizes, size):
    """Grease is due and a chickpea may be up: the stop rule goes first, then grease, then silence;
    all of it by taps, and each tap is in the logbook with the figures that were on the screen."""
    with open_store(farm["store"]) as store:
        store.put(Field, id=farm["field"], crop="chickpea")
        store.put(Tool, id=store.all(Tool)[0].id, grease_every_h=0.05)
    cab = begun("--size", size)
    cab.go("More", "The day")
    page(cab, "the day")
    cab.wait(lambda: "due" in cab.texts(), "grease to be due")
    cab.wait(lambda: any(t.startswith("sunset ") for t in cab.texts()), "the light")
    check(cab, sizes, f"the-day-{size}")
    cab.tap("Seeding and soil")
    cab.wait(lambda: "Seeded: not known" in cab.texts(), "nothing known of seeding")
    for key in ("+10", "+10", "+1", "+1"):
        press_in_row(cab, key, 0)
    for key in ("+10", "–1"):
        press_in_row(cab, key, 1)
    cab.wait(lambda: {"Seeded 22 days ago", "Soil 59 °F"} <= set(cab.texts()), "both figures")
    check(cab, sizes, f"seeding-and-soil-{size}")
    cab.tap("Write down")
    cab.wait(lambda: any("(an estimate: go and dig)" in t for t in cab.texts()), "the crop's day")
    cab.go("Back", "Fields")
    row = cab.find("Heron Flat", ("Row",))
    assert row["text"].startswith("Heron Flat, chickpea, twice\nclosed ") and row["text"].endswith(" (estimate)")
    check(cab, sizes, f"fields-closing-{size}")
    cab.go("Back")
    cab.find("The day")
    cab.go("Back", "Start rolling")
    words = cab.said(STOP_RULE, "Chickpea may be just under the surface by now (an estimate).")
    assert words.endswith("Stop, go and dig.")
    cab.go("Stop rolling", "Grease")
    cab.wait_view(stop_reason="grease")
    cab.go("More", "Look first")
    cab.find("Yes")
    for thing in [t for t in cab.look()["things"] if t["text"] == "No"]:
        left, top, right, bottom = thing["rect"]
        cab.press((left + right) / 2, (top + bottom) / 2)
    cab.tap("Write down")
    words = cab.said(QUIET, "Grease the 40 ft roller at the next stop: it was due")
    cab.find("I know")
    check(cab, sizes, f"grease-is-due-{size}")
    cab.tap("Greased")
    cab.wait_view(sentence=None)
    cab.wait(lambda: "Greased" not in cab.texts() and "Undo grease" in cab.texts(), "the key to be gone")
    with open_store(farm["store"]) as store:
        seeded, soil = (store.all(Tap, kind=kind)[0] for kind in ("seeded", "soil"))
        assert seeded.detail["at"] == pytest.approx(seeded.at - 22 * 86400)
        assert soil.detail["celsius"] == pytest.approx(15.0)
        assert len(store.all(Tap, kind="grease")) == 1


def test_i_know_silences_a_sentence_that_only_reminds(begun, farm):
    """The quiet sentence of overdue grease has the key "I know", and one tap ends it for now."""
    with open_store(farm["store"]) as store:
        store.put(Tool, id=store.all(Tool)[0].id, grease_every_h=0.05)
    cab = begun()
    cab.said(QUIET, "Grease the 40 ft roller")
    cab.tap("I know")
    cab.wait_view(sentence=None)
    with open_store(farm["store"]) as store:
        assert len(store.all(Tap, kind="i_know")) == 1


def test_a_day_with_nothing_to_do_says_nothing(begun, farm, sizes):
    """No crop day, no grease, no rain: the line stays empty. Rain that is told stands on the page and
    still asks for nothing while no finish is known; "No rain" takes it away."""
    cab = begun()
    cab.tap("Start rolling")
    view = cab.wait_view(state="working")
    assert view["sentence"] is None
    cab.go("More", "The day", "Rain")
    cab.find("Rain in 8 h")
    check(cab, sizes, "rain")
    cab.tap("Rain in 2 h")
    cab.wait(lambda: any(t.endswith(", as you said") for t in cab.texts()), "the rain on the page")
    cab.go("Rain", "No rain")
    cab.wait(
        lambda: "Greased" in cab.texts() and not any("as you said" in t for t in cab.texts()), "no rain on the page"
    )
    assert cab.look()["view"]["sentence"] is None
    with open_store(farm["store"]) as store:
        rain = list(store.all(Tap, kind="rain"))
        assert [round(tap.detail["at"] - tap.at) if tap.detail["at"] else None for tap in rain] == [7200, None]


def test_at_harvest_a_stone_that_was_hit_is_two_taps(begun, farm):
    """With a combine the first mark is the stone hit, and it is on the page of other marks too."""
    with open_store(farm["store"]) as store:
        store.put(Tool, id=store.all(Tool)[0].id, operation="combining")
    cab = begun()
    cab.go("Start combining", "Mark", "Stone hit", "More", "Other mark", "Stone hit")
    page(cab, "pass")
    with open_store(farm["store"]) as store:
        assert [mark.kind for mark in store.all(Mark)] == ["stone hit"] * 2


@pytest.fixture
def missed(farm):
    """Add a pass, twice, beside the strip already rolled, that swerves: 2 m by 330 m are never rolled.

    Today's trace goes 25 m north at (100, 0), so that the tractor's heading is known, and stands.
    """
    today = [(DAY0 + k / 10, 0.25 * min(k, 100)) for k in range(150)] + [(DAY0 + k, 25.0) for k in range(15, 3000)]
    lines = (f"{t:.2f},{LAT0 + y / M_LAT:.8f},{LON0 + 100 / M_LON:.8f},0.05,4\n" for t, y in today)
    farm["still"].write_text("time,lat,lon,sigma,quality\n" + "".join(lines))
    with open_store(farm["store"]) as store:
        first = store.all(Stint)[0]
        kept = {name: getattr(first, name) for name in ("job_id", "operator_id", "tractor_id", "tool_id", "width_m")}
        stint = store.add(Stint(**kept, at=DAY0 - 5000.0))
        there = [(18, 0), (18, 30), (20, 40), (20, 370), (18, 380), (18, 410)]
        corners = [*there, (60, 430), *reversed(there), (18, -1)]
        t, trace = DAY0 - 4900.0, store.trace(stint.id)
        store.add(Tap(stint_id=stint.id, kind="start", at=t - 0.5))
        for (x0, y0), (x1, y1) in itertools.pairwise(corners):
            steps = max(1, round(math.dist((x0, y0), (x1, y1)) / 4 * 10))
            for k in range(steps):
                x, y = x0 + (x1 - x0) * k / steps, y0 + (y1 - y0) * k / steps
                trace.append(t, LAT0 + y / M_LAT, LON0 + x / M_LON, sigma=0.05, quality=4)
                t += 0.1
        trace.seal()
        store.add(Tap(stint_id=stint.id, kind="finish", at=t + 1))
    return farm


@pytest.mark.parametrize("size", ["1280x800", pytest.param("800x1280", marks=pytest.mark.long)])
def test_the_mop_up_lists_and_draws_what_was_missed(missed, begun, sizes, size):
    """The missed strip of 2 by 330 m is a stop of the round with how far and which way it lies;
    touching it goes back to the map."""
    cab = begun("--size", size)
    cab.wait_hurried(lambda: cab.look()["view"]["now"] > DAY0 + 15, "the tractor to stand", then=1, times=10)
    cab.find("More")
    cab.go("More", "Mop up")
    row = cab.find("1. ", ("Row",))
    assert "ft wide, 0.2 mi long, never rolled: sure" in row["text"], row
    check(cab, sizes, f"mop-up-{size}")
    assert any(t.endswith(" min") and " to drive, about " in t for t in cab.texts()), cab.texts()
    cab.tap("1. ")
    page(cab, "pass")


EXAMPLE = """
import re, sys
from pathlib import Path
from cabapp.jobs.records import tap_kinds
row = re.search(r"^    TapKind\\(.*?^    \\)", Path("DEVELOPERS.md").read_text("utf-8"), re.M | re.S).group().strip()
kind = eval(row, dict(vars(tap_kinds)))
tap_kinds.TAP_KINDS[kind.name] = kind
tap_kinds.TAPS += (kind.name,)
from tests.window.probed_program import main
sys.exit(main(sys.argv[1:]))
"""
"""The program with the tap kind of DEVELOPERS.md, which is one row of the registry and nothing else."""


@pytest.mark.parametrize(("size", "dpi"), [("1024x600", 117.5), pytest.param("800x1280", 149, marks=pytest.mark.long)])
def test_a_kind_of_one_row_is_made_by_taps(begun, farm, sizes, size, dpi):
    """Its key lies behind More; its one figure is stepped in gallons, and what is written down is litres."""
    cab = begun("--size", size, "--dpi", dpi, program=("-c", EXAMPLE))
    cab.go("More")
    cab.find("Chain oil")
    check(cab, sizes, f"more-example-{size}")
    cab.tap("Chain oil")
    cab.wait(lambda: "Oil: not known" in cab.texts(), "the figure")
    check(cab, sizes, f"figure-example-{size}")
    cab.go("+1", "Write down")
    cab.wait(lambda: cab.look()["part"] == "lines", "the day")
    with open_store(farm["store"]) as store:
        assert store.all(Tap, kind="chain_oil")[0].detail == {"litres": pytest.approx(3.785411784)}
