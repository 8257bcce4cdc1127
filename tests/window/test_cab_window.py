"""What the window promises a gloved hand: sizes, contrast, no way out by accident, nothing lost."""

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from cabapp.__main__ import main
from cabapp.planning.sun import evening
from store import open_store
from store.models import Mark, Stint, Tap, Tool

pytestmark = pytest.mark.window


@pytest.fixture
def begun(open_cab, farm):
    """Return a function that opens the cab and takes over; words are further options."""

    def begin(*words, replay=True, speed=6):
        drive = ("--replay", farm["trace"], "--speed", speed) if replay else ()
        cab = open_cab("--store", farm["store"], *drive, *words)
        cab.wait(lambda: cab.look()["screen"] == "take over", "the take-over page")
        cab.tap("I have read this")
        cab.tap("Same as last time")
        cab.wait_view(state="ready")
        return cab

    return begin


def fingers(store, stint):
    """Return the ids of a stint's taps by a person; "warned" is written by the session itself."""
    return [tap.id for tap in store.all(Tap, stint_id=stint.id) if tap.kind != "warned"]


@pytest.fixture
def boom(farm):
    """The farm's tool with five sections of its width, the middle ones narrow."""
    with open_store(farm["store"]) as store:
        for tool in store.all(Tool):
            widths = [share * tool.width_m for share in (0.3, 0.125, 0.15, 0.125, 0.3)]
            store.put(Tool, tool.id, sections=",".join(map(str, widths)))


def test_sections_are_switched_by_a_row_of_keys(begun, boom, sizes):
    """Standing, each section has a key; driving, four keys shut one more at either end, or all are on again."""
    cab = begun(replay=False)
    cab.tap("Sections")
    cab.tap("2")
    cab.wait_view(on=[True, False, True, True, True])
    cab.tap("5")
    cab.wait_view(on=[True, False, True, True, False])
    seen = cab.look()
    sizes.keys(seen)
    sizes.words(seen)
    cab.picture("sections-standing")
    cab.tap("Done")
    cab.find("3 of 5 on")
    cab.tap("3 of 5 on")
    cab.tap("All on")
    cab.wait_view(on=[])
    cab.find("Sections")


def four_keys(cab, sizes):
    """Return what is seen if it has four keys at most, else None."""
    seen = cab.look()
    return seen if len(sizes.tapped(seen)) <= 4 else None


def test_driving_shuts_sections_from_either_end(begun, boom, sizes):
    """Faster than a walk two keys shut one more section each; strip and map draw only what works."""
    cab = begun(speed=2.5)
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    cab.wait_hurried(lambda: (cab.look()["view"]["speed"] or 0) > 1.6, "driving off", then=2.5)
    cab.tap("Sections")
    cab.tap("One off left")
    cab.wait_view(on=[False, True, True, True, True])
    cab.tap("4 of 5 on")
    cab.tap("One off left")
    cab.wait_view(on=[False, False, True, True, True])
    seen = cab.wait(lambda: four_keys(cab, sizes), "four keys at most")
    sizes.keys(seen)
    sizes.words(seen)
    cab.wait(lambda: cab.look()["view"]["strip"], "the strip to count")
    cab.tap("3 of 5 on")
    seen = cab.wait(lambda: four_keys(cab, sizes), "four keys at most")
    cab.picture("sections-driving")


def test_four_keys_at_most_while_driving(begun, farm, sizes):
    """Faster than a walk there are four keys at most, no list and nothing to type, even with the
    page of other things left open before driving off; a wing and a mark are two taps each."""
    cab = begun(speed=2.5)
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    cab.tap("More")
    cab.wait(lambda: cab.look()["screen"] == "more", "the page of other things")

    def driving():
        seen = cab.look()
        return seen if (seen["view"]["speed"] or 0) > 1.6 and seen["screen"] == "pass" else None

    def settled():
        seen = driving()
        return seen if seen and len(sizes.tapped(seen)) <= 4 else None

    cab.wait_hurried(driving, "driving off to shut the page", then=2.5)
    seen = cab.wait(settled, "four keys at most")
    assert not [t for t in seen["things"] if t["kind"] == "Row"]
    sizes.keys(seen)
    sizes.words(seen)
    cab.picture("driving-day")
    cab.tap("Wing")
    cab.tap("Left up")
    cab.wait_view(on=[False, True, True])
    cab.tap("Left up")
    cab.tap("Right up")
    cab.wait_view(on=[False, True, False])
    cab.picture("both-wings-up")
    cab.tap("Mark")
    cab.tap("Rock")
    cab.find("Undo mark")
    with open_store(farm["store"]) as store:
        assert [mark.kind for mark in store.all(Mark)] == ["rock"]
    assert len(sizes.tapped(cab.look())) <= 4
    ground = next(t for t in seen["things"] if t["kind"] == "GroundMap")
    assert not ground["whole_field"]
    left, top, right, bottom = ground["rect"]
    cab.press((left + right) / 2, (top + bottom) / 2)
    cab.wait(
        lambda: [t for t in cab.look()["things"] if t.get("whole_field")], "a touch on the map to show the whole field"
    )


def test_nothing_goes_out_by_accident(begun):
    """Escape, F1, the window's close, a right click, a middle click and the wheel do nothing."""
    cab = begun(replay=False)
    before = cab.look()
    for name in ("Escape", "F1", "F4", "q"):
        cab.key(name)
    cab.close_window()
    start = cab.find("Start rolling")["rect"]
    for button in (3, 2, 4, 5):
        cab.press((start[0] + start[2]) / 2, (start[1] + start[3]) / 2, button=button)
    # the last thing is something that does act, so all before it has been dealt with
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    after = cab.look()
    assert cab.process.poll() is None and after["screen"] == before["screen"] == "pass"
    assert [t["text"] for t in after["things"] if t["text"].startswith("Undo")] == ["Undo start"]


def test_a_finger_that_slides_off_does_nothing(begun):
    """A key acts when the finger is lifted from it, not when it is touched or brushed."""
    from Xlib import X
    from Xlib.ext import xtest

    cab = begun(replay=False)
    left, top, right, bottom = cab.find("Start rolling")["rect"]
    cab.move((left + right) / 2, (top + bottom) / 2)
    xtest.fake_input(cab._display, X.ButtonPress, 1)
    cab._display.sync()
    cab.move(left - 300, top)
    xtest.fake_input(cab._display, X.ButtonRelease, 1)
    cab._display.sync()
    cab.tap("More")
    cab.wait(lambda: cab.look()["screen"] == "more", "the page of other things")
    assert cab.look()["view"]["state"] == "ready"


def test_a_finish_is_held_and_can_be_undone(begun, farm):
    """A short tap on Finish does nothing, a second's hold finishes, and Undo takes it back."""
    cab = begun(replay=False)
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    cab.tap("More")
    cab.tap("Finish")
    cab.tap("Finish (hold")
    assert cab.look()["view"]["state"] == "working"
    cab.hold("Finish (hold")
    cab.wait_view(state="finished")
    cab.tap("Undo finish")
    cab.wait_view(state="working")
    with open_store(farm["store"]) as store:
        kinds = [tap.kind for tap in store.all(Tap)]
    assert kinds[-2:] == ["finish", "undo"] and kinds.count("finish") == 2


def test_without_a_receiver_passes_are_counted_by_hand(begun, farm, sizes):
    """With no receiver the page counts passes by taps, keeps the hours, and draws no map."""
    cab = begun(replay=False)
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    for count in range(1, 8):
        cab.tap("+1 pass")
        cab.wait_view(pass_tally=count)
    cab.tap("Undo counted pass")
    cab.wait_view(pass_tally=6)
    seen = cab.look()
    assert not [t for t in seen["things"] if t["kind"] == "GroundMap"]
    sizes.keys(seen)
    sizes.words(seen)
    cab.picture("no-receiver-day")
    with open_store(farm["store"]) as store:
        stint = max(store.all(Stint), key=lambda one: one.at)
        assert len(store.all(Tap, stint_id=stint.id, kind="pass_counted")) == 7


def test_the_power_goes_and_the_stint_goes_on(begun, open_cab, farm):
    """After kill -9 in the middle of a pass the cab comes up in the same stint, still recording,
    with no tap, and at most one second of the trace is lost."""
    cab = begun(speed=2)
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    until = cab.look()["view"]["now"] + 6
    cab.wait(lambda: cab.look()["view"]["now"] > until, "a few seconds of work")
    cab.ask("speed 1")
    # a busy machine may take a moment to write
    shown = cab.wait(lambda: (seen := cab.look())["written"] and seen["view"], "nothing to be on its way to the disk")
    cab.kill()
    with open_store(farm["store"]) as store:
        stint = max(store.all(Stint), key=lambda one: one.at)
        kept = store.read_trace(stint.id).t
        taps = fingers(store, stint)
    assert shown["now"] - kept[-1] <= 1.0 + 0.25, "the fixes of the last second and no more"
    again = open_cab("--store", farm["store"], "--replay", farm["trace"], "--speed", "6")
    view = again.wait_view(state="working", since=shown["since"])
    assert again.look()["screen"] == "pass" and view["field"] == shown["field"]
    later = kept[-1] + 20
    again.wait(lambda: again.look()["view"]["now"] > later, "the replay to go on")
    again.process.terminate()
    again.process.wait(60)
    with open_store(farm["store"]) as store:
        assert len(store.all(Stint)) == 2 and fingers(store, stint) == taps
        t = store.read_trace(stint.id).t
    gap = np.diff(t).max()
    assert gap <= 1.0 + 0.25, f"{gap} s of the trace are missing"
    assert t[-1] > kept[-1] + 10


@pytest.mark.parametrize(("after_sunset_s", "light"), [(-3600, "day"), (900, "dusk"), (7200, "night")])
def test_the_light_follows_the_sun_and_the_screen_stays_awake(open_cab, farm, tmp_path, after_sunset_s, light):
    """With nothing chosen the colours are those of the sun where the tablet is, and the screen is kept awake."""
    t, lat, lon = farm["rows"][0]
    t = evening(lat, lon, t) + after_sunset_s
    trace = tmp_path / "evening.csv"
    trace.write_text("time,lat,lon\n" + "".join(f"{t + k:.2f},{lat:.8f},{lon:.8f}\n" for k in range(600)))
    cab = open_cab("--store", farm["store"], "--replay", trace)
    cab.wait(lambda: cab.look()["palette"]["name"] == light, f"the colours of the {light}")
    assert cab.look()["kept_awake"]


def test_the_way_out_is_held_and_asked(begun):
    """A long hold in the top left corner asks, Stay stays, and a second's hold on Close closes."""
    cab = begun(replay=False)
    cab.press(20, 20, seconds=0.3)
    cab.hold_corner()
    cab.tap("Stay")
    cab.wait(lambda: not [t for t in cab.look()["things"] if t["text"] == "Stay"], "the question to go")
    cab.hold_corner()
    cab.hold("Close (hold")
    assert cab.process.wait(60) == 0


def test_the_window_goes_before_the_program_ends(open_cab, farm):
    """When the cab is closed its window is gone at once, whatever the program still has to do."""
    lingering = "import sys, time; from tests.window.probed_program import main; main(sys.argv[1:]); time.sleep(60)"
    cab = open_cab("--store", farm["store"], program=("-c", lingering))
    assert cab.windows()
    cab.hold_corner()
    cab.hold("Close (hold")
    cab.wait(lambda: not cab.windows(), "the window to go")
    assert cab.process.poll() is None


def test_a_cab_on_another_logbook_leaves_this_tablets_settings(open_cab, farm, tmp_path):
    """A light chosen in a cab on a named logbook is kept beside that logbook; the tablet's
    own settings are neither read nor written."""
    own, other = tmp_path / "home" / "tablet.json", farm["store"].with_name("tablet.json")
    own.parent.mkdir()
    own.write_text('{"light": "night"}')
    cab = open_cab("--store", farm["store"])
    cab.wait(lambda: cab.look()["palette"]["name"] == "day", "not this tablet's night")
    cab.tap("I have read this. Same as last time")
    cab.tap("More")
    cab.tap("This tablet")
    cab.tap("Light")
    cab.wait(other.exists, "the choice beside the logbook")
    assert json.loads(other.read_text())["light"] == "day" and own.read_text() == '{"light": "night"}'


def test_a_cab_is_no_place_for_a_server(capsys):
    """A server's URL as the cab's logbook is refused with a sentence."""
    assert main(["cab", "--store", "postgresql://office/book"]) == 1
    assert "a file on the tablet, not on a server" in capsys.readouterr().err


def test_without_a_display_it_is_refused_with_a_sentence(farm, tmp_path):
    """With no display the cab says so in a sentence and ends with status 1."""
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY", "SDL_VIDEODRIVER")}
    for display in ({}, {"DISPLAY": ":9999"}):
        done = subprocess.run(
            [sys.executable, "-m", "cabapp", "cab", "--store", farm["store"]], capture_output=True, text=True, timeout=60,
            cwd=Path(__file__).parents[2], env=environment | {"ROLLBOOK_HOME": str(tmp_path)} | display,
        )  # fmt: skip
        assert done.returncode == 1
        assert "There is no screen to open the cab on." in done.stderr and "Traceback" not in done.stderr
