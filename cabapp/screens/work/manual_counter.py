"""The pass tally for a day without a receiver: pen strokes in bundles of five, and a large +1.

Knows a number, no session.
"""

from kivy.graphics import Color, Line
from kivy.properties import NumericProperty
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.widget import Widget

from cabapp.screens.widgets.layout import load_layout
from cabapp.screens.widgets.theme import THEME


class TallyMarks(Widget):
    """A number in tally marks, every fifth stroke across the four before it."""

    count = NumericProperty(0)

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        for name in ("count", "pos", "size"):
            self.fbind(name, self._draw)
        THEME.fbind("ink", self._draw)

    def _draw(self, *_changed):
        u = THEME.u
        stroke, bundle, line = 4.2 * u, 25 * u, 18 * u
        across = max(1, int(self.width // bundle))
        self.canvas.clear()
        with self.canvas:
            Color(*THEME.ink)
            for k in range(int(self.count)):
                five, one = divmod(k, 5)
                x = self.x + (five % across) * bundle + 2 * u
                top = self.top - (five // across) * line - 2 * u
                if top - 13 * u < self.y:
                    break
                if one < 4:
                    points = [x + one * stroke, top, x + one * stroke - 0.6 * u, top - 13 * u]
                else:
                    points = [x - 2.6 * u, top - 10.4 * u, x + 3.6 * stroke, top - 2.4 * u]
                Line(points=points, width=0.5 * u, cap="round")


class PassTally(BoxLayout):
    """The count of passes and the key that adds one."""

    count = NumericProperty(0)


load_layout(__file__)
