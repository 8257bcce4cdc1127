"""The day around the pass, read standing still, and what only the operator can tell: rain, wind, seeder, soil."""

from functools import partial

from kivy.properties import BooleanProperty, StringProperty

from cabapp.common.message import message
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from cabapp.screens.map import ground_map as _map  # noqa: F401  (the kv file uses its widgets)
from cabapp.screens.widgets.row_list import Row, SheetLine
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from cabapp.screens.work.figure_entry import PAIRS, figures_of

RAIN_H = (1, 2, 4, 8)


class DayScreen(CabScreen):
    """Lines of the day, and behind keys what the operator can add to them."""

    remark = StringProperty()
    part = StringProperty("lines")  # "lines", "rain", one of PAIRS, "figures" of a tap, or "map" for the seeder's place
    upper = StringProperty()
    lower = StringProperty()
    altered = BooleanProperty(False)  # a figure was changed and is not written down yet

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._lines = self._pair = None
        self._touched = [False, False]
        for hours in RAIN_H:
            words = translate("Rain in {hours} h", hours=hours)
            self.ids.rain.add_key(words, partial(self.rain, hours), len(self.ids.rain.children))

    def on_pre_enter(self, *_args):
        self.part, self._lines = "lines", None

    def show(self, view) -> None:
        self.remark = view.field or ""
        lines = self.app.session.day()
        if lines != self._lines:
            self._lines = lines
            rows = [SheetLine(point=translate(name), words=translate(said)) for name, said in lines]
            self.ids.lines.fill(rows or [Row(words=translate("Nothing is known of the day yet."))])

    def rain(self, hours):
        """Note when rain is looked for; None: no more."""
        if self.app.do("rain", hours=hours):
            self.part = "lines"

    def greased(self):
        self.app.do("grease")

    def open(self, name: str):
        """Show the figures of one of PAIRS, or the values of a kind of tap, to be set right."""
        self._pair = PAIRS[name](self.app) if name in PAIRS else figures_of(TAP_KINDS[name], self.app)
        self._touched = [False] * len(self._pair.figures)
        self.part = name if name in PAIRS else "figures"
        self._show_figures()

    def add(self, which: int, step: int):
        """Change the upper (0) or the lower (1) figure."""
        self._pair.figures[which].add(step)
        self._touched[which] = True
        self._show_figures()

    def _show_figures(self):
        self.altered = any(self._touched)
        self.upper, self.lower, *_ = *(figure.text for figure in self._pair.figures), ""

    def write(self):
        if self._pair.write(self._touched):
            self.part = "lines"

    def seeder_here(self):
        """Note that the seeder is where the tractor is."""
        if self.app.do("seeder"):
            self.part = "lines"

    def open_map(self):
        """Show the field, to be touched where the seeder is."""
        job, ground = self.app.session.job, self.ids.ground
        if getattr(job, "field", None) is None:
            self.app.show_refusal(message("There is no map of this field."))
            return
        ground.show_field(job)
        ground.follow(self.app.view.pose)
        self.part = "map"

    def seeder_at(self, x, y):
        """Note that the seeder is at this place of the map, m on the plane."""
        lat, lon = self.ids.ground.latlon(x, y)
        if self.app.do("seeder", lat=lat, lon=lon):
            self.part = "lines"
