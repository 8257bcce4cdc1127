"""Set-up, behind four digits: the farm, its people, machines and fields; for standing still."""

from functools import partial

from kivy.properties import StringProperty

from cabapp.common.message import message
from cabapp.common.paths import home
from cabapp.position.boundaries.boundary_drive import track_length
from cabapp.screens.setup.boundary_entry import OutlinePart
from cabapp.screens.setup.form_fields import (
    DEFAULTS,
    FORMS,
    TYPED,
    FormRefused,
    refuse_incomplete,
    typed_of,
    unit_of,
    value_of,
)
from cabapp.screens.widgets import keyboard as _typing  # noqa: F401  (the kv file uses its widgets)
from cabapp.screens.widgets.row_list import Row, attempt_row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from store.models import Tool, Tractor
from sync.enrolment import rename

DIGITS = 4


class SetUpScreen(OutlinePart, CabScreen):
    """One screen that is in turn a question for the number, keys, a list, a form, and a keyboard."""

    part = StringProperty("typing")  # "typing", "keys", "tablet", "list", "form", "pick" or "round"
    title = StringProperty()
    driven = StringProperty()
    only_passphrase = False  # it is opened for the passphrase alone, from the exchange of records
    visiting = False  # one of its own screens is shown; coming back from it needs no number

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        kinds, tablet = self.ids.kinds, self.ids.tablet
        for kind, form in FORMS.items():
            kinds.add_key(translate(form.title), partial(self.open, kind))
        kinds.add_key(translate("Receiver"), partial(self.visit, "receiver"))
        kinds.add_key(translate("Bring in a day"), partial(self.visit, "bring in"))
        kinds.add_key(translate("This tablet"), lambda: setattr(self, "part", "tablet"))
        kinds.add_key(translate("Leave"), self.leave, main=True)
        tablet.add_key(translate("Language"), self.choose_language)
        tablet.add_key(translate("New number"), self.new_number)
        tablet.add_key(translate("Pairing"), partial(self.visit, "pairing"))
        tablet.add_key(translate("Tablet's name"), self.ask_name)
        tablet.add_key(translate("Passphrase"), self.ask_passphrase)
        tablet.add_key(translate("Exchange"), partial(self.visit, "exchange"))
        tablet.add_key(translate("Back"), self.show_keys, main=True)

    def on_pre_enter(self, *_args):
        if self.visiting:
            self.visiting = False
            self.show_keys()
            return
        self._kind = self._row = None
        self._values, self._then = {}, None
        only_words, self.only_passphrase = self.only_passphrase, False
        self._opened, back = (self._type_words, self._to_exchange) if only_words else (self.show_keys, self.leave)
        self._words_typed = back if only_words else self.show_keys
        if self.app.settings["number"] is not None:
            self._ask(translate("Four digits for set-up"), self._check_number, digits=True, hidden=True, back=back)
        elif only_words:
            self._type_words()  # nothing is set up yet that the digits would protect
        else:
            self._ask(translate("Choose four digits for set-up"), self._choose_number, digits=True, back=back)

    def show(self, view) -> None:
        if self.part == "round":
            self.driven = self.app.units.distance(track_length(self.app.fix_monitor.track or []))

    def leave(self):
        """Back to taking over, with what was set up."""
        if self.app.fix_monitor is not None:
            self.app.fix_monitor.track = None
        self.app.begin_anew()
        self.app.back()

    # --- typing -----------------------------------------------------------------------------

    def _ask(self, title, then, text="", digits=False, hidden=False, back=None, signs=False, exact=False):
        self._then, self._typing_back = then, back or self._form_again
        self.title, self.part = translate("Set-up"), "typing"
        self.ids.typing.ask(title, text, digits, hidden, signs, exact)

    def typed(self, text: str):
        self.app.attempt(lambda: self._then(text))

    def not_typed(self):
        """It was left as it was."""
        self._typing_back()

    def _choose_number(self, text):
        if len(text) != DIGITS or not text.isdigit():
            raise FormRefused("Type four digits.")
        self.app.settings["number"] = text
        self.show_keys()

    def _check_number(self, text):
        if text != self.app.settings["number"]:
            self.ids.typing.text = ""
            raise FormRefused("That is another number.")
        self._opened()

    # --- keys and lists ---------------------------------------------------------------------

    def show_keys(self):
        self.title, self.part = translate("Set-up"), "keys"

    def visit(self, screen: str):
        self.visiting = True
        self.app.go(screen)

    def new_number(self):
        self._ask(translate("Choose four digits for set-up"), self._choose_number, digits=True, back=self.show_keys)

    def ask_name(self):
        """What the others call this tablet: on their list of paired machines, and at the office."""
        self._ask(translate("Name of this tablet"), self._rename, self.app.store.device_name, back=self.show_keys)

    def _rename(self, text):
        rename(self.app.store, text)
        self.app.show_refusal(message("This tablet is called {name} from now on.", name=text))
        self.show_keys()

    def ask_passphrase(self):
        """Ask for the words that lock what is written to a stick, or whether it is to be locked no more."""
        if not self.app.settings["passphrase"]:
            self._type_words()
            return
        choices = [
            (self._type_words, translate("Type other words")),
            (self._unlock, translate("No passphrase any more")),
        ]
        self._pick(translate("Passphrase"), choices, lambda act: act(), self.show_keys)

    def _type_words(self):
        """Begin with an empty line; the words are shown, for a wrong letter locks the others out."""
        self._ask(translate("Passphrase, the same everywhere"), self._lock, back=self._words_typed, exact=True)

    def _lock(self, text):
        if not text:
            raise FormRefused("Type something first.")
        self.app.lock_bundles(text)
        self.app.show_refusal(
            message("What this tablet writes is locked from now on. Type the same words on the others.")
        )
        self._words_typed()

    def _unlock(self):
        self.app.lock_bundles("")
        self.app.show_refusal(message("What this tablet writes is not locked from now on."))
        self.show_keys()

    def _to_exchange(self):
        self.app.go("exchange")

    def choose_language(self):
        """English, or a language file from the tablet's folder."""
        found = sorted((home() / "languages").glob("*.po"))
        self._pick(
            translate("Language"),
            [(None, "English"), *((str(path), path.stem) for path in found)],
            self._speak,
            self.show_keys,
        )

    def _speak(self, path):
        self.app.settings["language"] = path
        self.app.read_farm()
        self.app.show_refusal(message("The screens speak it when the cab is opened next."))
        self.show_keys()

    def open(self, kind: str):
        """The list of one kind; the farm, of which there is one, at once as a form."""
        app, form = self.app, FORMS[kind]
        self._kind, rows = kind, app.store.all(form.model)
        if form.one:
            self._edit(rows[0] if rows else None)
            return
        self.title, self.part = translate(form.title), "list"
        self.ids.list.fill(Row(words=self._name(row), on_release=lambda _, row=row: self._edit(row)) for row in rows)

    def new(self):
        self._edit(None)

    def _name(self, row):
        if self._kind != "hitchings":
            return row.name
        store = self.app.store
        return f"{store.get(Tractor, row.tractor_id).name}, {store.get(Tool, row.tool_id).name}"

    def _edit(self, row):
        form = FORMS[self._kind]
        self._row = row
        defaults = {column: DEFAULTS.get(column) for line in form.lines for column in line.columns}
        self._values = {c: getattr(row, c) for c in defaults} if row is not None else defaults
        self._form_again()

    # --- a form -----------------------------------------------------------------------------

    def _form_again(self):
        form = FORMS[self._kind]
        self.title = translate(form.title)
        self.ids.form.fill(
            Row(
                words=translate(line.words), remark=self._value_words(line),
                on_release=lambda _row, line=line: self._touch(line),
            ) for line in form.lines
        )  # fmt: skip
        self.part = "form"

    def _value_words(self, line):
        value, units = self._values[line.columns[0]], self.app.units
        if line.kind in ("boundary", "place"):
            return translate("none") if value is None else translate("written down")
        if line.kind in ("choice", "pick"):
            name = next((name for key, name in self._choices(line) if key == value), "–")
            return translate(name) if line.kind == "choice" else name
        typed = typed_of(line, value, units)
        unit = "" if line.kind == "sections" and typed.isdecimal() else unit_of(line.kind, units)
        return f"{typed} {unit}".strip() if typed else "–"

    def _choices(self, line):
        store = self.app.store
        model = {"tractor_id": Tractor, "tool_id": Tool}.get(line.column)
        return [(row.id, row.name) for row in store.all(model)] if model else list(line.choices)

    def _touch(self, line):
        if line.kind == "choice":
            keys = [key for key, _ in line.choices]
            at = keys.index(self._values[line.column]) if self._values[line.column] in keys else -1
            self._values[line.column] = keys[(at + 1) % len(keys)]
            self._form_again()
        elif line.kind == "pick":
            self._pick(
                translate(line.words), self._choices(line), lambda value: self._take(line, value), self._form_again
            )
        elif line.kind == "boundary":
            self._ask_outline(line)
        elif line.kind == "place":
            self._ask_place(line)
        else:
            units = self.app.units
            said = " ".join(word for word in (translate(line.words), unit_of(line.kind, units)) if word)
            self._ask(
                said, lambda text: self._take(line, value_of(line, text, units, self._values.get("width_m"))),
                typed_of(line, self._values[line.column], units), digits=line.kind in TYPED or line.kind == "digits",
                signs=line.kind == "sections",
            )  # fmt: skip

    def _take(self, line, value):
        self._values[line.column] = value
        if line.column == "tool_id" and not self._values.get("width_m"):
            self._values["width_m"] = self.app.store.get(Tool, value).width_m
        self._form_again()

    def write(self):
        app, form = self.app, FORMS[self._kind]

        def act():
            refuse_incomplete(form, self._values)
            kept = {c: v for c, v in self._values.items() if v is not None or self._row is not None}
            app.store.put(form.model, self._row.id if self._row is not None else None, **kept)
            app.read_farm()
            self.back()

        app.attempt(act)

    def back(self):
        """From a form to its list, from a list to the keys."""
        if self.part == "form" and not FORMS[self._kind].one:
            self.open(self._kind)
        else:
            self.show_keys()

    # --- lists to pick from -----------------------------------------------------------------

    def _pick(self, title, choices, then, back):
        self._pick_back = back
        self.title, self.part = title, "pick"
        self.ids.pick.fill(attempt_row(name, lambda value=value: then(value)) for value, name in choices)

    def not_picked(self):
        self._pick_back()
