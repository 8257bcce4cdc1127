"""Words that fit their box, and keys for a gloved finger. Knows colours and sizes, no session.

Every key acts when the finger is lifted from it, so a brush past it does nothing.
"""

from kivy.clock import Clock
from kivy.properties import BooleanProperty, ColorProperty, NumericProperty
from kivy.uix.behaviors import ButtonBehavior
from kivy.uix.gridlayout import GridLayout
from kivy.uix.label import Label

from cabapp.screens.widgets.layout import load_layout
from cabapp.screens.widgets.theme import CAP_OF_ROBOTO

ONE_LINE = 0.8  # share of its size that words give up to stay in one line
HOLD_S = 1.0  # how long a finish must be held


class FittedLabel(Label):
    """A label that takes the largest size from `cap_mm` down to `least_mm` at which its text fits.

    Where several lines may be, a word longer than a line is broken. Text that does not fit even then ends in dots, in one
    line, rather than running over.
    """

    cap_mm = NumericProperty(4.2)
    least_mm = NumericProperty(4.2)
    px_per_cap_mm = NumericProperty(8.3)
    several_lines = BooleanProperty(False)
    digits = BooleanProperty(False)  # nothing hangs below the line, so a capital's height is enough

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._due = Clock.create_trigger(self._fit, -1)
        for name in ("text", "size", "cap_mm", "least_mm", "px_per_cap_mm", "bold", "several_lines"):
            self.fbind(name, self._due)
        self._due()

    def _fit(self, *_changed):
        if self.width < 2 or self.height < 2:
            return
        self.shorten = not self._fit_in(self.height)
        self.text_size = (self.width, None)

    def _fit_in(self, height) -> bool:
        """Take the largest size that fits in this height, px; the least, and False, when none does."""
        # one line a little smaller reads better than two
        one_line = max(self.least_mm, ONE_LINE * self.cap_mm) if self.several_lines else self.least_mm
        return self._shrink(height, one_line, False) or (
            self.several_lines
            and (self._shrink(height, self.least_mm, True) or self._shrink(height, self.least_mm, True, broken=True))
        )

    def _shrink(self, height, least, several, broken=False):
        """Take the largest size that fits, from `cap_mm` down to `least`; False when none does.

        `broken`: whether a word may be broken.
        """
        cap = self.cap_mm
        self.shorten = False
        while True:
            self.font_size = round(cap * self.px_per_cap_mm)
            self.text_size = (self.width if several else None, None)
            self.texture_update()
            tall = cap * self.px_per_cap_mm * CAP_OF_ROBOTO if self.digits else self.texture_size[1]
            whole = broken or not (several and self._broken_word())
            if self.texture_size[0] <= self.width and tall <= height and whole:
                return True
            if cap <= least:
                return False
            cap = max(least, cap * 0.93)

    def _broken_word(self):
        widest = max(self.text.split(), key=len, default="")
        room = self.width - self.padding[0] - self.padding[2]
        return self._label.get_extents(widest)[0] > room if self._label else False


class WholeLabel(FittedLabel):
    """A label that is as high as its lines need at their smallest; nothing of it is left out."""

    lowest = NumericProperty(0)  # its height while the words fit in it, px

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self.fbind("lowest", self._due)

    def _fit(self, *_changed):
        if self.width < 2:
            return
        self.height = self.lowest if self._fit_in(self.lowest) else self.texture_size[1]
        self.text_size = (self.width, None)


class Key(ButtonBehavior, FittedLabel):
    """A key: outlined, or filled when `main`; it turns over to its other colours under the finger."""

    main = BooleanProperty(False)
    ink = ColorProperty((0, 0, 0, 1))
    paper = ColorProperty((1, 1, 1, 1))
    u = NumericProperty(5.9)
    filled = BooleanProperty(False)

    def __init__(self, **kwargs):
        kwargs.setdefault("always_release", False)
        super().__init__(**kwargs)
        self.fbind("state", self._turn)
        self.fbind("main", self._turn)
        self._turn()

    def _turn(self, *_changed):
        self.filled = self.main != (self.state == "down")


class HoldKey(Key):
    """A key that counts only when held for a second: `on_long` comes when it is then let go."""

    held = NumericProperty(0.0)  # share of the second, 0 to 1
    __events__ = ("on_long",)

    def on_press(self):
        self.held = 0.0
        self._beat = Clock.schedule_interval(self._count, 0.05)

    def _count(self, dt):
        self.held = min(1.0, self.held + dt / HOLD_S)
        return self.state == "down" and self.held < 1.0

    def on_state(self, _key, state):
        """Forget the count when the finger is gone, wherever it was lifted."""
        if state == "normal":
            Clock.schedule_once(lambda _dt: setattr(self, "held", 0.0))

    def on_release(self):
        if self.held >= 1.0:
            self.dispatch("on_long")

    def on_long(self):
        """Held for a second and let go; screens bind to it."""


class KeyGrid(GridLayout):
    """One content of a screen: keys that fill it."""

    shown = BooleanProperty(False)

    def add_key(self, words: str, act, place: int = 0, main: bool = False) -> Key:
        """Add a key whose release runs an act; `place` counts from the last key."""
        key = Key(text=words, cap_mm=6.4, main=main, on_release=lambda _key: act())
        self.add_widget(key, index=place)
        return key


load_layout(__file__)
