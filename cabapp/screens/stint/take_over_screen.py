"""Taking over: one ruled screen with four columns, or "same as last time" in one tap.

The session says what can be chosen; nothing is typed.
"""

from kivy.app import App
from kivy.clock import Clock
from kivy.properties import BooleanProperty, ListProperty, StringProperty

from cabapp.common.message import message
from cabapp.common.quantities import Distance
from cabapp.common.shares import fraction
from cabapp.screens.widgets.row_list import Row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from cabapp.screens.work import sentence_line as _sentence  # noqa: F401  (the kv file uses its widgets)
from store.models import HandOverReceipt, Tool

COLUMNS = ("operators", "tractors", "tools", "fields")
LOOK_AGAIN_S = 3.0  # until the first touch the fields are put in order again as the position comes


class TakeOverScreen(CabScreen):
    """Who, with what, where."""

    cautions = ListProperty()
    same = StringProperty()
    waiting = StringProperty()
    ready = BooleanProperty(False)
    sheet_first = BooleanProperty(False)  # the chosen field was handed over, and nobody received it yet
    sentence = StringProperty()
    offer = StringProperty()  # a stick that is in, or what the tablet suffers from
    answers = ListProperty(["", ""])

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._chosen, self._choices, self._again = {}, None, None
        self._here = self._last = None
        self._rows, self._kept = {}, None
        self._touched = False

    def on_pre_enter(self, *_args):
        self._touched = False
        self._load()
        if self._kept:
            self._go_on(*self._kept)
        self._again = Clock.schedule_interval(lambda _dt: self._load(), LOOK_AGAIN_S)

    def _go_on(self, given, chosen):
        """Choose as before the sheet was read; whoever received it is the operator."""
        agreed = [one.operator_id for one in self.app.store.all(HandOverReceipt, hand_over_id=given) if one.agreed]
        self._touched, self._kept = True, None
        for name, one in (chosen | ({"operators": agreed[-1]} if agreed else {})).items():
            if (name, one) in self._rows:  # it may have been taken away meanwhile
                self._mark(name, one)

    def on_leave(self, *_args):
        if self._again is not None:
            self._again.cancel()

    def show(self, view) -> None:
        said = self.app.messages.quiet()
        self._kinds = [kind for _word, kind in said.answers] if said else []
        words = said.words if said else self._elsewhere()
        self.offer = translate(words) if words else ""
        self.answers = ([translate(word) for word, _kind in said.answers] if said else []) + ["", ""]
        if self._empty():
            self.sentence = translate("This book is still empty. Begin with Set-up.")
        elif self._here is not None:
            self.sentence = translate("You are in {field}. Start?", field=self._here.name)
        else:
            self.sentence = "" if view.position in ("good", "none") else translate(view.position_words)

    def _elsewhere(self):
        """Return what is said of who or what was chosen and is in another tablet's stint; None for nothing."""
        chosen = [
            one for name in COLUMNS[:2] for one in getattr(self._choices, name, ()) if self._chosen.get(name) == one.id
        ]
        return next((one.elsewhere for one in chosen if one.elsewhere), None)

    def _load(self):
        if self._touched:
            return
        self._chosen, self.ready = {}, False
        choices = self._choices = self.app.session.choices()
        self.cautions = [translate(caution) for caution in choices.cautions]
        names = {c.id: c.name for name in COLUMNS for c in getattr(choices, name)}
        nearest = choices.fields[0] if choices.fields else None
        self._here = nearest if nearest and nearest.metres == 0 else None
        last = self._last = self._as_last(choices.last)
        self.same = ", ".join(names[i] for i in last) if last and all(i in names for i in last) else ""
        first = choices.hand_overs[0] if choices.hand_overs else None
        self.waiting = (
            translate("{field}, from {outgoing}", field=first.field, outgoing=first.outgoing) if first else ""
        )
        self._rows = {}
        for name in COLUMNS:
            for choice in getattr(choices, name):
                self._rows[name, choice.id] = Row(
                    words=choice.name, remark=_remark(choice),
                    on_release=lambda _row, name=name, choice=choice: self._choose(name, choice),
                )  # fmt: skip
            self.ids[name].fill(row for (column, _), row in self._rows.items() if column == name)
            self._only_one(name, getattr(choices, name))

    def _as_last(self, last):
        """Return what "same as last time" stands for: in another field, that field."""
        return (last and self._here and (*last[:3], self._here.id)) or last

    def _only_one(self, name, choices):
        """Choose by itself what there is only one of, and the field we are in."""
        sure = len(choices) == 1 or (name == "fields" and self._here is not None)
        if sure and choices:
            self._mark(name, choices[0].id)

    def _choose(self, name, choice):
        self._touched = True
        self._mark(name, choice.id)

    def _mark(self, name, chosen):
        self._chosen[name] = chosen
        self.ids[name].choose(self._rows[name, chosen])
        self.ready = len(self._chosen) == len(COLUMNS)
        self.sheet_first = self.ready and self._unread(self._chosen["fields"], self._chosen["tools"]) is not None

    def acknowledge(self) -> bool:
        """The caution of the day was read; True when that was noted."""
        if not self.app.do("caution"):
            return False
        self.cautions = []
        return True

    def answer(self, which: int):
        self.app.do(self._kinds[which])

    def set_up(self):
        """Go to the set-up, if the tablet stands still."""
        if not self.app.standing:
            self.app.show_refusal(message("Stop first. Set-up is for standing still."))
        else:
            self.app.screens.get_screen("set-up").visiting = False
            self.app.go("first" if self._empty() else "set-up")

    def _empty(self) -> bool:
        """Whether nothing at all is set up yet."""
        return not any(getattr(self._choices, name, ()) for name in COLUMNS)

    def take_over(self):
        if self.ready:
            self._begin(*(self._chosen[name] for name in COLUMNS))

    def take_over_same(self):
        if self.same:
            self._begin(*self._last)

    def _begin(self, operator, tractor, tool, field):
        """Take over, or first read the sheet of the one who handed this field over."""
        given = self._unread(field, tool)
        if given is not None:
            self._kept = given.id, dict(zip(COLUMNS, (operator, tractor, tool, field), strict=True))
            self.app.receiving = given
            self.app.go("receive")
            return
        operation, skip = self.app.store.get(Tool, tool).operation, "no time" if self._skipped(field, tool) else None
        if self.app.attempt(
            lambda: self.app.session.take_over(operator, tractor, tool, field, operation=operation, skip_check=skip)
        ):
            self.app.unchecked = None

    def _skipped(self, field, tool) -> bool:
        """Whether there was no time to read the sheet of this work."""
        given = self.app.unchecked
        return given is not None and _same_work(given, field, tool)

    def _unread(self, field, tool):
        """Return the hand-over of this work that waits to be received; None when there is none."""
        waiting = [given for given in self._choices.hand_overs if _same_work(given, field, tool)]
        return waiting[0] if waiting and not self._skipped(field, tool) else None

    def receive(self):
        self.app.receiving = self._choices.hand_overs[0]
        self.app.go("receive")


def _same_work(given, field: str, tool: str) -> bool:
    """Whether a hand-over is of this field and of what this tool does."""
    return (given.field_id, given.operation) == (field, App.get_running_app().store.get(Tool, tool).operation)


def _remark(choice) -> str:
    parts = []
    if getattr(choice, "metres", None) is not None:
        parts.append(translate(Distance(choice.metres)) if choice.metres else translate("here"))
    if getattr(choice, "share_done", None) is not None:
        parts.append(translate("{done} % done", done=round(100 * fraction(choice.share_done, 1.0))))
    if getattr(choice, "odd", False):
        parts.append(translate("boundary cannot be right"))
    return "\n".join(parts)
