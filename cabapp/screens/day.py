"""The day around the pass, read standing still, and what only she can tell: rain, grease, seeding, soil."""

from pathlib import Path

from kivy.app import App
from kivy.lang import Builder
from kivy.properties import BooleanProperty, StringProperty

from cabapp.screens.parts.buttons import Key
from cabapp.screens.parts.page import Page
from cabapp.screens.parts.rows import Row, SheetLine
from cabapp.screens.parts.words import say
from cabapp.session.season import seeded_at, soil_reading
from store.models import Job

RAIN_H = (1, 2, 4, 8)
MOST_DAYS = 90
COLDEST, WARMEST = -5.0, 45.0  # deg C
FIRST_SOIL = 10.0  # deg C; where the figure begins when nobody has measured yet
DAY_S = 86400.0


class DayScreen(Page):
    """Lines of the day, and behind two keys what she can add to them."""

    remark = StringProperty()
    part = StringProperty("lines")  # "lines", "rain" or "ground"
    seeded_words = StringProperty()
    soil_words = StringProperty()
    altered = BooleanProperty(False)  # a figure was changed and is not written down yet

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._lines = self._days = self._degrees = None
        self._touched = set()
        for hours in RAIN_H:
            key = Key(text=say("Rain in {hours} h", hours=hours), cap_mm=6.4)
            key.bind(on_release=lambda _key, hours=hours: self.rain(hours))
            self.ids.rain.add_widget(key, index=len(self.ids.rain.children))

    def on_pre_enter(self, *_args):
        """Begin with the lines."""
        self.part, self._lines = "lines", None

    def show(self, view) -> None:
        """Write the lines anew where they have changed."""
        self.remark = view.field or ""
        lines = App.get_running_app().session.day()
        if lines != self._lines:
            self._lines = lines
            rows = [SheetLine(point=say(name), words=say(said)) for name, said in lines]
            self.ids.lines.fill(rows or [Row(words=say("Nothing is known of the day yet."))])

    def rain(self, hours):
        """Note when rain is looked for; None: no more."""
        if App.get_running_app().do("rain", hours=hours):
            self.part = "lines"

    def greased(self):
        """Note that the tool was greased just now."""
        App.get_running_app().do("grease")

    def open_ground(self):
        """Show what is known of seeding and soil, to be set right."""
        app = App.get_running_app()
        stint, now = app.stint(), app.view.now
        job = app.store.get(Job, stint.job_id)
        seeded, read = seeded_at(app.store, job.field_id, job.season), soil_reading(app.store, now)
        self._days = None if seeded is None else max(0, round((now - seeded) / DAY_S))
        self._degrees = None if read is None else round(shown_degrees(read[1], app.units.system))
        self._touched, self.part = set(), "ground"
        self._say_ground()

    def add_days(self, step: int):
        """Change how long ago the field was seeded."""
        self._days = min(MOST_DAYS, max(0, (self._days or 0) + step))
        self._touch("seeded")

    def add_degrees(self, step: int):
        """Change how warm the soil is, in the farm's degrees."""
        first, least, most = (
            round(shown_degrees(t, App.get_running_app().units.system)) for t in (FIRST_SOIL, COLDEST, WARMEST)
        )
        self._degrees = min(most, max(least, (first if self._degrees is None else self._degrees) + step))
        self._touch("soil")

    def _touch(self, what):
        self._touched.add(what)
        self._say_ground()

    def _say_ground(self):
        self.altered = bool(self._touched)
        if self._days is None:
            self.seeded_words = say("Seeded: not known")
        else:
            self.seeded_words = say("Seeded {days} days ago", days=self._days)
        if self._degrees is None:
            self.soil_words = say("Soil: not known")
        else:
            unit = "°F" if App.get_running_app().units.system == "us" else "°C"
            self.soil_words = say("Soil {degrees}", degrees=f"{self._degrees} {unit}")

    def write(self):
        """Write down the figures that were changed."""
        app = App.get_running_app()
        if "seeded" in self._touched and not app.do("seeded", days_ago=self._days):
            return
        if "soil" in self._touched and not app.do("soil", celsius=celsius(self._degrees, app.units.system)):
            return
        self.part = "lines"


def shown_degrees(celsius: float, system: str) -> float:
    """Return deg C in the farm's degrees: Fahrenheit with US units (exact by definition, NIST SP 811).

    Examples
    --------
    >>> shown_degrees(100.0, "us"), shown_degrees(15.0, "metric")
    (212.0, 15.0)
    """
    return celsius * 9 / 5 + 32 if system == "us" else celsius


def celsius(degrees: float, system: str) -> float:
    """Return the farm's degrees in deg C.

    Examples
    --------
    >>> celsius(32, "us"), celsius(59, "us"), celsius(15, "metric")
    (0.0, 15.0, 15.0)
    """
    return (degrees - 32) * 5 / 9 if system == "us" else float(degrees)


Builder.load_file(str(Path(__file__).with_suffix(".kv")))
