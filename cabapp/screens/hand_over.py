"""Handing over: the outgoing operator says how it stands, both read the sheet, and it is given on."""

from pathlib import Path

from kivy.app import App
from kivy.lang import Builder
from kivy.properties import BooleanProperty, StringProperty

from cabapp.screens.parts.page import Page
from cabapp.screens.parts.rows import SheetLine
from cabapp.screens.sheet_words import sheet_lines


class HandOverScreen(Page):
    """The sheet of the hand-over; nothing is typed."""

    remark = StringProperty()
    state = StringProperty()  # "", "fine", "watch" or "stopped"
    left_for = BooleanProperty(False)

    def on_pre_enter(self, *_args):
        """Begin with an open question."""
        self.state, self.left_for, self._sheet = "", False, None
        self.ids.sheet.fill([])

    def show(self, view) -> None:
        """Name the field and who hands it over."""
        self.remark = f"{view.field or ''}, {view.operator or ''}"

    def say(self, state: str):
        """How it stands, in one word."""
        self.state = state
        self._prepare()

    def turn_left_for(self):
        """Nobody is here to receive it, or somebody is."""
        self.left_for = not self.left_for
        self._prepare()

    def _prepare(self):
        app = App.get_running_app()
        if not self.state:
            return

        def act():
            self._sheet = app.session.prepare_hand_over(state=self.state, left=self.left_for)

        if app.attempt(act):
            lines = sheet_lines(self._sheet.sheet, app.units, app.clock_words)
            self.ids.sheet.fill([SheetLine(point=point, words=words) for point, words in lines])

    def give(self):
        """Close the stint and wait for the receiver."""
        app = App.get_running_app()
        if self._sheet is not None:
            app.attempt(lambda: app.session.hand_over(self._sheet))


Builder.load_file(str(Path(__file__).with_suffix(".kv")))
