"""SI quantities in the words of the farm: acres and feet, or hectares and metres.

Knows nothing of what is measured. Inside the program every quantity is SI; this is the last step
before a person reads it. All factors are exact by definition: international foot and mile
(1959, NIST SP 811), acre 43 560 ft2, US liquid gallon 231 in3.
"""

import math
from typing import TypeGuard

FOOT = 0.3048
MILE = 5280 * FOOT
ACRE = 43560 * FOOT**2
HECTARE = 1e4
MPH = MILE / 3600
KMH = 1 / 3.6
GALLON = 231 * 0.0254**3 * 1000
"""Litres in a US gallon."""

_US = {"area": (ACRE, "ac"), "speed": (MPH, "mph"), "length": (FOOT, "ft"),
       "volume": (GALLON, "gal"), "distance": (MILE, "mi")}  # fmt: skip
_METRIC = {"area": (HECTARE, "ha"), "speed": (KMH, "km/h"), "length": (1.0, "m"),
           "volume": (1.0, "L"), "distance": (1000.0, "km")}  # fmt: skip
_SYSTEMS = {"us": _US, "metric": _METRIC}
NOTHING = "–"
"""What stands where a quantity is not known (None or NaN): never a zero."""


class Units:
    """One farm's way of saying quantities.

    `system`: "us" or "metric".
    Raises ValueError: another system.

    Notes: Every method takes None or NaN for "not known" and says an en dash. Small figures keep one decimal (areas and
    volumes under 10, all speeds, lengths in metres).

    A section of land is 640 acres, and 6 mph is 2.682 24 m/s:

    >>> us, metric = Units("us"), Units("metric")
    >>> us.area(1609.344**2), metric.area(1609.344**2)
    ('640 ac', '259 ha')
    >>> us.speed(2.68224), metric.speed(2.68224), us.speed(None)
    ('6.0 mph', '9.7 km/h', '–')
    """

    def __init__(self, system: str):
        if system not in _SYSTEMS:
            raise ValueError(f"units are 'us' or 'metric', not {system!r}")
        self.system = system
        self._table = _SYSTEMS[system]

    def unit(self, kind: str) -> str:
        """Return the short name of a unit.

        >>> Units("us").unit("area"), Units("metric").unit("volume")
        ('ac', 'L')
        """
        return self._table[kind][1]

    def area_value(self, m2: float | None) -> float | None:
        """Return square metres as acres or hectares."""
        return self._value("area", m2)

    def area(self, m2: float | None) -> str:
        """Say an area.

        >>> Units("us").area(247000), Units("us").area(9000), Units("metric").area(9000)
        ('61 ac', '2.2 ac', '0.9 ha')
        """
        return self._written("area", m2, 1 if _under(self.area_value(m2), 9.95) else 0)

    def speed_value(self, mps: float | None) -> float | None:
        """Return metres a second as miles or kilometres an hour."""
        return self._value("speed", mps)

    def speed(self, mps: float | None) -> str:
        """Say a speed.

        >>> Units("us").speed(3.308), Units("metric").speed(3.308)
        ('7.4 mph', '11.9 km/h')
        """
        return self._written("speed", mps, 1)

    def length_value(self, m: float | None) -> float | None:
        """Return metres as feet or metres."""
        return self._value("length", m)

    def length(self, m: float | None) -> str:
        """Say a length one can pace out: whole feet, or metres with one decimal.

        >>> Units("us").length(1.83), Units("metric").length(1.83)
        ('6 ft', '1.8 m')
        """
        return self._written("length", m, 0 if self.system == "us" else 1)

    def small_length(self, m: float | None) -> str:
        """Say a length one tells passes apart by, roughly.

        >>> Units("us").small_length(0.61), Units("us").small_length(0.08), Units("metric").small_length(0.61)
        ('2 ft', '3 in', '60 cm')
        >>> Units("us").small_length(0.0), Units("us").small_length(0.005), Units("metric").small_length(0.0)
        ('0 in', '1 in', '0 cm')
        >>> Units("metric").small_length(2.8)
        '2.8 m'
        """
        if not _known(m):
            return NOTHING
        if self.system == "us":
            feet = m / FOOT
            return f"{feet:.0f} ft" if feet >= 1.5 else f"{round(12 * feet) or math.ceil(feet):.0f} in"
        if m >= 1.0:
            return f"{m:.1f} m"
        step = 0.1 if m >= 0.2 else 0.01
        return f"{round(round(m / step) * step * 100) or math.ceil(m):.0f} cm"

    def volume_value(self, litres: float | None) -> float | None:
        """Return litres as US gallons or litres."""
        return self._value("volume", litres)

    def volume(self, litres: float | None) -> str:
        """Say a volume of fuel.

        >>> Units("us").volume(200), Units("us").volume(2), Units("metric").volume(200)
        ('53 gal', '0.5 gal', '200 L')
        """
        return self._written("volume", litres, 1 if _under(self.volume_value(litres), 9.95) else 0)

    def distance_value(self, m: float | None) -> float | None:
        """Return metres as miles or kilometres."""
        return self._value("distance", m)

    def distance(self, m: float | None) -> str:
        """Say how far it is to drive: feet or metres when near, miles or kilometres when far.

        >>> us, metric = Units("us"), Units("metric")
        >>> us.distance(644), us.distance(90), metric.distance(644), metric.distance(90)
        ('0.4 mi', '300 ft', '0.6 km', '90 m')
        """
        if not _known(m) or abs(m) >= (0.15 * MILE if self.system == "us" else 500):
            return self._written("distance", m, 1 if _under(self.distance_value(m), 9.95) else 0)
        size, name = self._table["length"]
        value = m / size
        return f"{round(value, -1):.0f} {name}" if value >= 50 else f"{value:.0f} {name}"

    def area_rate_value(self, m2_per_s: float | None) -> float | None:
        """Return square metres a second as acres or hectares an hour."""
        return self.area_value(m2_per_s * 3600) if _known(m2_per_s) else None

    def area_rate(self, m2_per_s: float | None) -> str:
        """Say how fast ground is worked.

        45 ft at 6 mph and 80 % is 26.2 ac/h:

        >>> Units("us").area_rate(45 * FOOT * 6 * MPH * 0.80)
        '26.2 ac/h'
        """
        value = self.area_rate_value(m2_per_s)
        return NOTHING if value is None else f"{value:.1f} {self.unit('area')}/h"

    def volume_per_area_value(self, litres_per_m2: float | None) -> float | None:
        """Return litres a square metre as gallons an acre or litres a hectare."""
        if not _known(litres_per_m2):
            return None
        return litres_per_m2 * self._table["area"][0] / self._table["volume"][0]

    def volume_per_area(self, litres_per_m2: float | None) -> str:
        """Say fuel for an area.

        >>> Units("us").volume_per_area(2.338489e-4), Units("metric").volume_per_area(2.338489e-4)
        ('0.25 gal/ac', '2.3 L/ha')
        """
        value = self.volume_per_area_value(litres_per_m2)
        if value is None:
            return NOTHING
        places = 2 if self.system == "us" else 1
        return f"{value:.{places}f} {self.unit('volume')}/{self.unit('area')}"

    def temperature_value(self, celsius: float | None) -> float | None:
        """Return deg C in deg F with US units (exact by definition, NIST SP 811), else as it is."""
        if not _known(celsius) or self.system != "us":
            return celsius
        return celsius * 9 / 5 + 32

    def celsius(self, degrees: float) -> float:
        """Return the farm's degrees in deg C.

        >>> Units("us").celsius(59), Units("metric").celsius(15)
        (15.0, 15.0)
        """
        return (degrees - 32) * 5 / 9 if self.system == "us" else float(degrees)

    def temperature(self, celsius: float | None) -> str:
        """Say how warm it is.

        >>> Units("us").temperature(15.0), Units("metric").temperature(15.0)
        ('59 °F', '15 °C')
        """
        if not _known(celsius):
            return NOTHING
        return f"{self.temperature_value(celsius):.0f} {'°F' if self.system == 'us' else '°C'}"

    def _value(self, kind: str, quantity: float | None) -> float | None:
        return quantity / self._table[kind][0] if _known(quantity) else None

    def _written(self, kind: str, quantity: float | None, places: int) -> str:
        value = self._value(kind, quantity)
        if value is None:
            return NOTHING
        # "+ 0.0" turns the -0.0 of a rounded small negative into 0.0
        return f"{round(value, places) + 0.0:.{places}f} {self.unit(kind)}"


def _known(quantity: float | None) -> TypeGuard[float]:
    return quantity is not None and not math.isnan(quantity)


def _under(quantity: float | None, limit: float) -> bool:
    return _known(quantity) and abs(quantity) < limit
