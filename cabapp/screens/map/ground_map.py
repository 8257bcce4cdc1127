"""The map: counts in tally hatching with the field, its marks, the tractor and the tool on top.

Knows a grid, outlines and a pose on one job's plane, in metres. Knows no session.
"""

import math

import numpy as np
from kivy.graphics import InstructionGroup, ScissorPop, ScissorPush
from kivy.properties import BooleanProperty, ColorProperty, NumericProperty, ObjectProperty
from kivy.uix.floatlayout import FloatLayout
from kivy.uix.widget import Widget

from cabapp.geometry.angles import turn_between
from cabapp.screens.map import map_drawings
from cabapp.screens.map.cell_window import TEXELS, GroundWindow
from cabapp.screens.map.hatching_texture import HatchingTexture
from cabapp.screens.map.map_drawings import MapDrawing
from cabapp.screens.map.outline_lines import long_side, rings
from cabapp.screens.map.pose_extrapolation import PoseExtrapolation
from cabapp.screens.widgets.buttons import Key  # noqa: F401  (used by ground_map.kv)
from cabapp.screens.widgets.layout import load_layout

load_layout(__file__)
WIDTHS = (40, 60, 90, 130, 190, 280, 400, 600, 900, 1300, 2000, 3000, 4500, 7000)  # m across the map
NEAR = WIDTHS.index(190)
KEYS_MM = 48.0  # what + and - take of the map's width
AHEAD = 0.2  # the tool lies this share of the map's height below its middle
STEADY = 0.7  # m/s: slower than this the map does not turn, for a heading at rest is noise
TURN_S = 0.35  # in which most of a turn of the tractor is followed by the map
DRAWN_FROM = (
    "pos", "size", "ink", "paper", "accent", "u", "level", "north_up", "whole", "keys", "marks", "gate", "next_place",
)  # fmt: skip


class GroundMap(FloatLayout):
    """A window onto the ground. `on_point` gives plane metres (x, y) when a finger is lifted.

    Everything on it is drawn by `redraw`, when it changes; `glide` only moves it, at every frame.
    """

    ink = ColorProperty((0, 0, 0, 1))
    paper = ColorProperty((1, 1, 1, 1))
    accent = ColorProperty((1, 0.5, 0, 1))
    u = NumericProperty(5.9)
    target = NumericProperty(2)
    level = NumericProperty(NEAR)
    north_up = BooleanProperty(False)
    whole = BooleanProperty(False)  # the whole field, north up, instead of the ground round the tool
    keys = BooleanProperty(True)  # whether + and - are offered
    marks = ObjectProperty(())  # (kind, (x, y)) of each mark of the field, m on the plane
    gate = ObjectProperty(None, allownone=True)  # (x, y), like next_place
    next_place = ObjectProperty(None, allownone=True)

    __events__ = ("on_point",)

    def __init__(self, **kwargs):
        self.grid = self.pose = None
        self.outline, self.parcels = [], []
        self.centre, self.turn = (0.0, 0.0), 0.0
        self._window, self._glide, self._now, self._fingers = GroundWindow(), PoseExtrapolation(), 0.0, {}
        self._spread, self._pinched, self._zoomed = None, False, False
        self._whole_width = WIDTHS[-1]
        self._anchor, self._ends, self._look = (0.0, 0.0), np.zeros((2, 2)), ()
        super().__init__(**kwargs)
        self.tally = HatchingTexture(TEXELS, TEXELS, size_hint=(1, 1), pos_hint={"x": 0, "y": 0})
        sheet = Widget()  # what is drawn lies between the hatching and the keys
        self.add_widget(sheet, index=len(self.children))
        self.add_widget(self.tally, index=len(self.children))
        self._cut, self._lines, self._signs = ScissorPush(), MapDrawing(), InstructionGroup()
        self._machine, self._north, self._pen = MapDrawing(), MapDrawing(), InstructionGroup()
        self._placed = []  # (drawing, plane metres) of every sign
        for part in (self._cut, self._lines, self._signs, self._machine, self._north, self._pen, ScissorPop()):
            sheet.canvas.add(part)
        for name in ("ink", "paper", "u", "target"):
            self.fbind(name, self._pass_on)
            self._pass_on(self, None)
        for name in DRAWN_FROM:
            self.fbind(name, lambda *_: self.redraw())

    def _pass_on(self, *_changed):
        for name in ("ink", "paper", "u", "target"):
            setattr(self.tally, name, getattr(self, name))

    def set_job(self, job) -> None:
        """Lay the ground of a job's count under the map, with its field."""
        field = job.field
        self.target, self.plane = getattr(field, "target", 2), job.plane
        self.set_ground(job.grid, getattr(field, "polygon", None), getattr(field, "once", None))
        self.changed("all")

    def show_field(self, job, marks=()) -> None:
        """Show the whole ground of a job's count, and marks as of `set_marks`."""
        self.set_job(job)
        self.set_marks(marks)
        self.show_whole()

    def xy(self, lat: float, lon: float) -> tuple[float, float]:
        """Return where a place lies on the job's plane, m."""
        return tuple(float(v) for v in self.plane.to_xy(lat, lon)[0])

    def latlon(self, x: float, y: float) -> tuple[float, float]:
        """Return latitude and longitude of a place on the job's plane, degrees."""
        return tuple(float(v[0]) for v in self.plane.to_latlon([(x, y)]))

    def set_marks(self, marks) -> None:
        """Show marks: kind, latitude and longitude of each; those without a place are left out."""
        self.marks = [(kind, self.xy(lat, lon)) for kind, lat, lon in marks if lat is not None]

    def set_ground(self, grid, polygon=None, once_only=None) -> None:
        """Lay another job's ground under the map.

        `grid`: Grid.
        `polygon`, `once_only`: shapely geometry or None: the field and its once-only areas on the same plane.
        """
        self.grid, self._window, self._glide = grid, GroundWindow(self.target), PoseExtrapolation()
        self.pose, self._zoomed = None, False
        self.outline = rings(polygon)
        self.parcels = rings(once_only)
        self._anchor = tuple(self.outline[0][0]) if self.outline else (0.0, 0.0)
        self._lines.drawn_from = None
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

    def follow(self, pose, now: float = 0.0) -> None:
        """Take the newest pose, or None, at a moment of any steady clock, s."""
        first = self.pose is None
        self._glide.feed(pose, now)
        if pose is not None and pose is not self.pose:
            # the tool's ends as the tractor has them, ahead and to its left, m
            cos, sin = math.cos(pose.heading), math.sin(pose.heading)
            self._ends = (np.array([pose.left, pose.right]) - (pose.x, pose.y)) @ np.array([[cos, -sin], [sin, cos]])
        self.pose = pose
        if first != (pose is None):
            self.redraw()
        self.glide(now, at_once=first)

    def glide(self, now: float, at_once: bool = False) -> None:
        """Move with the tool to where it is now: the map's middle lies ahead of it, and travel points up."""
        pose, passed, self._now = self.pose, max(0.0, now - self._now), now
        if pose is not None and not self.whole:
            x, y, heading = self._glide.at(now)
            if self.north_up:
                self.turn = 0.0
            elif pose.speed > STEADY and not pose.reversing:
                off = turn_between(self.turn, heading - math.pi / 2)
                self.turn += off if at_once else off * -math.expm1(-passed / TURN_S)
            lift = 0.0 if self.north_up else AHEAD * self.height / self.scale
            self.centre = (x - math.sin(self.turn) * lift, y + math.cos(self.turn) * lift)
        self._lay()

    def show_whole(self) -> None:
        """Show the whole field, north up, until somebody zooms or asks for the ground round the tool."""
        self.whole = True

    def _lay_field(self):
        """Put the field in the middle, or so far to the left that no place of the whole lies under the keys."""
        points = np.vstack(self.outline)
        low, high = points.min(axis=0), points.max(axis=0)
        wide, tall = (high - low) * 1.08
        kept = KEYS_MM * self.u if self.keys else 0.0
        free = max(1.0, self.width - kept)
        self._whole_width = max(wide * self.width / free, tall * self.width / max(1.0, self.height), WIDTHS[0])
        middle, kept = (low + high) / 2, kept / self.scale
        aside = min(kept / 2, max(0.0, wide / 2 + kept - self.width / self.scale / 2))
        self.turn, self.centre = 0.0, (middle[0] + aside, middle[1])

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
        return float(max(1.0, self.width) / across)

    @property
    def _all_in_view(self):
        return bool(self.outline) and (self.whole or (self.pose is None and not self._zoomed))

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
        """Draw everything that lies on the hatching anew, where it has changed, and lay it in its place."""
        if self.outline and (self.whole or self.pose is None):
            self._lay_field()
        for name, value in zip(("x", "y", "width", "height"), (*self.pos, *self.size), strict=True):
            setattr(self._cut, name, int(value))
        look = self._look = (self.u, self.scale, *self.ink, *self.paper, *self.accent)
        pen = self._lines.again(look)
        if pen is not None:
            for rings_of, mm, dash in ((self.outline, 0.9, None), (self.parcels, 0.5, 2.2 * self.u)):
                for ring in rings_of:
                    map_drawings.outline(pen, (ring - self._anchor) * self.scale, mm * self.u, self.ink, dash)
        self._signs.clear()
        self._placed = []
        for kind, xy in (("gate", self.gate), *self.marks, ("next", self.next_place)):
            if xy is not None:
                sign = MapDrawing()
                map_drawings.icon(sign.again(look), kind, self.u, self._colours)
                self._signs.add(sign)
                self._placed.append((sign, xy))
        self._pen.clear()
        self.glide(self._now)

    def _lay(self):
        """Put every drawing where the ground now is, and look at the right cells."""
        if self.grid is not None and self.width > 1:
            reach = math.hypot(self.width, self.height) / 2 / self.scale
            if self._window.cover(self.grid, self.centre, reach):
                self.tally.show(self._window.whole(self.grid))
            corner = self._window.corner(self.grid)
            self.tally.look(
                (self.centre[0] - corner[0], self.centre[1] - corner[1]),
                self.turn, self.scale, self.grid.cell * self._window.stride,
            )  # fmt: skip
        self._lines.lay(self.to_px(self._anchor)[0], -self.turn)
        if self._placed:
            for (sign, _), place in zip(self._placed, self.to_px([xy for _, xy in self._placed]), strict=True):
                sign.lay(place)
        pen = self._north.again(self._look if self.turn else None)
        if pen is not None and self.turn:
            map_drawings.north(pen, self.u, self._colours)
        self._north.lay((self.x + 6.4 * self.u, self.top - 6.4 * self.u), -self.turn)
        self._lay_machine()

    def _lay_machine(self):
        if self.pose is None:
            self._machine.again(None)
            return
        ends = self._ends * self.scale
        pen = self._machine.again((self._look, self.pose.works, *np.round(ends, 1).ravel()))
        if pen is not None:
            map_drawings.machine(pen, ends, self.pose.works, self.u, self._colours)
        x, y, heading = self._glide.at(self._now)
        self._machine.lay(self.to_px((x, y))[0], heading - self.turn)

    @property
    def _colours(self):
        return self.ink, self.paper, self.accent

    def _line(self, xy, mm, dash=False):
        """Draw on top of all, until the next `redraw`, a line through plane metres."""
        map_drawings.outline(self._pen, self.to_px(xy), mm * self.u, self.ink, 2.2 * self.u if dash else None)

    def on_point(self, x, y):
        """A finger was lifted from this place (plane metres); screens bind to it."""

    def on_touch_down(self, touch):
        """Take hold of touches on the ground; the + and - keys go first."""
        # parts of it may lie outside its box, and a disabled part takes every touch on it
        if not self.collide_point(*touch.pos):
            return False
        if super().on_touch_down(touch):
            return True
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
