"""Drawings that lie on the map: drawn once, then only moved and turned. Knows no session."""

import itertools
import math

import numpy as np
from kivy.graphics import Color, Ellipse, InstructionGroup, Mesh, PopMatrix, PushMatrix, Rotate, SmoothLine, Translate

from cabapp.jobs.records.field_marks import OBSTACLES
from cabapp.screens.map import mark_icons
from cabapp.screens.map.outline_lines import dashes


class MapDrawing(InstructionGroup):
    """A drawing round its own middle, (0, 0); what it was drawn from is kept as `drawn_from`."""

    def __init__(self):
        super().__init__()
        self._place, self._turn, self._pen = Translate(0, 0), Rotate(angle=0, axis=(0, 0, 1)), InstructionGroup()
        for part in (PushMatrix(), self._place, self._turn, self._pen, PopMatrix()):
            self.add(part)
        self.drawn_from = None

    def again(self, drawn_from):
        """Return the empty pen if the drawing must be made anew, else None."""
        if drawn_from == self.drawn_from:
            return None
        self.drawn_from = drawn_from
        self._pen.clear()
        return self._pen

    def lay(self, place, angle: float = 0.0) -> None:
        """Move it to a place of the window, pixels, turned counter-clockwise by an angle, rad."""
        self._place.x, self._place.y = float(place[0]), float(place[1])
        self._turn.angle = math.degrees(angle)


def stroke(pen, points, width, colour) -> None:
    """Draw a pen line through points (x, y, x, y ...), pixels."""
    pen.add(Color(*colour))
    # drawn smooth by itself, for smoothing the whole window costs three times the frame
    pen.add(SmoothLine(points=points, width=width / 2))


def outline(pen, points, width, colour, dash=None) -> None:
    """Draw a ring or an open line through points, shape (n, 2), pixels; `dash` is a length, pixels."""
    if dash is None:
        stroke(pen, points.ravel().tolist(), width, colour)
        return
    for a, b in itertools.pairwise(points):
        for start, end in dashes(a, b, dash):
            stroke(pen, [*start, *end], width, colour)


def icon(pen, kind, u, colours) -> None:
    """Draw a mark; `colours` are ink, paper and accent, `u` the pixels of a millimetre."""
    ink, paper, accent = colours
    r = 3.0 * u
    _disc(pen, r * 1.25, paper)
    if kind == "next":
        _disc(pen, r * 1.1, accent)
    if kind in OBSTACLES or kind == "next":
        pen.add(Color(*ink))
        pen.add(SmoothLine(circle=(0, 0, r * 1.25), width=0.2 * u))
    for line in mark_icons.DRAWINGS.get(kind, mark_icons.OTHER):
        stroke(pen, [c * r * 0.85 for place in line for c in place], 0.65 * u, ink)


def north(pen, u, colours) -> None:
    """Draw the arrow to the north, pointing up."""
    r = 3.2 * u
    _disc(pen, 1.5 * r, colours[1])
    for line in mark_icons.NORTH:
        stroke(pen, [c * r for place in line for c in place], 0.5 * u, colours[0])


def machine(pen, ends, works, u, colours) -> None:
    """Draw tractor and tool, seen from above and travelling east, round the antenna.

    `ends`: shape (2, 2); left and right end of the tool from the antenna, pixels.
    `works`: ends of each part of it that works, as shares of the tool from the left; the rest is a thin line.
    """
    ink, paper, accent = colours
    left, right = ends
    middle = (left + right) / 2
    for mm, colour in ((0.9 + 1.6, paper), (0.9, ink)):
        stroke(pen, [0, 0, *middle], mm * u, colour)
    along = (right - left) / max(1.0, math.dist(left, right)) * u
    if works != ((0.0, 1.0),):
        for mm, colour in ((2.5, paper), (0.9, ink)):
            stroke(pen, [*left, *right], mm * u, colour)
    for mm, colour in ((4.0, paper), (2.9, ink), (1.7, accent)):
        frame = along * (mm - 1.7) / 2
        for begin, end in works:
            stroke(
                pen, [*(left + begin * (right - left) - frame), *(left + end * (right - left) + frame)], mm * u, colour
            )
    for size, colour in ((4.4, paper), (3.6, ink)):
        corners = np.array([(y, -x) for x, y in mark_icons.TRACTOR]) * size * u
        pen.add(Color(*colour))
        vertices = [v for x, y in corners for v in (x, y, 0, 0)]
        pen.add(Mesh(vertices=vertices, indices=list(range(len(corners))), mode="triangle_fan"))
        pen.add(SmoothLine(points=[*corners.ravel(), *corners[0]], width=0.8))


def _disc(pen, r, colour):
    pen.add(Color(*colour))
    pen.add(Ellipse(pos=(-r, -r), size=(2 * r, 2 * r)))
