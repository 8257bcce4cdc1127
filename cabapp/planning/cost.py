"""Fuel and money per ground. An unknown figure is None and never guessed. Pure."""


def fuel_per_pass_area(litres: float, pass_area: float) -> float | None:
    """Return fuel filled since the last fill over the pass area since, L/m2; None without ground.

    >>> fuel_per_pass_area(40.0, 160_000.0), fuel_per_pass_area(40.0, 0.0)
    (0.00025, None)
    """
    return litres / pass_area if pass_area > 0 else None


def area_in_tank(litres: float, per_pass_area: float | None, passes: int = 1, reserve: float = 0.0) -> float | None:
    """Return the area that the fuel in the tank finishes, m2, at least 0; None when the use is unknown.

    `per_pass_area` is L/m2, `passes` what every place still needs, `reserve` the litres for the way
    home: (litres - reserve) / use / passes. ValueError when no pass is needed.

    >>> area_in_tank(100.0, 0.00025, passes=2, reserve=20.0)
    160000.0
    """
    if passes < 1:
        raise ValueError(f"at least one pass must be needed, not {passes!r}")
    if not per_pass_area:
        return None
    return max(0.0, litres - reserve) / per_pass_area / passes


def cost_of_passes(
    pass_area: float,
    *,
    fuel_per_area: float = 0.0,
    fuel_price: float = 0.0,
    wage_per_h: float = 0.0,
    capacity: float | None = None,
    machine_per_area: float = 0.0,
) -> float:
    """Return what passes over ground cost, such as those beyond the target.

    `pass_area`: m2.
    `fuel_per_area`, `fuel_price`: L/m2, and money a litre.
    `wage_per_h`: money an hour.
    `capacity`: m2/s; ValueError when it is missing or 0 and there is a wage.
    `machine_per_area`: money a m2 for tractor and tool.

    Purdue (Dobbins, 2006): 2.02 gal/ac at $3.00 a gallon is $6.06 an acre.

    >>> acre, gallon = 4046.8564224, 3.785411784
    >>> round(cost_of_passes(acre, fuel_per_area=2.02 * gallon / acre,
    ...                      fuel_price=3.00 / gallon), 2)
    6.06
    """
    wage_per_area = 0.0
    if wage_per_h:
        if not (capacity and capacity > 0):
            raise ValueError(f"a wage needs a capacity above 0, not {capacity!r}")
        wage_per_area = wage_per_h / 3600 / capacity
    return pass_area * (fuel_per_area * fuel_price + wage_per_area + machine_per_area)
