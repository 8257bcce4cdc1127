"""Numbers as a person types them."""

import math
import re

from cabapp.common.units import ACRE, FOOT, GALLON, HECTARE

_UNITS = {"ft": FOOT, "m": 1.0, "gal": GALLON, "l": 1.0, "ac": ACRE, "ha": HECTARE, "%": 0.01}


def read_number(text: str, *units: str) -> float:
    """Return a number in SI, typed alone, with one of the units behind it or, with "/", as a fraction.

    Raises ValueError: it is no finite number, or has another unit.

    >>> read_number("2.5 ha", "ac", "ha"), read_number(" 1/4", "%", "/"), read_number("33 %", "%", "/")
    (25000.0, 0.25, 0.33)
    """
    met = re.fullmatch(r"(.+?)\s*(?:(/)\s*(.+)|([a-z%]+))?", text.strip().lower())
    if not met or (met[2] or met[4] or "") not in ("", *units):
        raise ValueError(f"no number with one of {units}: {text!r}")
    value, divisor = float(met[1]) * _UNITS.get(met[4], 1.0), float(met[3] or 1.0)
    if not divisor or not math.isfinite(value / divisor):
        raise ValueError(f"no finite number: {text!r}")
    return value / divisor
