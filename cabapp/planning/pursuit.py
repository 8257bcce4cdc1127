"""One machine behind another: when it catches up, and when it had better start."""


def time_to_catch(lead: float, own: float, other: float) -> float | None:
    """Return how long until a lead is used up.

    Parameters
    ----------
    lead : float
        Ground worked by the other and not yet by us (m2), or distance on the same track (m).
    own, other : float
        Our rate and the other's, m2/s or m/s to match; 0 for one that stands.

    Returns
    -------
    float or None
        Seconds; None when we never catch up.

    Notes
    -----
    B / (R - S) for R > S.

    Examples
    --------
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
    """Return how long to let the other go ahead so that both finish the area together.

    Parameters
    ----------
    area : float
        m2.
    own, other : float
        m2/s, both above 0.

    Returns
    -------
    float
        Seconds, without a margin; 0 when the other is faster and there is nothing to wait for.

    Raises
    ------
    ValueError
        A rate that is not above 0.

    Notes
    -----
    A (1/S - 1/R).

    Examples
    --------
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
    """Return how long we may do something else and still finish together with the other, s.

    Parameters
    ----------
    lead : float
        m2 worked by the other and not yet by us.
    left : float
        m2 that nobody has worked.
    own, other : float
        m2/s, both above 0.

    Notes
    -----
    The other ends after left / S, we after (lead + left) / R of work: the difference, never below 0.
    With no lead it is `wait_to_finish_together`.

    Examples
    --------
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
