"""Expected fuel use of a diesel tractor, before its own fills are known. Pure."""

from cabapp.planning.capacity import field_capacity

LIGHT_LOAD = 0.6
"""Needed over available power at light work (Michigan State University, tractor fuel page)."""
LIGHT_TOOL = 2.5 * 0.745699872e3 / 0.3048
"""Power a light tool needs for its width, W/m: 2.5 PTO hp a foot for a spike-tooth harrow
(University of Missouri Extension G1208, 1993). No such figure for a land roller was found."""
EFFICIENCY = 0.8
"""Field efficiency of tools with nothing to fill (Progressive Forage, on efficiency and capacity)."""


def fuel_rate(rated_power: float, load: float) -> float:
    """Return diesel for a unit of time at full throttle, L/s.

    `rated_power` is that at the power take-off, W; `load` is needed over available power, above 0
    to 1 (ValueError otherwise).

    Notes: (0.22 X + 0.096) P in L/h and kW. Source: ASAE D497.7 (2011); Grisso, Kocher and Vaughan, Applied Engineering
    in Agriculture 20(5), 2004.

    150 kW at half load:

    >>> round(fuel_rate(150e3, 0.5) * 3600, 1)
    30.9
    """
    if not 0 < load <= 1:
        raise ValueError(f"the load is a share above 0 and up to 1, not {load!r}")
    return (0.22 * load + 0.096) * rated_power / 1000 / 3600


def expected_use(speed: float, power_per_width: float = LIGHT_TOOL) -> float:
    """Return the fuel a light tool is expected to use for a unit of pass area, L/m2.

    `speed` is m/s, above 0; `power_per_width` is W a metre of working width.

    Notes: The fuel rate of a tractor of the right size (`LIGHT_LOAD`) over the field capacity; the width cancels.
    Between tractors and soils such figures differ by 35 % (Iowa State University A3-27).

    G1208 prints 0.30 gal/ac for the spike-tooth harrow at 6.5 mph:

    >>> acre, gallon = 4046.8564224, 3.785411784
    >>> round(expected_use(6.5 * 0.44704) * acre / gallon, 2)
    0.3
    """
    rate = fuel_rate(power_per_width / LIGHT_LOAD, LIGHT_LOAD)
    return rate / field_capacity(speed, 1.0, EFFICIENCY)
