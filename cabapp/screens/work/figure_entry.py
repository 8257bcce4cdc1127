"""The figures that only the operator can tell, two to a screen: how they are read, stepped, said and written down."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from cabapp.jobs.fields.season_history import seeded_at, soil_reading
from cabapp.screens.widgets.translation import translate
from store.models import Job

DAY_S, HOUR_S = 86400.0, 3600.0
MOST_DAYS = 90


@dataclass
class EnteredFigure:
    """One figure: what it is called, the unit behind it, where it begins, and its bounds.

    ``words`` says it with a figure; ``unknown`` is said while ``value`` is None.
    """

    words: Callable[[str], str]
    unknown: str
    unit: str
    first: int
    least: int
    most: int
    value: int | None = None

    def add(self, step: int) -> None:
        """Change it within its bounds; the first touch of one not known begins at ``first``."""
        self.value = min(self.most, max(self.least, (self.first if self.value is None else self.value) + step))

    @property
    def text(self) -> str:
        """The figure as the tablet shows it."""
        if self.value is None:
            return self.unknown
        return self.words(f"{self.value} {self.unit}".strip())


@dataclass
class Pair:
    """Two figures and what writes them down: ``write`` takes the app and which were touched."""

    figures: tuple[EnteredFigure, EnteredFigure]
    write: Callable


def ground(app) -> Pair:
    """Seeding and soil, as the logbook knows them."""
    stint, now, units = app.stint(), app.view.now, app.units
    job = app.store.get(Job, stint.job_id)
    seeded, read = seeded_at(app.store, job.field_id, job.season), soil_reading(app.store, now)
    days = None if seeded is None else min(MOST_DAYS, max(0, round((now - seeded) / DAY_S)))
    ago = EnteredFigure(
        lambda figure: translate("Seeded {figure} days ago", figure=figure),
        translate("Seeded: not known"),
        "",
        0,
        0,
        MOST_DAYS,
        days,
    )
    soil = _degrees(
        units, lambda figure: translate("Soil {figure}", figure=figure), translate("Soil: not known"), 10.0, -5.0, 45.0
    )
    soil.value = None if read is None else round(units.temperature_value(read[1]))

    def write(touched):
        done = not touched[0] or app.do("seeded", days_ago=ago.value)
        return done and (not touched[1] or app.do("soil", celsius=units.celsius(soil.value)))

    return Pair((ago, soil), write)


def weather(app) -> Pair:
    """Wind and air, as they are now."""
    units = app.units
    per = units.speed_value(1.0)
    wind = EnteredFigure(
        lambda figure: translate("Wind {figure}", figure=figure),
        translate("Wind: not known"),
        units.unit("speed"),
        round(3 * per),
        0,
        int(39 * per),
    )
    air = _degrees(
        units, lambda figure: translate("Air {figure}", figure=figure), translate("Air: not known"), 15.0, -20.0, 50.0
    )

    def write(_touched):
        return app.do(
            "weather",
            wind=None if wind.value is None else wind.value / per,
            air=None if air.value is None else units.celsius(air.value),
        )

    return Pair((wind, air), write)


def seeder(app) -> Pair:
    """The seeder's pace, and what it has done of this field."""
    units = app.units
    per = units.area_value(1.0)
    unit = units.unit("area")
    pace = EnteredFigure(
        lambda figure: translate("Seeder {figure}", figure=figure),
        translate("Seeder's pace: not known"),
        f"{unit}/h",
        10,
        0,
        int(200 * HOUR_S * per),
    )
    done = EnteredFigure(
        lambda figure: translate("{figure} of this field seeded", figure=figure),
        translate("Seeded of this field: not known"),
        unit,
        0,
        0,
        int(1e7 * per),
    )

    def write(_touched):
        return app.do(
            "seeder_pace",
            rate=None if pace.value is None else pace.value / per / HOUR_S,
            seeded=None if done.value is None else done.value / per,
        )

    return Pair((pace, done), write)


def _degrees(units, words, unknown, first, least, most) -> EnteredFigure:
    shown = [round(units.temperature_value(t)) for t in (first, least, most)]
    return EnteredFigure(words, unknown, "°F" if units.system == "us" else "°C", *shown)


PAIRS = {"ground": ground, "weather": weather, "seeder": seeder}
