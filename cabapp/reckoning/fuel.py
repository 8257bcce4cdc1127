"""What a diesel tractor is expected to burn, before its own fills tell it better."""

import math


def specific_fuel(load: float) -> float:
    """Return diesel for a unit of energy at the power take-off, older standard.

    Parameters
    ----------
    load : float
        Needed over available power, above 0 to 1.

    Returns
    -------
    float
        L/kWh.

    Raises
    ------
    ValueError
        A load outside 0 to 1.

    Notes
    -----
    2.64 X + 3.91 - 0.203 sqrt(738 X + 173). Source: ASAE D497.4 (2003), clause 3.

    Examples
    --------
    >>> round(specific_fuel(0.6), 4)
    0.4565
    """
    _check(load)
    return 2.64 * load + 3.91 - 0.203 * math.sqrt(738 * load + 173)


def fuel_rate(rated_power: float, load: float) -> float:
    """Return diesel for a unit of time at full throttle.

    Parameters
    ----------
    rated_power : float
        Rated power at the power take-off, W.
    load : float
        Needed over available power, above 0 to 1.

    Returns
    -------
    float
        L/s.

    Raises
    ------
    ValueError
        A load outside 0 to 1.

    Notes
    -----
    (0.22 X + 0.096) P in L/h and kW. Source: ASAE D497.7 (2011); Grisso, Kocher and Vaughan,
    Applied Engineering in Agriculture 20(5), 2004.

    Examples
    --------
    150 kW at half load:

    >>> round(fuel_rate(150e3, 0.5) * 3600, 1)
    30.9
    """
    _check(load)
    return (0.22 * load + 0.096) * rated_power / 1000 / 3600


def _check(load):
    if not 0 < load <= 1:
        raise ValueError(f"the load is a share above 0 and up to 1, not {load!r}")
