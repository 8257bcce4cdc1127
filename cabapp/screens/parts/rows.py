"""Ruled lists: one line for each thing, large enough for a glove. Knows no session."""

from pathlib import Path

from kivy.lang import Builder
from kivy.properties import BooleanProperty, StringProperty
from kivy.uix.behaviors import ButtonBehavior
from kivy.uix.boxlayout import BoxLayout
from kivy.uix.scrollview import ScrollView

from cabapp.screens.parts import buttons as _buttons  # noqa: F401  (the kv file uses its widgets)


class Row(ButtonBehavior, BoxLayout):
    """One ruled line of a list: words on the left, a figure on the right; chosen rows are filled."""

    words = StringProperty()
    remark = StringProperty()
    chosen = BooleanProperty(False)


class SheetLine(BoxLayout):
    """A point of a sheet with its words, as high as the words need; it is only read."""

    point = StringProperty()
    words = StringProperty()


class Rows(ScrollView):
    """A list of rows that is drawn up and down with a finger."""

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


Builder.load_file(str(Path(__file__).with_suffix(".kv")))
