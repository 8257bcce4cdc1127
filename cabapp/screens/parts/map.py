"""The map: counts in tally hatching with the field, its marks, the tractor and the tool on top.

Knows a grid, outlines and a pose on one job's plane, in metres. Knows no session.
"""

import math
from pathlib import Path

import numpy as np
from kivy.graphics import Color, Ellipse, InstructionGroup, Mesh, ScissorPop, ScissorPush, SmoothLine
from kivy.lang import Builder
from kivy.properties import BooleanProperty, ColorProperty, NumericProperty
from kivy.uix.floatlayout import FloatLayout
from kivy.uix.widget import Widget

from cabapp.screens.parts import icons
from cabapp.screens.parts.buttons import Key  # noqa: F401  (used by map.kv)
from cabapp.screens.parts.ground import TEXELS, GroundWindow
from cabapp.screens.parts.outlines import dashes, long_side, rings
from cabapp.screens.parts.tally import Tally

Builder.load_file(str(Path(__file__).with_suffix(".kv")))
WIDTHS = (40, 60, 90, 130, 190, 280, 400, 600, 900, 1300, 2000, 3000, 4500, 7000)  # m across the map
NEAR = WIDTHS.index(190)
AHEAD = 0.2  # the tool lies this share of the map's height below its middle
STEADY = 0.7  # m/s: slower than this the map does not turn, for a heading at rest is noise


class GroundMap(FloatLayout):
    """A window onto the ground. `on_point` gives plane metres (x, y) when a finger is lifted."""

    ink = ColorProperty((0, 0, 0, 1))
    paper = ColorProperty((1, 1, 1, 1))
    accent = ColorProperty((1, 0.5, 0, 1))
    u = NumericProperty(5.9)
    target = NumericProperty(2)
    level = NumericProperty(NEAR)
    north_up = BooleanProperty(False)
    whole = BooleanProperty(False)  # the whole field, north up, instead of the ground round the tool
    keys = BooleanProperty(True)  # whether + and - are offered

    __events__ = ("on_point",)

    def __init__(self, **kwargs):
        self.grid = self.pose = self.next_place = None
        self.outline, self.parcels, self.marks, self.gate = [], [], [], None
        self.centre, self.turn = (0.0, 0.0), 0.0
        self._window, self._fingers = GroundWindow(), {}
        self._spread, self._pinched, self._zoomed = None, False, False
        self._whole_width = WIDTHS[-1]
        super().__init__(**kwargs)
        self.tally = Tally(TEXELS, TEXELS, size_hint=(1, 1), pos_hint={"x": 0, "y": 0})
        sheet = Widget()  # the pen lies between the hatching and the keys
        self.add_widget(sheet, index=len(self.children))
        self.add_widget(self.tally, index=len(self.children))
        self._pen = InstructionGroup()
        sheet.canvas.add(self._pen)
        for name in ("ink", "paper", "u", "target"):
            self.fbind(name, self._pass_on)
            self._pass_on(self, None)
        for name in ("pos", "size", "ink", "paper", "accent", "u", "level", "north_up", "whole"):
            self.fbind(name, lambda *_: self.redraw())

    def _pass_on(self, *_changed):
        for name in ("ink", "paper", "u", "target"):
            setattr(self.tally, name, getattr(self, name))

    def set_ground(self, grid, polygon=None, once_only=None) -> None:
        """Lay another job's ground under the map.

        Parameters
        ----------
        grid : Grid
        polygon, once_only : shapely geometry or None
            The field and its once-only areas on the same plane.
        """
        self.grid, self._window = grid, GroundWindow()
        self.pose, self._zoomed = None, False
        self.outline = rings(polygon)
        self.parcels = rings(once_only)
        self.tally.lean(long_side(polygon) + math.radians(50))
        if polygon is not None and not polygon.is_empty:
            low_x, low_y, high_x, high_y = polygon.bounds
            self.centre = ((low_x + high_x) / 2, (low_y + high_y) / 2)
        self.redraw()

    def changed(self, rects) -> None:
        """Bring changed cells up to date: a list of (i0, j0, i1, j1), or "all"."""
        if self.grid is None or not self._window.stride:
            return
        if isinstance(rects, str):
            self.tally.show(self._window.whole(self.grid))
            return
        for rect in rects:
            part = self._window.part(self.grid, rect)
            if part is not None:
                self.tally.show(*part)

    def follow(self, pose) -> None:
        """Move with the tool: the map's middle lies ahead of it, and travel points up."""
        if self.whole:
            self.pose = pose
            self.redraw()
            return
        if pose is not None and pose.heading is not None:
            if self.north_up:
                self.turn = 0.0
            elif (pose.speed or 0.0) > STEADY and not pose.reversing:
                wanted = pose.heading - math.pi / 2
                first = self.pose is None
                off = math.remainder(wanted - self.turn, math.tau)
                self.turn += off if first else 0.25 * off
        self.pose = pose
        if pose is not None:
            lift = 0.0 if self.north_up else AHEAD * self.height / self.scale
            self.centre = (
                pose.x - math.sin(self.turn) * lift,
                pose.y + math.cos(self.turn) * lift,
            )
        self.redraw()

    def show_whole(self) -> None:
        """Show the whole field, north up, until somebody zooms or asks for the ground round the tool."""
        self.whole = True

    def _fit_whole(self):
        points = np.vstack(self.outline)
        low, high = points.min(axis=0), points.max(axis=0)
        self.turn, self.centre = 0.0, tuple((low + high) / 2)
        wide, tall = (high - low) * 1.08
        self._whole_width = max(wide, tall * self.width / max(1.0, self.height), WIDTHS[0])

    def zoom(self, step: int) -> None:
        """Go closer (+1) or farther off (-1)."""
        if self._all_in_view:
            nearest = [abs(math.log(width / self._whole_width)) for width in WIDTHS]
            self.level = nearest.index(min(nearest))
            self.whole, self._zoomed = False, True
        self.level = min(len(WIDTHS) - 1, max(0, self.level - step))

    @property
    def scale(self) -> float:
        """Pixels in a metre."""
        across = self._whole_width if self._all_in_view else WIDTHS[int(self.level)]
        return max(1.0, self.width) / across

    @property
    def _all_in_view(self):
        return bool(self.outline) and (self.whole or self.pose is None and not self._zoomed)

    def to_px(self, xy) -> np.ndarray:
        """Return window pixels of plane metres, shape (n, 2)."""
        d = (np.asarray(xy, float).reshape(-1, 2) - self.centre) * self.scale
        cos, sin = math.cos(self.turn), math.sin(self.turn)
        return np.column_stack(
            (self.center_x + cos * d[:, 0] + sin * d[:, 1], self.center_y - sin * d[:, 0] + cos * d[:, 1])
        )

    def to_ground(self, px: float, py: float) -> tuple[float, float]:
        """Return plane metres of a window pixel."""
        dx, dy = (px - self.center_x) / self.scale, (py - self.center_y) / self.scale
        cos, sin = math.cos(self.turn), math.sin(self.turn)
        return self.centre[0] + cos * dx - sin * dy, self.centre[1] + sin * dx + cos * dy

    def redraw(self) -> None:
        """Draw everything that lies on the hatching, and look at the right cells."""
        if self._all_in_view:
            self._fit_whole()
        if self.grid is not None and self.width > 1:
            reach = math.hypot(self.width, self.height) / 2 / self.scale
            if self._window.cover(self.grid, self.centre, reach):
                self.tally.show(self._window.whole(self.grid))
            corner = self._window.corner(self.grid)
            self.tally.look(
                (self.centre[0] - corner[0], self.centre[1] - corner[1]),
                self.turn, self.scale, self.grid.cell * self._window.stride,
            )  # fmt: skip
        pen = self._pen
        pen.clear()
        pen.add(ScissorPush(x=int(self.x), y=int(self.y), width=int(self.width), height=int(self.height)))
        for ring in self.outline:
            self._line(ring, 0.9)
        for ring in self.parcels:
            self._line(ring, 0.5, dash=True)
        if self.gate is not None:
            self._icon("gate", self.gate)
        for kind, xy in self.marks:
            self._icon(kind, xy)
        if self.next_place is not None:
            self._icon("next", self.next_place)
        if self.pose is not None:
            self._machine()
        if self.turn:
            self._north()
        pen.add(ScissorPop())

    def _line(self, xy, mm, dash=False, colour=None):
        points = self.to_px(xy)
        if dash:
            for a, b in zip(points[:-1], points[1:], strict=True):
                for start, end in dashes(a, b, 2.2 * self.u):
                    self._stroke([*start, *end], mm, colour)
        else:
            self._stroke(points.ravel().tolist(), mm, colour)

    def _stroke(self, points, mm, colour=None):
        self._pen.add(Color(*(colour or self.ink)))
        # drawn smooth by itself, for smoothing the whole window costs three times the frame
        self._pen.add(SmoothLine(points=points, width=mm * self.u / 2))

    def _icon(self, kind, xy):
        (x, y), r = self.to_px(xy)[0], 3.0 * self.u
        self._pen.add(Color(*self.paper))
        self._pen.add(Ellipse(pos=(x - r * 1.25, y - r * 1.25), size=(r * 2.5, r * 2.5)))
        if kind == "next":
            self._pen.add(Color(*self.accent))
            self._pen.add(Ellipse(pos=(x - r * 1.1, y - r * 1.1), size=(r * 2.2, r * 2.2)))
        if kind in icons.DANGERS or kind == "next":
            self._pen.add(Color(*self.ink))
            self._pen.add(SmoothLine(circle=(x, y, r * 1.25), width=0.2 * self.u))
        for stroke in icons.MARKS.get(kind, icons.OTHER):
            size = r * 0.85
            self._stroke([c for px, py in stroke for c in (x + px * size, y + py * size)], 0.65)

    def _machine(self):
        pose = self.pose
        left, right = self.to_px([pose.left, pose.right])
        at = self.to_px([(pose.x, pose.y)])[0]
        middle = (left + right) / 2
        for mm, colour in ((0.9 + 1.6, self.paper), (0.9, self.ink)):
            self._stroke([*at, *middle], mm, colour)
        along = (right - left) / max(1.0, math.dist(left, right)) * self.u
        for mm, colour in ((4.0, self.paper), (2.9, self.ink), (1.7, self.accent)):
            frame = along * (mm - 1.7) / 2
            self._stroke([*(left - frame), *(right + frame)], mm, colour)
        angle = (pose.heading or 0.0) - math.pi / 2 - self.turn
        cos, sin = math.cos(angle), math.sin(angle)
        for size, colour in ((4.4, self.paper), (3.6, self.ink)):
            corners = [
                (at[0] + (cos * x - sin * y) * size * self.u, at[1] + (sin * x + cos * y) * size * self.u)
                for x, y in icons.TRACTOR
            ]
            self._pen.add(Color(*colour))
            vertices = [v for x, y in corners for v in (x, y, 0, 0)]
            self._pen.add(Mesh(vertices=vertices, indices=list(range(len(corners))), mode="triangle_fan"))
            self._pen.add(SmoothLine(points=[c for corner in (*corners, corners[0]) for c in corner], width=0.8))

    def _north(self):
        r = 3.2 * self.u
        x, y = self.x + 2 * r, self.top - 2 * r
        self._pen.add(Color(*self.paper))
        self._pen.add(Ellipse(pos=(x - 1.5 * r, y - 1.5 * r), size=(3 * r, 3 * r)))
        cos, sin = math.cos(-self.turn), math.sin(-self.turn)
        for stroke in icons.NORTH:
            self._stroke([c for px, py in stroke for c in (x + (cos * px - sin * py) * r, y + (sin * px + cos * py) * r)], 0.5)

    def on_point(self, x, y):
        """A finger was lifted from this place (plane metres); screens bind to it."""

    def on_touch_down(self, touch):
        """Take hold of touches on the ground; the + and - keys go first."""
        if super().on_touch_down(touch):
            return True
        if not self.collide_point(*touch.pos):
            return False
        touch.grab(self)
        self._fingers[touch.uid] = touch
        self._spread = self._reach()
        return True

    def on_touch_move(self, touch):
        """Two fingers going apart or together change the zoom step by step."""
        if touch.grab_current is self and self._spread:
            ratio = self._reach() / self._spread
            if not 0.75 < ratio < 1.34:
                self.zoom(1 if ratio > 1 else -1)
                self._spread = self._reach()
            return True
        return super().on_touch_move(touch)

    def on_touch_up(self, touch):
        """Lifting one finger points at a place, unless it was a pinch or left the map."""
        if touch.grab_current is not self:
            return super().on_touch_up(touch)
        touch.ungrab(self)
        self._pinched = self._pinched or self._spread is not None
        self._spread = None
        self._fingers.pop(touch.uid, None)
        if not self._pinched and self.collide_point(*touch.pos):
            self.dispatch("on_point", *self.to_ground(*touch.pos))
        if not self._fingers:
            self._pinched = False
        return True

    def _reach(self):
        if len(self._fingers) != 2:
            return None
        one, other = self._fingers.values()
        return max(1.0, math.dist(one.pos, other.pos))
