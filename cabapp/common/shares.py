"""Shares in percent: never below 0 or above 100, and parts of one whole that add up as they are printed."""

import math
from collections.abc import Sequence


def fraction(part: float, whole: float) -> float:
    """Return a share, 0 to 1; what reaches over the whole is cut off.

    >>> fraction(101.0, 100.0), fraction(-0.1, 100.0), fraction(1.0, 0.0)
    (1.0, 0.0, 0.0)
    """
    return min(1.0, max(0.0, part / whole)) if whole > 0 else 0.0


def percents(parts: Sequence[float], whole: float, digits: int = 0) -> list[float]:
    """Return parts of a whole in percent, rounded so that they add up to what they are together.

    The largest remainders are rounded up (Hamilton's method; Balinski and Young, Fair Representation, 1982).
    What is together more than the whole is taken for the whole.

    >>> percents([1, 1, 1], 3), percents([1, 1, 1], 3, 1), percents([50, 51, -1], 100)
    ([34.0, 33.0, 33.0], [33.4, 33.3, 33.3], [50.0, 50.0, 0.0])
    """
    sizes = [max(0.0, part) for part in parts]
    scale = 10**digits
    together = math.fsum(sizes)
    whole = max(whole, together)
    if not whole > 0:
        return [0.0] * len(sizes)
    exact = [100 * scale * size / whole for size in sizes]
    down = [math.floor(one + 1e-9) for one in exact]
    missing = round(100 * scale * together / whole) - sum(down)
    for n in sorted(range(len(sizes)), key=lambda n: down[n] - exact[n])[: max(0, missing)]:
        down[n] += 1
    return [one / scale for one in down]


def share(part: float | None, whole: float | None) -> str:
    """Write a share in percent, one decimal under ten; never a zero for what is not nothing, nor all for what is not all.

    >>> share(84.2, 100), share(2.34, 100), share(0.01, 100), share(0, 100), share(1, None), share(102, 100)
    ('84 %', '2.3 %', 'under 0.1 %', '0 %', '–', '100 %')
    """
    if part is None or not whole:
        return "–"
    percent = 100 * fraction(part, whole)
    if percent == 0:
        return "0 %"
    if percent < 0.05:
        return "under 0.1 %"
    return f"{percent:.1f} %" if percent < 9.95 else f"{percent:.0f} %"


def shares(parts: Sequence[float], whole: float | None) -> list[str]:
    """Write the classes of one whole in percent, all with a decimal where one is under ten, so that they add up.

    >>> shares([2.34, 84.2, 13.46], 100), shares([20, 80], 100), shares([1, 2], None)
    (['2.3 %', '84.2 %', '13.5 %'], ['20 %', '80 %'], ['–', '–'])
    >>> shares([0.001, 99.999, 0], 100)
    ['under 0.1 %', '100.0 %', '0 %']
    """
    if not whole:
        return ["–"] * len(parts)
    digits = int(any(0 < 100 * fraction(part, whole) < 9.95 for part in parts))
    rounded = percents(parts, whole, digits)
    return [
        "0 %" if part <= 0 else "under 0.1 %" if not percent else f"{percent:.{digits}f} %"
        for part, percent in zip(parts, rounded, strict=True)
    ]
