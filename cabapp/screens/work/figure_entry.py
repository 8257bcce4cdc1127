"""The figures that only the operator can tell, two to a screen: how they are read, stepped, said and written down."""

from collections.abc import Callable
from dataclasses import dataclass
from math import ceil, floor
from operator import attrgetter

from cabapp.jobs.fields.season_history import seeded_at, soil_reading
from cabapp.jobs.records.tap_kinds import TapKind, Value
from cabapp.screens.widgets.translation import translate
from store.models import Job

DAY_S, HOUR_S = 86400.0, 3600.0
MOST_DAYS = 90
NEAR = 1e-9  # a bound that is a whole figure in the farm's unit stays one


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
    """One or two figures and what writes them down: ``write`` takes the app and which were touched."""

    figures: tuple[EnteredFigure, ...]
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


def figures_of(kind: TapKind, app) -> Pair:
    """The values of a kind of tap, one or two, as its ``Entry`` asks for them."""
    figures = tuple(_entered(value, app.farm) for value in kind.values)

    def write(_touched):
        return app.do(
            kind.name,
            **{
                value.name: None if figure.value is None else _scale(value, app.farm)[1](figure.value)
                for value, figure in zip(kind.values, figures, strict=True)
            },
        )

    return Pair(figures, write)


def _entered(value: Value, farm) -> EnteredFigure:
    shown, _ = _scale(value, farm)
    unit = value.quantity(value.entry.first).text(farm).partition(" ")[2] if value.quantity else ""
    return EnteredFigure(
        lambda figure: translate(value.entry.words, figure=figure), translate(value.entry.unknown), unit,
        round(shown(value.entry.first)), ceil(shown(value.low) - NEAR), floor(shown(value.high) + NEAR),
    )  # fmt: skip


def _scale(value: Value, farm) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """Return what turns SI into the farm's unit, and back."""
    if value.quantity is None:
        return float, float
    shown = attrgetter(f"{value.quantity.writer}_value")(farm)
    zero = shown(0.0)
    per = (shown(100.0) - zero) / 100  # one degree apart, 1.8 would not be exact
    return shown, lambda figure: min(value.high, max(value.low, (figure - zero) / per))


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


PAIRS = {"ground": ground, "seeder": seeder}
"""Figures that are more than the values of one kind of tap."""
