"""Quantities in messages: SI values that are written in the farm's units, zone and money where they are shown."""

from __future__ import annotations

from dataclasses import dataclass
from operator import attrgetter
from typing import ClassVar

from cabapp.common.farm_format import FarmFormat
from cabapp.common.units import Units


@dataclass(frozen=True, slots=True)
class Quantity:
    """A value in SI (POSIX s for times); None where it is not known.

    ``str`` writes it in UTC and US units, as on a tablet without a farm.

    >>> str(Length(1.83)), Length(1.83).text(FarmFormat("UTC", Units("metric")))
    ('6 ft', '1.8 m')
    """

    value: float | None
    writer: ClassVar[str]

    def text(self, farm: FarmFormat) -> str:
        """Return the quantity as a farm writes it."""
        text: str = attrgetter(self.writer)(farm)(self.value)
        return text

    def __str__(self) -> str:
        return self.text(_NO_FARM)


class Length(Quantity):
    """A length one can pace out, m."""

    writer = "units.length"


class SmallLength(Quantity):
    """A length one tells passes apart by, roughly, m."""

    writer = "units.small_length"


class Distance(Quantity):
    """A distance to drive, m."""

    writer = "units.distance"


class Area(Quantity):
    """Ground, or passes times ground, m2."""

    writer = "units.area"


class AreaRate(Quantity):
    """Ground worked in a time, m2/s."""

    writer = "units.area_rate"


class Speed(Quantity):
    """A speed, m/s."""

    writer = "units.speed"


class Volume(Quantity):
    """A volume of fuel, litres."""

    writer = "units.volume"


class Temperature(Quantity):
    """A temperature, deg C."""

    writer = "units.temperature"


class Duration(Quantity):
    """A length of time said roughly, s."""

    writer = "rough_duration"


class WorkHours(Quantity):
    """Hours of work, s."""

    writer = "work_hours"


class ClockTime(Quantity):
    """The time of day of an instant, POSIX s."""

    writer = "time"


class ClockSecond(Quantity):
    """The time of day of an instant to the second, POSIX s."""

    writer = "second"


class DayAndTime(Quantity):
    """The day and the time of an instant, POSIX s."""

    writer = "when"


class Day(Quantity):
    """The day of an instant, POSIX s."""

    writer = "short_day"


class Money(Quantity):
    """Money, in hundredths of the currency."""

    writer = "money"


KINDS: dict[str, type[Quantity]] = {kind.__name__: kind for kind in Quantity.__subclasses__()}
_NO_FARM = FarmFormat("UTC", Units("us"))
