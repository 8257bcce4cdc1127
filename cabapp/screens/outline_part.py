"""Where a field's outline comes from in set-up: a file with one field or many, or a drive round it."""

import json

from kivy.app import App

from cabapp.places import home
from cabapp.position.fieldfiles import FieldFound, read_fields
from cabapp.screens.boundary_files import boundary_files
from cabapp.screens.driven import outline_of
from cabapp.screens.parts.words import say
from store.models import Field


def put_fields(store, found: list[FieldFound]) -> None:
    """Write fields from a file; one that is known by name gets a new boundary and keeps the rest."""
    known = {row.name.casefold(): row for row in store.all(Field)}
    for one in found:
        old = known.get(one.name.casefold())
        store.put(Field, old.id if old else None, name=old.name if old else title(one.name), boundary=one.geometry)


def title(name: str) -> str:
    """Return a name as a person would write it; files are often named without blanks or capitals.

    Examples
    --------
    >>> title("north_bottom"), title("Home North")
    ('North Bottom', 'Home North')
    """
    return name.replace("_", " ").replace("-", " ").title() if name == name.lower() else name


class OutlinePart:
    """The part of the set-up page that finds an outline; the page has `_pick`, `_values`, `part`."""

    def _ask_boundary(self):
        choices = [("round", say("Drive round it now"))] if App.get_running_app().overheard else []
        choices += [(path, path.name) for path in boundary_files(home() / "fields")]
        if self._values["boundary"]:
            choices.append((None, say("No boundary")))
        if not choices:
            App.get_running_app().complain("There is no receiver to drive round with, and no boundary file on a stick.")
            return
        self._pick(say("Boundary"), choices, self._take_boundary, self._form_again)

    def _take_boundary(self, chosen):
        if chosen == "round":
            App.get_running_app().overheard.track = []
            self.title, self.part = say("Drive once round the field, the antenna along its edge."), "round"
        elif chosen is None:
            self._values["boundary"] = None
            self._form_again()
        else:
            found = read_fields(chosen)
            if len(found) == 1:
                self._take_found(found[0])
            else:
                every = (found, say("All {number} fields", number=len(found)))
                self._pick(chosen.name, [every, *((one, title(one.name)) for one in found)], self._take_found, self._form_again)

    def _take_found(self, found):
        if isinstance(found, list):
            put_fields(App.get_running_app().store, found)
            self.open("fields")
            return
        self._values["boundary"] = found.geometry
        self._values["name"] = self._values["name"] or title(found.name)
        self._form_again()

    def driven_round(self):
        """The drive is done: its ring is the boundary."""
        app = App.get_running_app()

        def act():
            self._values["boundary"] = json.loads(json.dumps(outline_of(app.overheard.track)))
            self.not_driven()

        app.attempt(act)

    def not_driven(self):
        """Leave the boundary as it is."""
        App.get_running_app().overheard.track = None
        self._form_again()
