"""A day recorded by another logger: what was guessed of it is agreed to, changed or left out by taps."""

import threading
from dataclasses import dataclass, replace

from kivy.clock import Clock
from kivy.properties import BooleanProperty, StringProperty

from cabapp.common.message import message
from cabapp.common.paths import home
from cabapp.jobs.imports.day_import import Agreed, bring_in_agreed
from cabapp.jobs.imports.recorded_day import DayPart, recorded_days
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.position.recordings.recording_search import recordings
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.screens.setup import receiver_screen as _receiver  # noqa: F401  (its kv file has the parts used here)
from cabapp.screens.setup.form_fields import OPERATIONS
from cabapp.screens.widgets.row_list import attempt_row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from store.errors import Refused
from store.models import Field, Operator, Tool, Tractor
from sync.removable_media import mounts

WHO = {"operator": Operator, "tractor": Tractor, "tool": Tool}
OPEN, YES, OUT = "open", "yes", "out"


@dataclass(frozen=True)
class DayPartAnswer:
    """One part of the day with what is thought of it now."""

    part: DayPart
    kind: str  # as guessed, or as changed to
    work: str | None  # the operation, where it was work
    answer: str = OPEN


class RecordedDayScreen(CabScreen):
    """In turn a list of recordings, the day's parts, and lists to change one of them by."""

    part = StringProperty("files")  # "files", "reading", "day" or "change"
    title = StringProperty()
    remark = StringProperty()
    reading = StringProperty()
    all_said = BooleanProperty(False)

    def on_pre_enter(self, *_args):
        self._day, self._asked, self._at, self._token = None, [], 0, None
        self.list_files()

    def leave(self):
        """Back to taking over."""
        self._token = None
        self.app.back()

    def list_files(self):
        """The recordings on this tablet and on sticks."""
        self.title, self.remark, self.part = translate("Bring in which recording?"), "", "files"
        self.ids.files.fill([])
        self.aside(lambda: recordings([home() / "recordings"], mounts()), self._list)

    def _list(self, found):
        self.ids.files.fill([attempt_row(path.name, lambda path=path: self._read(path)) for path in found])
        if not found:
            self.app.show_refusal(message("There is no recording on this tablet or on a stick."))

    # --- reading, aside: a day may take some seconds -----------------------------------------

    def _read(self, path):
        self.title, self.reading, self.part = path.name, translate("Reading {file} ...", file=path.name), "reading"
        self._token = token = object()
        fields = self.app.store.all(Field)

        def work():
            try:
                found, refusal = recorded_days(fields, read_recording(path)), None
            except Refused as fault:
                found, refusal = None, fault
            Clock.schedule_once(lambda _dt: self._have_read(token, found, refusal))

        threading.Thread(target=work, name="reading a recording", daemon=True).start()

    def _have_read(self, token, found, refusal):
        if token is not self._token:
            return
        if refusal is not None:
            self.app.show_refusal(refusal)
            self.list_files()
            return
        app, self._day = self.app, found[0]
        last = app.session.choices().last or ()
        rows = {word: app.store.all(model) for word, model in WHO.items()}
        self._who = {}
        for word in WHO:
            ids = [row.id for row in rows[word]]
            self._who[word] = next((one for one in last if one in ids), ids[0] if len(ids) == 1 else None)
        tool = app.store.get(Tool, self._who["tool"]) if self._who["tool"] else None
        work = tool.operation if tool else OPERATIONS[0]
        self._asked = [
            DayPartAnswer(part, part.kind, work if part.kind == "working" else None)
            for day in found
            for part in day.parts
        ]
        if not any(one.work for one in self._asked):
            app.show_refusal(
                message("No work on any field of this logbook was found in it. A part can be changed to work.")
            )
        self._at = -1
        self._next()

    # --- the day's parts --------------------------------------------------------------------

    def _next(self):
        """Go to the next part that was work and is not answered yet."""
        order = [*range(self._at + 1, len(self._asked)), *range(self._at + 1)]
        waiting = [n for n in order if self._asked[n].work and self._asked[n].answer == OPEN]
        self.all_said = not waiting
        self._at = waiting[0] if waiting else max(0, min(self._at, len(self._asked) - 1))
        self._show_day()

    def _show_day(self):
        names = [self.app.store.get(model, self._who[word]).name for word, model in WHO.items() if self._who[word]]
        self.title, self.remark, self.part = self._day.name, ", ".join(names), "day"
        ways = FarmSettings(self.app.store)
        if self._asked:
            self.title = f"{self._day.name}: {ways.format.short_day(self._asked[0].part.begin)}"
        rows = [
            attempt_row(
                self._format_part(one.part, one.kind, ways),
                lambda n=n: self._choose(n),
                self._format_answer(one),
                n == self._at,
            )
            for n, one in enumerate(self._asked)
        ]
        self.ids.day.fill(rows)
        if rows:
            Clock.schedule_once(
                lambda _dt: self.ids.day.scroll_to(rows[self._at], animate=False) if rows[self._at].parent else None
            )

    def _format_part(self, part, kind, ways):
        field = part.day.fields[part.stay.field].name if part.stay else translate("On the way")
        return translate(
            "{field}: {kind} {begin} to {end}",
            field=field, kind=_said(kind), begin=ways.format.time(part.begin), end=ways.format.time(part.end),
        )  # fmt: skip

    def _format_answer(self, one):
        if one.answer == OUT:
            return translate("left out")
        if not one.work:
            return ""
        tool = self.app.store.get(Tool, self._who["tool"]) if self._who["tool"] else None
        said = [translate(one.work)]
        if one.part.runs:
            said.append(translate("{count} passes", count=one.part.runs))
        if tool is not None:
            said.append(self.app.units.area(one.part.length * tool.width_m))
        return ", ".join(said) + (": " + translate("yes") if one.answer == YES else "")

    def _choose(self, n):
        self._at = n
        self._show_day()

    def answer(self, answer: str):
        """Say yes to the chosen part, or leave it out; the next one is then asked for."""
        if not self._asked:
            return
        one = self._asked[self._at]
        if answer == YES and not one.work:
            self.app.show_refusal(message("That was no work. Change it first, if it was."))
            return
        self._asked[self._at] = replace(one, answer=answer)
        self._next()

    # --- changing a part --------------------------------------------------------------------

    def change(self):
        """What else it may have been, and who and what it was done with."""
        if not self._asked:
            return
        one, rows = self._asked[self._at], []
        if one.part.stay is not None:
            rows += [
                attempt_row(translate(work), lambda work=work: self._was(work), "", one.work == work)
                for work in OPERATIONS
            ]
        rows += [
            attempt_row(_said(kind), lambda kind=kind: self._was_not(kind), "", one.kind == kind)
            for kind in ("turning", "travelling", "standing")
        ]
        for word, title in (
            ("operator", translate("Operator")),
            ("tractor", translate("Tractor")),
            ("tool", translate("Tool")),
        ):
            rows.append(attempt_row(title, lambda word=word: self._list_who(word), self._name(word)))
        self._show_change(translate("What was it?"), rows)

    def _show_change(self, title, rows):
        self.title, self.remark, self.part = title, "", "change"
        self.ids.change.fill(rows)
        self.ids.change.scroll_y = 1  # a fresh list is read from its top

    def _name(self, word):
        chosen = self._who[word]
        return self.app.store.get(WHO[word], chosen).name if chosen else translate("not said yet")

    def _list_who(self, word):
        rows = self.app.store.all(WHO[word])
        self._show_change(translate("Who and with what?"), [
            attempt_row(row.name, lambda row=row: self._take(word, row.id), "", row.id == self._who[word]) for row in rows
        ])  # fmt: skip

    def _take(self, word, chosen):
        self._who[word] = chosen
        self._show_day()

    def _was(self, work):
        self._asked[self._at] = replace(self._asked[self._at], kind="working", work=work, answer=YES)
        self._next()

    def _was_not(self, kind):
        self._asked[self._at] = replace(self._asked[self._at], kind=kind, work=None, answer=OUT)
        self._next()

    def not_changed(self):
        self._show_day()

    # --- writing ----------------------------------------------------------------------------

    def write(self):
        self.app.attempt(self._write)

    def _write(self):
        lacking = next((word for word, chosen in self._who.items() if chosen is None), None)
        agreed = [
            Agreed(one.part, self._who["operator"], self._who["tractor"], self._who["tool"], one.work)
            for one in self._asked
            if one.answer == YES
        ]
        if not agreed:
            self.app.show_refusal(message("Nothing is agreed to yet. Touch Yes for what is right."))
        elif lacking:
            self.app.show_refusal(message("Say first who it was, with which tractor and which tool: touch Change."))
        else:
            brought = bring_in_agreed(self.app.store, agreed)
            said = message("Written: {count}. The taps are marked as guessed.", count=len(brought.stints))
            for note in brought.notes:
                said = message("{said} {note}", said=said, note=note)
            self.app.show_refusal(said)
            self.list_files()


def _said(kind: str) -> str:
    return {
        "working": translate("working"), "turning": translate("turning"), "travelling": translate("travelling"),
        "standing": translate("standing"), "unknown": translate("unknown"),
    }[kind]  # fmt: skip
