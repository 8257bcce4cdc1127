"""Quantities in messages: SI values that are written in the farm's units, zone and money where they are shown."""

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

    def __init_subclass__(cls, writer: str) -> None:
        cls.writer = writer

    def text(self, farm: FarmFormat) -> str:
        """Return the quantity as a farm writes it."""
        text: str = attrgetter(self.writer)(farm)(self.value)
        return text

    def __str__(self) -> str:
        return self.text(_NO_FARM)


class Length(Quantity, writer="units.length"):
    """A length one can pace out, m."""


class SmallLength(Quantity, writer="units.small_length"):
    """A length one tells passes apart by, roughly, m."""


class Distance(Quantity, writer="units.distance"):
    """A distance to drive, m."""


class Area(Quantity, writer="units.area"):
    """Ground, or passes times ground, m2."""


class AreaRate(Quantity, writer="units.area_rate"):
    """Ground worked in a time, m2/s."""


class Speed(Quantity, writer="units.speed"):
    """A speed, m/s."""


class Volume(Quantity, writer="units.volume"):
    """A volume of fuel, litres."""


class Temperature(Quantity, writer="units.temperature"):
    """A temperature, deg C."""


class Duration(Quantity, writer="rough_duration"):
    """A length of time said roughly, s."""


class WorkHours(Quantity, writer="work_hours"):
    """Hours of work, s."""


class ClockTime(Quantity, writer="time"):
    """The time of day of an instant, POSIX s."""


class ClockSecond(Quantity, writer="second"):
    """The time of day of an instant to the second, POSIX s."""


class DayAndTime(Quantity, writer="when"):
    """The day and the time of an instant, POSIX s."""


class Day(Quantity, writer="short_day"):
    """The day of an instant, POSIX s."""


KINDS: dict[str, type[Quantity]] = {kind.__name__: kind for kind in Quantity.__subclasses__()}
_NO_FARM = FarmFormat("UTC", Units("us"))
