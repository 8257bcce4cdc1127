"""The tool strip: the tool seen from behind, cut into twelve pieces, each with the count it will leave.

Knows counts, no ground and no session.
"""

import numpy as np
from kivy.graphics import Color, Line, Rectangle
from kivy.properties import ListProperty, NumericProperty
from kivy.uix.boxlayout import BoxLayout

from cabapp.screens.map.hatching_texture import HatchingTexture
from cabapp.screens.widgets.buttons import FittedLabel
from cabapp.screens.widgets.layout import load_layout
from cabapp.screens.widgets.theme import THEME

PIECES = 12


class StripPiece(FittedLabel):
    """The number of one piece on its own slip of paper."""

    over = NumericProperty(0)


class ToolStrip(BoxLayout):
    """Twelve pieces of the tool, left to right; an end that strays is edged in the accent."""

    counts = ListProperty()  # twelve counts, or empty while the tool is not working
    over = ListProperty()
    works = ListProperty()  # which pieces work; empty: all
    target = NumericProperty(2)

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._tally = HatchingTexture(PIECES + 2, 3, ink=THEME.ink, paper=THEME.paper, u=THEME.u)
        self.canvas.before.add(self._tally.canvas)
        self._pieces = [StripPiece() for _ in range(PIECES)]
        for piece in self._pieces:
            self.add_widget(piece)
        for name in ("counts", "over", "works", "target", "pos", "size"):
            self.fbind(name, self._draw)
        for name in ("ink", "u"):
            THEME.fbind(name, self._draw)
        self._draw()

    def _draw(self, *_changed):
        u, tally = THEME.u, self._tally
        tally.pos, tally.size = self.pos, self.size
        tally.ink, tally.paper, tally.u, tally.target = THEME.ink, THEME.paper, u, self.target
        works = list(self.works) or [True] * PIECES
        counts = [min(int(count), 254) for count in self.counts] or [0] * PIECES
        # a rim of the same counts round the twelve, so that no hatching fades at the ends
        tally.show(np.pad(np.array([counts], np.uint8), 1, mode="edge"))
        # one "metre" is one pixel here, so that each cell is just one piece; tall cells fill the height
        wide = max(1.0, self.width / PIECES)
        tally.look((wide + self.width / 2, wide * 1.5), 0.0, 1.0, wide)
        over = list(self.over) or [False] * PIECES
        for piece, count, stray, down in zip(self._pieces, counts, over, works, strict=True):
            piece.text = str(count) if self.counts and down else ""
            piece.over = int(stray)
        self.canvas.after.clear()
        with self.canvas.after:
            for k, down in enumerate(works):
                if not down:  # blank, with the tool held up over it
                    Color(*THEME.paper)
                    Rectangle(pos=(self.x + k * wide, self.y), size=(wide, self.height))
                    Color(*THEME.ink)
                    Rectangle(pos=(self.x + k * wide, self.top - 2.6 * u), size=(wide, 1.2 * u))
            Color(*THEME.ink)
            Line(rectangle=(self.x, self.y, self.width, self.height), width=0.3 * u)
            for k in range(1, PIECES):
                if not (works[k - 1] or works[k]):
                    continue
                Rectangle(pos=(self.x + k * wide - 0.15 * u, self.y), size=(0.3 * u, self.height))
            for k, stray in enumerate(over):
                if not stray:
                    continue
                place = self.x + k * wide + 0.6 * u, self.y + 0.6 * u
                for colour, width in ((THEME.ink, 1.0), (THEME.accent, 0.65)):
                    Color(*colour)
                    Line(rectangle=(*place, wide - 1.2 * u, self.height - 1.2 * u), width=width * u)


load_layout(__file__)
