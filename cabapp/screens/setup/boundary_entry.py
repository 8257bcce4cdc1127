"""Where outlines and places of a field come from in set-up: a file with one or many, a drive round it, here."""

import json

import shapely
from shapely.geometry import mapping, shape

from cabapp.common.message import message
from cabapp.common.paths import home
from cabapp.position.boundaries.boundary_drive import boundary_of_drive
from cabapp.position.boundaries.boundary_search import boundary_files
from cabapp.position.boundaries.field_files import FieldFound, read_fields
from cabapp.screens.setup.form_fields import FormRefused
from cabapp.screens.widgets.translation import translate
from store.models import Field
from sync.removable_media import mounts


def put_fields(store, found: list[FieldFound]) -> None:
    """Write fields from a file; one that is known by name gets a new boundary and keeps the rest."""
    known = {row.name.casefold(): row for row in store.all(Field)}
    for one in found:
        old = known.get(one.name.casefold())
        store.put(Field, old.id if old else None, name=old.name if old else title(one.name), boundary=one.geometry)


def title(name: str) -> str:
    """Return a name as a person would write it; files are often named without blanks or capitals.

    >>> title("north_bottom"), title("Home North")
    ('North Bottom', 'Home North')
    """
    return name.replace("_", " ").replace("-", " ").title() if name == name.lower() else name


def with_more(kept: dict | None, more: dict, boundary: dict | None) -> dict:
    """Return ground that is to be worked once only, as GeoJSON: what is kept and what comes to it.

    Raises FormRefused: the new ground lies outside the field.
    """
    if boundary and not shape(more).intersects(shape(boundary)):
        raise FormRefused("That ground lies outside the field. Choose what lies in it.")
    every = shapely.union_all([shape(one) for one in (kept, more) if one])
    return json.loads(json.dumps(mapping(every)))


class OutlinePart:
    """The part of the set-up screen that finds outlines; the screen has `_pick`, `_values`, `part`.

    A field's boundary is one, and a new one takes its place. Ground for once only may be several
    pieces, and each new one is added to those written down.
    """

    def _ask_outline(self, line):
        self._outlined = line
        self.aside(lambda: boundary_files(home() / "fields", mounts()), self._choose_outline)

    def _choose_outline(self, files):
        app, line = self.app, self._outlined
        choices = [("round", translate("Drive round it now"))] if app.fix_monitor else []
        choices += [(path, path.name) for path in files]
        if self._values[line.column]:
            choices.append((None, translate("No boundary") if self._of_field else translate("Nowhere")))
        if not choices:
            app.show_refusal(message("There is no receiver to drive round with, and no boundary file on a stick."))
            return
        self._pick(translate(line.words), choices, self._take_outline, self._form_again)

    @property
    def _of_field(self) -> bool:
        """Whether it is the field itself that is outlined, not a part of it."""
        return self._outlined.column == "boundary"

    def _take_outline(self, chosen):
        if chosen == "round":
            self.app.fix_monitor.track = []
            of_field = translate("Drive once round the field, the antenna along its edge.")
            self.title = (
                of_field if self._of_field else translate("Drive once round that ground, the antenna along its edge.")
            )
            self.part = "round"
        elif chosen is None:
            self._values[self._outlined.column] = None
            self._form_again()
        else:
            self.aside(lambda: read_fields(chosen), lambda found: self._choose_found(chosen.name, found))

    def _choose_found(self, name, found):
        if len(found) == 1:
            self._take_found(found[0])
        else:
            fields, places = (
                translate("All {number} fields", number=len(found)),
                translate("All {number} places", number=len(found)),
            )
            every = fields if self._of_field else places
            self._pick(
                name, [(found, every), *((one, title(one.name)) for one in found)], self._take_found, self._form_again
            )

    def _take_found(self, found):
        if isinstance(found, list) and self._of_field:
            put_fields(self.app.store, found)
            self.open("fields")
            return
        for one in found if isinstance(found, list) else [found]:
            self._keep(one.geometry)
        if self._of_field:
            self._values["name"] = self._values["name"] or title(found.name)
        self._form_again()

    def _keep(self, geometry):
        """Fill the form's line with an outline."""
        if not self._of_field:
            geometry = with_more(self._values["once_only"], geometry, self._values["boundary"])
        self._values[self._outlined.column] = geometry

    def driven_round(self):
        """The drive is done: its ring is the outline."""

        def act():
            self._keep(json.loads(json.dumps(boundary_of_drive(self.app.fix_monitor.track))))
            self.not_driven()

        self.app.attempt(act)

    def not_driven(self):
        self.app.fix_monitor.track = None
        self._form_again()

    def _ask_place(self, line):
        here = self.app.fix_monitor.last() if self.app.fix_monitor else None
        choices = [((here.lat, here.lon), translate("The gate is here"))] if here else []
        if self._values[line.columns[0]] is not None:
            choices.append(((None, None), translate("No gate")))
        if not choices:
            self.app.show_refusal(message("There is no position now. Drive to the gate, and wait for one."))
            return
        self._pick(translate(line.words), choices, lambda place: self._take_place(line, place), self._form_again)

    def _take_place(self, line, place):
        self._values.update(zip(line.columns, place, strict=True))
        self._form_again()
