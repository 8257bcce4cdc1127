"""Ruled lists: one line for each thing, large enough for a glove. Knows no session."""

from math import dist

from kivy.app import App
from kivy.properties import BooleanProperty, NumericProperty, StringProperty
from kivy.uix.behaviors import ButtonBehavior
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.scrollview import ScrollView

from cabapp.screens.widgets import buttons as _buttons  # noqa: F401  (the kv file uses its widgets)
from cabapp.screens.widgets.layout import load_layout


class Row(ButtonBehavior, BoxLayout):
    """One ruled line of a list: words on the left, a figure on the right; chosen rows are filled."""

    words = StringProperty()
    remark = StringProperty()
    chosen = BooleanProperty(False)


def attempt_row(words: str, act, remark: str = "", chosen: bool = False) -> Row:
    """Return a row whose touch attempts an act; the application shows a refusal."""
    return Row(
        words=words, remark=remark, chosen=chosen, on_release=lambda _row: App.get_running_app().attempt(act)
    )  # fmt: skip


class SheetLine(BoxLayout):
    """A point of a sheet with its words, as high as the words need; it is only read."""

    point = StringProperty()
    words = StringProperty()


class Rows(ScrollView):
    """A list of rows that is drawn up and down with a finger.

    What the finger meant is known when it lifts: it tapped if it never went further than
    `tap_within` px from where it came down, however long it rested or shook, and else it drew.
    """

    tap_within = NumericProperty(30)
    scroll_timeout = NumericProperty(60_000)  # ms; Kivy would take a slow beginning for a tap

    def on_touch_down(self, touch):
        """Begin to note how far the finger goes."""
        touch.ud[self] = 0.0
        return super().on_touch_down(touch)

    def on_touch_move(self, touch):
        """Note how far the finger has gone."""
        touch.ud[self] = max(touch.ud.get(self, 0.0), dist(touch.pos, touch.opos))
        return super().on_touch_move(touch)

    def on_scroll_stop(self, touch, *args):
        """Take a finger that only shook for one that tapped: Kivy adds up every way it went."""
        ways = touch.ud.get(self._get_uid(), {})
        shaken = ways.get("mode") == "scroll" and touch.ud.get(self, 0.0) <= self.tap_within
        if shaken:
            ways |= {"mode": "unknown", "user_stopped": False}
        taken = super().on_scroll_stop(touch, *args)
        if shaken:
            self.effect_y.velocity = 0.0  # the row stays under the finger
        return taken

    @property
    def rows(self) -> list:
        """The rows, first to last."""
        return self.ids.box.children[::-1]

    def fill(self, rows) -> None:
        """Show these rows and no others."""
        self.ids.box.clear_widgets()
        for row in rows:
            self.ids.box.add_widget(row)

    def choose(self, chosen) -> None:
        """Mark one row as chosen and the others as not."""
        for row in self.rows:
            row.chosen = row is chosen


load_layout(__file__)
