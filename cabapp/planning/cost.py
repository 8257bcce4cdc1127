"""Fuel and money per ground. An unknown figure is None and never guessed. Pure."""


def fuel_per_pass_area(litres: float, pass_area: float) -> float | None:
    """Return fuel filled since the last fill over the pass area since, L/m2; None without ground.

    >>> fuel_per_pass_area(40.0, 160_000.0), fuel_per_pass_area(40.0, 0.0)
    (0.00025, None)
    """
    return litres / pass_area if pass_area > 0 else None


def area_in_tank(litres: float, per_pass_area: float | None, reserve: float = 0.0) -> float | None:
    """Return the pass area that the fuel in the tank is for, m2, at least 0; None when the use is unknown.

    `per_pass_area` is L/m2, `reserve` the litres for the way home.

    >>> area_in_tank(100.0, 0.00025, reserve=20.0)
    320000.0
    """
    if not per_pass_area:
        return None
    return max(0.0, litres - reserve) / per_pass_area
