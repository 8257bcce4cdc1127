"""The sentence line: the one thing that matters now, in words, with at most one answer beside it."""

from kivy.properties import BooleanProperty, NumericProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout

from cabapp.screens.widgets.layout import load_layout


class SentenceLine(BoxLayout):
    """One sentence, full width; filled with the accent when something must be done now.

    `answer` names the key at the right end ("I know", "Undo stop"); empty: no key. `side` puts an
    arrow at the end of the line to which the tool should move: -1 left, +1 right, 0 none. Upright, or
    without `keeps_room`, the line takes no room while nothing is said.
    """

    words = StringProperty()
    act_now = BooleanProperty(False)
    side = NumericProperty(0)
    answer = StringProperty()
    other_answer = StringProperty()
    keeps_room = BooleanProperty(True)
    above = BooleanProperty(False)  # it stands above the part of the screen that it else stands below
    __events__ = ("on_first_key", "on_second_key")

    def on_above(self, _line, above):
        """Change places with the part of the screen beside it."""
        screen = self.parent
        screen.remove_widget(self)
        screen.add_widget(self, index=int(above))

    def on_first_key(self):
        """The key at the right end was let go; screens bind to it."""

    def on_second_key(self):
        """The second key of a question was let go; screens bind to it."""


load_layout(__file__)
