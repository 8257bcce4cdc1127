"""Two fingers on the map. SDL's own queue is given the events that a touch screen makes: Xvfb has no
touch screen, and XTest no second finger, so glass itself is untested."""

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

pytestmark = pytest.mark.window

PINCH = """
import ctypes, re
from cabapp.screens.system.launcher import configure_window
configure_window((800, 600), False)
from kivy.base import EventLoop
from kivy.core.window import Window
from kivy.input.providers.mouse import MouseMotionEventProvider
from cabapp.screens.widgets.second_touch import listen
from cabapp.screens.map.ground_map import GroundMap

EventLoop.ensure_window()
listen(Window)
EventLoop.add_input_provider(MouseMotionEventProvider("mouse", "disable_multitouch"))
ground, pointed = GroundMap(size=(800, 600), size_hint=(None, None), keys=False), []
ground.bind(on_point=lambda *_: pointed.append(1))
Window.add_widget(ground)
EventLoop.start()
sdl = ctypes.CDLL(re.search(r"\\S*libSDL2-2\\S*", open("/proc/self/maps").read())[0])

class Finger(ctypes.Structure):  # SDL_TouchFingerEvent of SDL 2
    _fields_ = [("type", ctypes.c_uint32), ("timestamp", ctypes.c_uint32), ("touch", ctypes.c_int64), ("finger", ctypes.c_int64),
                *((name, ctypes.c_float) for name in ("x", "y", "dx", "dy", "pressure")), ("window", ctypes.c_uint32)]

class Button(ctypes.Structure):  # SDL_MouseButtonEvent, SDL_MouseMotionEvent begins alike
    _fields_ = [("type", ctypes.c_uint32), ("timestamp", ctypes.c_uint32), ("window", ctypes.c_uint32), ("which", ctypes.c_uint32),
                ("button", ctypes.c_uint8), ("state", ctypes.c_uint8), ("clicks", ctypes.c_uint8), ("padding", ctypes.c_uint8),
                ("x", ctypes.c_int32), ("y", ctypes.c_int32)]

def push(event):
    room = ctypes.create_string_buffer(bytes(event), 64)
    assert sdl.SDL_PushEvent(room) == 1

def turn():
    for _ in range(3):
        Window.mainloop()
        EventLoop.idle()

def finger(kind, number, x, y):
    push(Finger({"down": 0x700, "up": 0x701, "move": 0x702}[kind], 0, 1, number, x, y, 0, 0, 1, 1))
    turn()

def mouse(kind, x, y):
    push(Button({"down": 0x401, "up": 0x402}[kind], 0, 1, 0, 1, kind == "down", 1, 0, x, y))
    turn()

def pinch(*xs):
    before = ground.level
    mouse("down", 400, 300)
    finger("down", 1, 0.5, 0.5)
    finger("down", 2, xs[0], 0.5)
    for x in xs[1:]:
        finger("move", 2, x, 0.5)
    finger("up", 2, xs[-1], 0.5)
    finger("up", 1, 0.5, 0.5)
    mouse("up", 400, 300)
    return int(ground.level - before)

turn()
print("apart", pinch(0.6, 0.65, 0.7, 0.8))
print("together", pinch(0.9, 0.8, 0.7, 0.6))
print("pointed", len(pointed))
mouse("down", 400, 300); finger("down", 1, 0.5, 0.5); finger("up", 1, 0.5, 0.5); mouse("up", 400, 300)
print("one finger pointed", len(pointed))
"""


def test_two_fingers_apart_come_nearer_and_together_go_farther(display, tmp_path):
    """SDL's events of a second finger change the map's zoom both ways and point at nothing; one finger points once."""
    environment = {k: v for k, v in os.environ.items() if k not in ("WAYLAND_DISPLAY", "SDL_VIDEODRIVER")}
    script = tmp_path / "pinch.py"
    script.write_text(PINCH)
    root = Path(__file__).parents[2]
    done = subprocess.run(
        [sys.executable, str(script)], capture_output=True, text=True, timeout=60, cwd=root,
        env=environment | {"DISPLAY": display, "PYTHONPATH": str(root), "ROLLBOOK_HOME": str(tmp_path), "LIBGL_ALWAYS_SOFTWARE": "1"},
    )  # fmt: skip
    said = dict(line.rsplit(" ", 1) for line in done.stdout.splitlines())
    assert done.returncode == 0, done.stderr[-2000:]
    assert int(said["apart"]) < 0 < int(said["together"]), said
    assert said["pointed"] == "0" and said["one finger pointed"] == "1"


def test_the_big_keys_zoom_while_standing(open_cab, farm):
    """Standing, + and - of 20 mm bring the ground nearer and farther, step by step."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    cab.tap("I have read this. Same as last time")
    cab.wait_view(state="ready")

    def across():
        (south, west), (north, east) = cab.look()["map_corners"]
        return abs(north - south) + abs(west - east)

    cab.wait(lambda: cab.look()["map_corners"], "the map")
    widths = [across()]
    for key in ("+", "+", "–", "–", "–"):
        cab.tap(key)
        cab.wait(lambda: abs(across() / widths[-1] - 1) > 0.1, f"the key {key} to act")
        widths.append(across())
    assert widths[0] > widths[1] > widths[2] < widths[3] < widths[4] < widths[5]
    keys = [t for t in cab.look()["things"] if t["text"] in ("+", "–") and t["kind"] == "key"]
    assert len(keys) == 2
    for thing in keys:
        left, top, right, bottom = (v / cab.look()["px_per_mm"] for v in thing["rect"])
        assert right - left >= 20 and bottom - top >= 20


def test_a_list_drawn_slowly_opens_nothing(open_cab, farm):
    """A finger that rests on a line of a list, then draws the list up slowly, moves it and opens nothing;
    one that shakes by 3 mm and lifts has tapped."""
    from Xlib import X
    from Xlib.ext import xtest

    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    cab.tap("I have read this")
    cab.tap("Set-up")
    for digit in "1234":
        cab.tap(digit)
    cab.tap("Done")
    cab.tap("Fields")
    cab.tap("Heron Flat")
    cab.find("Write down")
    rows = [thing for thing in cab.look()["things"] if thing["kind"] == "Row"]
    left, top, right, bottom = rows[2]["rect"]
    x, y = (left + right) / 2, (top + bottom) / 2

    def drawn(*ways, rest):
        cab.move(x, y)
        xtest.fake_input(cab._display, X.ButtonPress, 1)
        cab._display.sync()
        cab.settle()  # the finger rests from when the window knows of it
        time.sleep(rest)
        for way in ways:
            cab.move(x, y + way)
            cab.settle()
        xtest.fake_input(cab._display, X.ButtonRelease, 1)
        cab._display.sync()
        cab.settle()

    drawn(*range(0, -201, -20), rest=0.6)
    cab.find("Write down")
    now = next(thing for thing in cab.look()["things"] if thing["text"] == rows[2]["text"])
    assert now["rect"][1] < top - 100
    x, y = (now["rect"][0] + now["rect"][2]) / 2, (now["rect"][1] + now["rect"][3]) / 2
    drawn(6, -8, 17, rest=0.6)  # 17 px are 2.9 mm
    cab.wait(lambda: not [t for t in cab.look()["things"] if t["text"] == "Write down"], "its own page")
