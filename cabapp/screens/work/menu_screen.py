"""What can be done standing still: the keys, and under them fuel, fields, marks, and the screen itself."""

from functools import partial

from kivy.properties import NumericProperty, StringProperty

from cabapp.common.message import Message
from cabapp.common.quantities import Area, Day, WorkHours
from cabapp.common.shares import fraction
from cabapp.common.wording import HARVESTS, how_often
from cabapp.jobs.records.field_marks import MARKS, STONE_HIT
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from cabapp.screens.widgets.row_list import Row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import capital, translate
from cabapp.screens.work.pass_screen import ground_left
from cabapp.tablet.tablet_settings import LIGHTS

LAST = 2  # "This tablet" and Back stay the last two keys


class FieldRow(Row):
    """A field, with the day it closes on a line of its own."""


class MenuScreen(CabScreen):
    """The screen behind "More"; it shuts by itself as soon as the tractor moves off."""

    title = StringProperty()
    remark = StringProperty()
    part = StringProperty("keys")  # "keys", "fuel", "fields", "marks" or "tablet"
    fuel = NumericProperty(0)  # in the farm's unit
    fuel_words = StringProperty()
    light_words = StringProperty()

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        marks, tablet = self.ids.marks, self.ids.tablet
        for kind in MARKS:
            marks.add_key(capital(kind), partial(self._tap, "mark", kind=kind))
        self._stone = marks.add_key(capital(STONE_HIT), partial(self._tap, "mark", kind=STONE_HIT))
        tablet.add_key(translate("Turn the map"), self.turn_map)
        tablet.add_key(translate("Whole field"), self.whole_field)
        tablet.add_key(translate("Wipe the screen"), lambda: self.app.touch_lock.open())
        tablet.add_key(translate("Receiver"), lambda: self.app.go("receiver"))
        tablet.add_key(translate("Exchange"), lambda: self.app.go("exchange"))
        tablet.add_key(translate("Hear the sound"), lambda: self.app.try_sound())
        for keys in (marks, tablet):
            keys.add_key(translate("Back"), lambda: setattr(self, "part", "keys"), main=True)
        for tap in TAP_KINDS.values():
            if tap.menu:
                self.ids.menu.add_key(
                    translate(tap.button), partial(self._ask if tap.values else self._tap, tap.name), LAST
                )

    def add_keys(self, before, after):
        """Add keys that open other screens, (words, name) each, before and after the menu's own acts."""
        first = len(self.ids.menu.children)  # children are last to first
        for place, keys in ((first, before), (LAST, after)):
            for words, name in keys:
                self.ids.menu.add_key(translate(words), lambda name=name: self.app.go(name), place)

    def _ask(self, name):
        self.app.go("the day")
        self.app.screens.current_screen.open(name)

    def _tap(self, name, **detail):
        if self.app.do(name, **detail):
            self.app.go("pass")

    def on_pre_enter(self, *_args):
        self.part, self.fuel = "keys", 0
        self.ids.marks.remove_widget(self._stone)
        if self.app.view.operation in HARVESTS:
            self.ids.marks.add_widget(self._stone, index=1)
        self._show_light()

    def show(self, view) -> None:
        ground = ground_left(view)
        left = "" if ground is None else translate("{area} to finish", area=Area(ground))
        self.title = view.field or ""
        self.remark = left
        self.fuel_words = f"{int(self.fuel)} {self.app.units.unit('volume')}"

    def add_fuel(self, step: int):
        """Change the figure; never below nothing."""
        self.fuel = max(0, self.fuel + step)

    def note_fuel(self):
        litres = self.fuel / self.app.units.volume_value(1.0)
        if self.fuel and self.app.do("fuel", litres=litres):
            self.app.go("pass")

    def list_fields(self):
        """Show every field with what is done: what closes first comes first, and the backlog of all."""
        work, backlog = self.app.session.season()
        place, needs = {one.id: n for n, one in enumerate(work)}, {one.id: WorkHours(one.needs) for one in work}
        rows = []
        if backlog is not None and backlog.left > 0:
            rows.append(Row(
                words=translate("Backlog on seeded ground"),
                remark=translate("{area} of passes, {time}", area=Area(backlog.left), time=WorkHours(backlog.needs)),
            ))  # fmt: skip
        fields = self.app.session.choices().fields
        for field in sorted(fields, key=lambda field: place.get(field.id, len(place))):
            done = translate("not known") if field.share_done is None else translate(
                "{done} % done, {left} % left",
                done=round(100 * fraction(field.share_done, 1.0)), left=100 - round(100 * fraction(field.share_done, 1.0)),
            )  # fmt: skip
            away = "" if field.metres is None else f"{self.app.units.distance(field.metres)}   "
            done += f", {translate(needs[field.id])}" if field.id in needs else ""
            what = ", ".join([field.name, *([field.crop] if field.crop else []), translate(how_often(field.target))])
            rows.append(FieldRow(words=what + _closing(field, self.app), remark=away + done))
        self.ids.fields.fill(rows)
        self.part = "fields"

    def turn_light(self):
        """Day, night, or by the sun."""
        self.app.choose_light(LIGHTS[(LIGHTS.index(self.app.light) + 1) % len(LIGHTS)])
        self._show_light()

    def _show_light(self):
        self.light_words = translate("Light: {light}", light=Message(self.app.light))

    def turn_map(self):
        ground = self.app.screens.get_screen("pass").ids.ground
        ground.north_up, ground.whole = not ground.north_up, False
        self.app.go("pass")

    def whole_field(self):
        self.app.go("pass")
        self.app.screens.get_screen("pass").ids.ground.show_whole()


def _closing(field, app) -> str:
    """Say the day a field closes to the roller, on a line of its own; nothing when not known."""
    if field.closes is None:
        return ""
    day = Day(field.closes)
    past = field.closes < app.view.now
    return "\n" + (
        translate("closed {day} (estimate)", day=day) if past else translate("closes {day} (estimate)", day=day)
    )
