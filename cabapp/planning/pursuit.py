"""One machine behind another: when it catches up, and when to start. Pure."""


def time_to_catch(lead: float, own: float, other: float) -> float | None:
    """Return after how many seconds a lead is used up; None when we never catch up.

    `lead` is m2 worked by the other and not yet by us (or m on one track); `own` and `other` are the
    rates, m2/s (or m/s), 0 for a machine that stands: B / (R - S) for R > S.

    20 ac of lead, the seeder filling, 13 ac/h and 26 ac/h:

    >>> round(time_to_catch(20, 13 / 3600, 0) / 3600, 1), round(time_to_catch(20, 26, 0) * 60)
    (1.5, 46)
    >>> time_to_catch(20, 13, 14) is None
    True
    """
    if lead <= 0:
        return 0.0
    return lead / (own - other) if own > other else None


def wait_to_finish_together(area: float, own: float, other: float) -> float:
    """Return the seconds to let the other go ahead so that both finish together: A (1/S - 1/R).

    `area` is m2, the rates m2/s above 0 (ValueError otherwise); 0 when the other is faster.

    >>> wait_to_finish_together(160.0, own=32.0, other=16.0)
    5.0
    """
    if not (own > 0 and other > 0):
        raise ValueError(f"both rates must be above 0: {own!r}, {other!r}")
    return max(0.0, area * (1 / other - 1 / own))


def holding_speed(speed: float, own: float, other: float) -> float:
    """Return the speed that keeps the lead as it is, m/s.

    Our speed times the other's rate over ours, v S / R; ValueError when ours is not above 0.

    >>> holding_speed(3.0, own=24.0, other=16.0)
    2.0
    """
    if not own > 0:
        raise ValueError(f"our own rate must be above 0, not {own!r}")
    return speed * other / own


def time_to_spare(lead: float, left: float, own: float, other: float) -> float:
    """Return the seconds we may do something else and still finish together with the other, at least 0.

    `lead` is m2 worked by the other and not yet by us, `left` m2 that nobody has worked, the rates
    m2/s above 0. The other ends after left / S, we after (lead + left) / R of work.

    >>> time_to_spare(0.0, 160.0, own=32.0, other=16.0)
    5.0
    >>> time_to_spare(32.0, 160.0, own=32.0, other=16.0)
    4.0
    """
    return max(0.0, wait_to_finish_together(left, own, other) - lead / own)


def backlog_at_its_end(lead: float, left: float, own: float, other: float) -> float:
    """Return what will be worked by the other and not by us when it ends, m2.

    We cannot do ground before it is there, so it is what is left of lead and left at our rate;
    rates in m2/s, the other's above 0.

    >>> backlog_at_its_end(20.0, 160.0, own=12.0, other=16.0)
    60.0
    """
    if not other > 0:
        raise ValueError(f"the other's rate must be above 0, not {other!r}")
    return max(0.0, lead + left - own * left / other)
