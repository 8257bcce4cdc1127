"""Written times to POSIX seconds."""

from datetime import UTC, datetime


def read_time(text: str) -> tuple[float, bool]:
    """Read an RFC 3339 time.

    Parameters
    ----------
    text : str
        Date, T or a space, time; fractions of a second allowed; Z or an offset, or neither.

    Returns
    -------
    t : float
        POSIX seconds, UTC.
    zoned : bool
        False: the text carries no zone and was taken as UTC.

    Raises
    ------
    ValueError
        The text is no date with a time of day.

    Examples
    --------
    >>> read_time("2019-05-05T19:09:57.200Z"), read_time("2019-05-05 14:09:57.2-05:00")
    ((1557083397.2, True), (1557083397.2, True))
    >>> read_time("2019-05-05T19:09:57")
    (1557083397.0, False)
    """
    text = text.strip()
    if len(text) < 16 or text[4] != "-" or text[10] not in "Tt ":
        raise ValueError(f"not a date with a time of day: {text!r}")
    # RFC 3339 allows a small z, fromisoformat does not
    moment = datetime.fromisoformat(text.upper())
    if moment.tzinfo is None:
        return moment.replace(tzinfo=UTC).timestamp(), False
    return moment.timestamp(), True
