"""The map's window of cells shows the right cell at the right place, however large the field."""

import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from cabapp.screens.map.cell_window import TEXELS, UNKNOWN, GroundWindow
from cabapp.screens.map.pose_extrapolation import LONGEST_S, PoseExtrapolation


@pytest.fixture
def ground():
    """Return a maker of a grid of random counts, larger than the window."""

    def make(rows=3000, columns=2600, cell=0.5, origin=(-100.0, 40.0)):
        rng = np.random.default_rng(7)
        counts = rng.integers(0, 5, (rows, columns)).astype(np.uint8)
        return SimpleNamespace(counts=counts, unknown=rng.random(counts.shape) < 0.1, origin=origin, cell=cell)

    return make


def seen(window, grid, x, y):
    """Return the byte the window's picture has for a place, as the shader would look it up."""
    left, bottom = window.corner(grid)
    pitch = grid.cell * window.stride
    return int(window.whole(grid)[int((y - bottom) // pitch), int((x - left) // pitch)])


@pytest.mark.parametrize("reach", [60.0, 500.0, 900.0])
def test_a_place_shows_its_own_count(ground, reach):
    """The middle of a drawn cell shows that cell's count, near and far; unknown cells below target stipple."""
    grid, window = ground(), GroundWindow()
    window.cover(grid, (550.0, 800.0), reach)
    for column, row in ((1240, 1500), (1304, 1536), (1280, 1600)):
        column, row = (k - k % window.stride for k in (column, row))
        x, y = (grid.origin[k] + ((column, row)[k] + 0.5) * grid.cell for k in (0, 1))
        count = int(grid.counts[row, column])
        wanted = UNKNOWN if count < 2 and grid.unknown[row, column] else count
        assert seen(window, grid, x, y) == wanted


def test_a_change_is_the_same_as_drawing_all_again(ground):
    """Bringing a changed rectangle up to date ends in the same picture as drawing it anew."""
    grid = ground()
    for reach in (100.0, 700.0):
        window = GroundWindow()
        window.cover(grid, (500.0, 700.0), reach)
        before = window.whole(grid)
        rect = (1001, 1203, 1119, 1377)
        grid.counts[rect[1] : rect[3], rect[0] : rect[2]] += 1
        part, column, row = window.part(grid, rect)
        before[row : row + part.shape[0], column : column + part.shape[1]] = part
        assert np.array_equal(before, window.whole(grid))


def test_the_window_moves_only_when_it_must(ground):
    """A small move of the view needs no new picture; leaving the window does."""
    grid, window = ground(), GroundWindow()
    assert window.cover(grid, (500.0, 700.0), 80.0)
    assert not window.cover(grid, (510.0, 690.0), 80.0)
    assert window.cover(grid, (500.0 + TEXELS * 0.5, 700.0), 80.0)


def test_a_change_out_of_sight_is_nothing(ground):
    """A rectangle outside the window changes nothing in it."""
    grid, window = ground(), GroundWindow()
    window.cover(grid, (0.0, 100.0), 50.0)
    assert window.part(grid, (2500, 2900, 2510, 2910)) is None


def test_between_fixes_the_tractor_glides_without_a_jump():
    """Led on along a bend it is where a circle has it; a fix that says otherwise is come to softly, without
    a jump; one far off at once; and without fixes it stops after a while."""

    def pose(x, y=0.0, heading=0.0, curvature=0.0):
        return SimpleNamespace(x=x, y=y, heading=heading, speed=4.0, curvature=curvature, reversing=False)

    glide = PoseExtrapolation()
    glide.feed(pose(0.0, curvature=0.05), 100.0)
    # after 1 s at 4 m/s on a circle of 20 m: 0.2 rad on
    assert glide.at(101.0) == pytest.approx((20 * np.sin(0.2), 20 * (1 - np.cos(0.2)), 0.2), abs=0.01)
    assert glide.at(200.0) == glide.at(100.0 + LONGEST_S)
    glide.feed(pose(0.0), 100.0)
    before = glide.at(100.5)
    glide.feed(pose(2.5, 0.4), 100.5)
    assert glide.at(100.5) == pytest.approx(before, abs=1e-9)
    assert glide.at(101.5) == pytest.approx((6.5, 0.4, 0.0), abs=0.01)
    glide.feed(pose(50.0), 102.0)
    assert glide.at(102.0) == (50.0, 0.0, 0.0)


TOUCHED = """
from kivy.clock import Clock
from kivy.input.providers.mouse import MouseMotionEvent
from kivy.uix.widget import Widget
from cabapp.screens.map import ground_map as the_map

class Plain(Widget):  # the hatching alone needs a graphics driver
    def __init__(self, *_cells, **kwargs):
        super().__init__(**kwargs)
    def show(self, *_what):
        pass
    look = lean = show

the_map.HatchingTexture = Plain
for disabled in (True, False):
    for size in ((400, 300), (0, 0)):
        ground = the_map.GroundMap(size_hint=(None, None), size=size, pos=(3000, 200), disabled=disabled)
        Clock.tick()
        taken = []
        for x, y in ((0, 0), (50, 50), (390, 290), (2960, 240), (3050, 250)):
            touch = MouseMotionEvent("mouse", 1, (0, 0))
            touch.x, touch.y, touch.pos = x, y, (x, y)
            taken.append(bool(ground.dispatch("on_touch_down", touch)))
        print(disabled, size, taken)
"""


def test_a_map_takes_only_touches_on_it(tmp_path):
    """A map off to one side, disabled or not, hidden by its size or not, leaves every touch elsewhere
    to what lies there, near the window's corner and beside itself."""
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    environment |= {"KIVY_GL_BACKEND": "mock", "KIVY_NO_ARGS": "1", "KIVY_NO_FILELOG": "1", "KIVY_HOME": str(tmp_path)}
    root = Path(__file__).parents[2]
    told = subprocess.run(
        [sys.executable, "-c", TOUCHED], cwd=root, env=environment, capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert told.stdout.splitlines() == [
        f"{disabled} {size} [False, False, False, False, {size != (0, 0)}]"
        for disabled in (True, False)
        for size in ((400, 300), (0, 0))
    ], told.stderr[-2000:]
