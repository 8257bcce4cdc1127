"""Area per time of a tool at work. Pure."""


def field_capacity(speed: float, width: float, efficiency: float = 1.0) -> float:
    """Return pass area a second, m2/s; ground rolled twice is finished at half of it.

    `speed` is m/s while working, `width` m, `efficiency` the share of time and width that does
    work, 0 to 1 (1: theoretical capacity). ValueError for anything else.

    Notes: C = S W E. With mph, ft and ac/h that is S W E / 8.25, because 43 560 / 5 280 = 8.25. Source: Iowa State
    University AgDM A3-24; ASAE EP496.3, field capacity.

    A3-24, table 1: 40 ft at 6 mph and 70 % is 20.4 ac/h.

    >>> acre, foot, mph = 4046.8564224, 0.3048, 0.44704
    >>> round(field_capacity(6 * mph, 40 * foot, 0.70) * 3600 / acre, 1)
    20.4
    """
    if not (speed >= 0 and width >= 0 and 0 <= efficiency <= 1):
        raise ValueError(f"no such work: {speed!r} m/s, {width!r} m, efficiency {efficiency!r}")
    return speed * width * efficiency


def field_efficiency(pass_area: float, speed: float, width: float, seconds: float) -> float | None:
    """Return effective over theoretical capacity, or None when nothing could have been worked.

    `pass_area`: ground worked in the time, m2, without intended overlap, which is lost capacity.
    `speed`, `width`: mean speed while working, m/s, and full working width, m.
    `seconds`: all the time in the field: working, turning, waiting, repairing.

    Notes: Source: Iowa State University AgDM A3-24: counts overlap, turns, filling, waiting; leaves out daily service,
    road travel and major repair.

    >>> round(field_efficiency(pass_area=7.0e4, speed=2.5, width=12.0, seconds=3600), 3)
    0.648
    >>> field_efficiency(0.0, 0.0, 12.0, 3600) is None
    True
    """
    theoretical = field_capacity(speed, width) * seconds
    return pass_area / theoretical if theoretical > 0 else None


def mean_speed(length: float, seconds: float) -> float | None:
    """Return m/s over a known length; None when no time passed.

    Source: Iowa State University AgDM A3-24: 88 ft between two stakes in 12 s is 5 mph.

    >>> round(mean_speed(88 * 0.3048, 12) / 0.44704, 6)
    5.0
    """
    return length / seconds if seconds > 0 else None


SPEED = 2.2
"""m/s, about 5 mph, until the operator's own is known (common practice on stones: 4 to 7 mph)."""
