"""The first minutes of an empty book: a few questions one after another, and then the work.

What most farms answer alike is filled in already; all of it can be changed in set-up afterwards.
Nothing is written before the last answer.
"""

from pathlib import Path

from kivy.properties import StringProperty

from cabapp.common.paths import home
from cabapp.common.units import Units
from cabapp.position.boundaries.boundary_search import boundary_files
from cabapp.position.boundaries.field_files import read_fields
from cabapp.screens.setup.boundary_entry import put_fields
from cabapp.screens.setup.form_fields import FORMS, UNITS, ZONES, FormRefused, unit_of, value_of
from cabapp.screens.widgets import keyboard as _typing  # noqa: F401  (the kv file uses its widgets)
from cabapp.screens.widgets.row_list import attempt_row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from store.models import Farm, Field, Operator, Tool, Tractor
from sync.removable_media import mounts

_LINES = {
    "farm": FORMS["farm"].lines[0], "operator": FORMS["operators"].lines[0], "tractor": FORMS["tractors"].lines[0],
    "tool": FORMS["tools"].lines[0], "width": FORMS["tools"].lines[1], "field": FORMS["fields"].lines[0],
}  # fmt: skip
"""Lines of the forms of set-up that ask the same."""
LOCALTIME = Path("/etc/localtime")


def zone_of_tablet(link: Path = LOCALTIME) -> str | None:
    """Return the time zone the tablet is set to; None when it is not told, or is none of a farm's."""
    try:
        _, _, name = str(link.resolve()).partition("zoneinfo/")
    except OSError:
        return None
    return name if "/" in name and not name.startswith("Etc/") else None


class FirstRunScreen(CabScreen):
    """One question at a time; Back goes to the one before."""

    title = StringProperty()
    part = StringProperty("typing")  # "typing" or "pick"

    def on_pre_enter(self, *_args):
        self._values: dict = {"zone": zone_of_tablet()}
        units = [(key, translate(words)) for key, words in UNITS]
        steps = [
            self._first_or_not,
            lambda: self._type("farm", translate("The farm's name")),
            None if self._values["zone"] else lambda: self._pick(translate("Time zone"), "zone", zip(ZONES, ZONES)),
            lambda: self._pick(translate("Units"), "units", units),
            lambda: self._type("operator", translate("Your name")),
            lambda: self._type("tractor", translate("The tractor's name"), translate("Tractor") + " 1"),
            lambda: self._type("tool", translate("The tool's name"), translate("Roller")),
            self._width,
            self._fields,
        ]
        self._steps, self._at = [step for step in steps if step], 0
        self._steps[0]()

    def _first_or_not(self):
        choices = [
            (True, translate("It is the farm's first machine")),
            (False, translate("Another one has the farm already")),
        ]
        self._pick(translate("First of all"), "first", choices)

    def _width(self):
        units = Units(self._values["units"])
        self._type("width", translate("Working width") + " " + unit_of("length", units), digits=True)

    def _fields(self):
        later = (None, translate("A name now, its boundary later"))

        def show(found):
            choices = [(path, path.name) for path in found]
            self._pick(translate("The first field"), "fields", [*choices, later])

        self._pick(translate("The first field"), "fields", [later])
        self.aside(lambda: boundary_files(home() / "fields", mounts()), show)

    def _field_name(self):
        self._type("field", translate("The field's name"))

    # --- asking -----------------------------------------------------------------------------

    def _type(self, name, title, text="", digits=False):
        self._name, self.title, self.part = name, translate("First of all"), "typing"
        self.ids.typing.ask(title, self._values.get(name) or text, digits)

    def _pick(self, title, name, choices):
        self._name, self.title, self.part = name, title, "pick"
        self.ids.pick.fill(attempt_row(words, lambda value=value: self._picked(value)) for value, words in choices)

    def typed(self, text: str):
        self.app.attempt(lambda: self._take(text))

    def _take(self, text):
        if not text:
            raise FormRefused("Type something first.")
        value_of(_LINES[self._name], text, Units(self._values.get("units") or "us"))
        self._values[self._name] = text
        self._onward()

    def _picked(self, value):
        if self._name == "first" and not value:
            self.app.go("exchange")  # the farm comes from the other machine, once they are paired
            return
        if self._name == "fields":
            if value is None and self._steps[-1] != self._field_name:
                self._steps.append(self._field_name)
            if value is not None:
                self.aside(lambda: read_fields(value), self._keep)
                return
        self._keep(value)

    def _keep(self, value):
        self._values[self._name] = value
        self._onward()

    def _onward(self):
        self._at += 1
        if self._at < len(self._steps):
            self._steps[self._at]()
        else:
            self._write()

    def back(self):
        """To the question before, or to where it began."""
        if self._at == 0:
            self.app.back()
            return
        self._at -= 1
        self._steps[self._at]()

    # --- writing ----------------------------------------------------------------------------

    def _write(self):
        app, said = self.app, self._values
        units = Units(said["units"])
        width = value_of(_LINES["width"], said["width"], units)
        app.store.put(Farm, name=said["farm"], timezone=said["zone"], units=said["units"])
        app.store.put(Operator, name=said["operator"])
        app.store.put(Tractor, name=said["tractor"])
        app.store.put(Tool, name=said["tool"], width_m=width, operation="rolling", towed=True)
        if said["fields"]:
            put_fields(app.store, said["fields"])
        else:
            app.store.put(Field, name=said["field"])
        app.begin_anew()
        app.go("take over")
