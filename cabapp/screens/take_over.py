"""Taking over: one ruled page with four columns, or "same as last time" in one tap.

The session says what can be chosen; nothing is typed.
"""

from pathlib import Path

from kivy.app import App
from kivy.clock import Clock
from kivy.lang import Builder
from kivy.properties import BooleanProperty, ListProperty, StringProperty

from cabapp.screens.parts.page import Page
from cabapp.screens.parts.rows import Row
from store.models import Tool

COLUMNS = ("operators", "tractors", "tools", "fields")
LOOK_AGAIN_S = 3.0  # until the first touch the fields are put in order again as the position comes


class TakeOverScreen(Page):
    """Who, with what, where."""

    cautions = ListProperty()
    same = StringProperty()
    waiting = StringProperty()
    ready = BooleanProperty(False)
    sentence = StringProperty()

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._chosen, self._choices, self._again = {}, None, None

    def on_pre_enter(self, *_args):
        """Begin a fresh page."""
        self._chosen = {}
        self._load()
        self._again = Clock.schedule_interval(lambda _dt: self._load(), LOOK_AGAIN_S)

    def on_leave(self, *_args):
        """Stop putting the fields in order."""
        if self._again is not None:
            self._again.cancel()

    def show(self, view) -> None:
        """Say what was refused, or where we are."""
        app = App.get_running_app()
        if app.trouble:
            self.sentence = app.trouble.words
        elif not any(getattr(self._choices, name, ()) for name in COLUMNS):
            self.sentence = "This book is still empty. Bring the farm in with: rollbook merge FILE"
        else:
            self.sentence = "" if view.position in ("good", "none") else view.position_words

    def _load(self):
        if self._chosen:
            return
        app = App.get_running_app()
        choices = self._choices = app.session.choices()
        self.cautions = list(choices.cautions)
        names = {c.id: c.name for name in COLUMNS for c in getattr(choices, name)}
        last = choices.last
        self.same = ", ".join(names[i] for i in last) if last and all(i in names for i in last) else ""
        first = choices.hand_overs[0] if choices.hand_overs else None
        self.waiting = f"{first.field}, from {first.outgoing}" if first else ""
        for name in COLUMNS:
            rows = []
            for choice in getattr(choices, name):
                row = Row(words=choice.name, remark=_remark(choice, app.units))
                row.bind(on_release=lambda row, name=name, choice=choice: self._choose(name, choice, row))
                rows.append(row)
            self.ids[name].fill(rows)
        self.ready = False

    def _choose(self, name, choice, row):
        self._chosen[name] = choice.id
        self.ids[name].choose(row)
        self.ready = len(self._chosen) == len(COLUMNS)

    def acknowledge(self):
        """The caution of the day was read."""
        app = App.get_running_app()
        if app.do("caution"):
            self.cautions = []

    def take_over(self):
        """Take over with the four chosen."""
        if self.ready:
            self._begin(*(self._chosen[name] for name in COLUMNS))

    def take_over_same(self):
        """Take over as last time."""
        if self.same:
            self._begin(*self._choices.last)

    def _begin(self, operator, tractor, tool, field):
        app = App.get_running_app()
        operation = app.store.get(Tool, tool).operation
        app.attempt(lambda: app.session.take_over(operator, tractor, tool, field, operation=operation))

    def receive(self):
        """Go and look at the hand-over that waits."""
        app = App.get_running_app()
        app.receiving = self._choices.hand_overs[0]
        app.go("receive")


def _remark(choice, units) -> str:
    parts = []
    if getattr(choice, "metres", None) is not None:
        parts.append(units.distance(choice.metres))
    if getattr(choice, "share_done", None) is not None:
        parts.append(f"{round(100 * choice.share_done)} % done")
    return "\n".join(parts)


Builder.load_file(str(Path(__file__).with_suffix(".kv")))
