"""Our own keyboard: keys for a glove, letters in the order of the alphabet. Knows no form.

A tablet's own keyboard would be too small, and would open over the screen.
"""

from kivy.app import App
from kivy.properties import BooleanProperty, StringProperty
from kivy.uix.boxlayout import BoxLayout

from cabapp.screens.widgets.buttons import Key
from cabapp.screens.widgets.layout import load_layout
from cabapp.screens.widgets.theme import THEME

LETTERS = "abcdefghijklmnopqrstuvwxyz-"
SIGNS = "1234567890.,'/()&+:%#é?ñüöä"
DIGITS = {False: "123.4560789", True: "123456789.0"}  # in four columns, in three when upright
LONGEST, LONGEST_EXACT = 40, 100


class Typing(BoxLayout):
    """Keys and what was typed; `on_done` gives the text, `on_back` leaves it."""

    shown = BooleanProperty(False)
    title = StringProperty()
    text = StringProperty()
    only_digits = BooleanProperty(False)
    signs = BooleanProperty(False)
    capital = BooleanProperty(True)
    hidden = BooleanProperty(False)  # a number that bystanders should not read
    exact = BooleanProperty(False)  # no letter becomes a capital by itself
    __events__ = ("on_done", "on_back")

    def ask(
        self,
        title: str,
        text: str = "",
        only_digits: bool = False,
        hidden: bool = False,
        signs: bool = False,
        exact: bool = False,
    ) -> None:
        """Begin with a question and what stands there already; `signs` come before letters."""
        self.title, self.text, self.only_digits, self.hidden, self.exact = title, text, only_digits, hidden, exact
        self.signs, self.capital = signs, not text and not exact
        self._lay()

    def on_touch_down(self, touch):
        """Take a message away: whoever types on has read it."""
        if self.shown and self.collide_point(*touch.pos):
            App.get_running_app().messages.withdraw()
        return super().on_touch_down(touch)

    def _lay(self):
        """Put the keys there; the same keys take other signs, for one must not go from under a finger."""
        signs = DIGITS[THEME.tall] if self.only_digits else SIGNS if self.signs else LETTERS
        grid = self.ids.grid
        while len(grid.children) > len(signs):
            grid.remove_widget(grid.children[0])
        while len(grid.children) < len(signs):
            key = Key(cap_mm=6.4)
            key.bind(on_release=lambda key: self._type(key.text))
            grid.add_widget(key)
        for key, sign in zip(reversed(grid.children), signs, strict=True):
            key.text = sign.upper() if self.capital and sign.isalpha() else sign

    def _type(self, sign):
        if len(self.text) < (LONGEST_EXACT if self.exact else LONGEST):
            self.text += sign
        if self.capital:
            self.capital = False
            self._lay()

    def space(self):
        """A space, and the next letter is a capital."""
        if self.text and not self.text.endswith(" "):
            self.text += " "
            self.capital = not self.exact
            self._lay()

    def shift(self):
        """Turn to capitals, or back."""
        self.capital, self.signs = not self.capital, False
        self._lay()

    def turn(self):
        """Turn to figures and signs, or back to letters."""
        self.signs = not self.signs
        self._lay()

    def rub(self):
        self.text = self.text[:-1]

    def on_done(self, _text):
        """The text is as it should be; screens bind to it."""

    def on_back(self):
        """It was left as it was; screens bind to it."""


load_layout(__file__)
