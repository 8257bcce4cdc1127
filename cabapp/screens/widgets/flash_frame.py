"""A frame round the whole window that flashes with the sound: for an eye that looks at the field."""

from kivy.clock import Clock
from kivy.graphics import Color, Rectangle
from kivy.properties import BooleanProperty
from kivy.uix.widget import Widget

from cabapp.screens.widgets.theme import THEME

FLASHES, HALF_S = 2, 0.25  # two a second: three or fewer do no harm (WCAG 2.2, 2.3.1)
WIDE_MM = 6.0


class FlashFrame(Widget):
    """Lies over everything and takes no touch."""

    lit = BooleanProperty(False)

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._left = 0
        for name in ("size", "lit"):
            self.fbind(name, self._draw)

    def flash(self) -> None:
        """Light up, and go out, a few times."""
        self._left = 2 * FLASHES
        Clock.unschedule(self._turn)
        Clock.schedule_interval(self._turn, HALF_S)
        self._turn(0)

    def _turn(self, _dt):
        self._left -= 1
        self.lit = self._left % 2 == 1
        return self._left > 0

    def _draw(self, *_changed):
        self.canvas.clear()
        if not self.lit:
            return
        wide = WIDE_MM * THEME.u
        with self.canvas:
            for colour, inset, thick in ((THEME.ink, 0, wide), (THEME.accent, 0.15 * wide, 0.7 * wide)):
                Color(*colour)
                x, y, w, h = inset, inset, self.width - 2 * inset, self.height - 2 * inset
                for pos, size in (
                    ((x, y), (w, thick)), ((x, y + h - thick), (w, thick)),
                    ((x, y), (thick, h)), ((x + w - thick, y), (thick, h)),
                ):  # fmt: skip
                    Rectangle(pos=pos, size=size)

    def on_touch_down(self, _touch):
        """Let every touch through."""
        return False
