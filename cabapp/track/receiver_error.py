"""A receiver's error between passes and against the ground, from what its fixes state. Knows no ground.

Both are 1 sigma per axis, m. Relative: of one pass against the next within a quarter of an hour, as typical figures are
given. Absolute: against the ground, so between days, tractors and receivers. How fast one becomes the other is known as a
range of memories only, so claims are made for the least favourable of them.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from statistics import median
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.track.logging_interval import interpolation_error, logging_interval

LEAST_S = 60.0
"""s. The shortest memory reported of a position's error: the autocorrelation of a consumer receiver over twenty days bends
at about 1 min (D. L. Wilson, "Correlation of errors")."""
LONGEST_S = 3600.0
"""s. About the longest: the same receiver's is drawn to 70 min. In between lie 115 s (L1 phase: Miller, O'Keefe and Gao 2012,
J. Surv. Eng. 138), 5 to 20 min (Howind et al. 1999), about 20 min (El-Rabbany 1994) and 13 to 17 min (network RTK,
horizontal: Odolinski 2012, GPS Solutions 16, doi 10.1007/s10291-011-0213-0)."""
PASS = 1.43 / 2.55
"""Part of the absolute error that stays between rows: 1.43 of 2.55 cm (Carballido et al. 2014, Applied Engineering in
Agriculture 30(3), 361-366). Of a receiver without corrections it gives 2.2 m between two passes at 95 %; 0.98 to 2.25 m
were measured on a rail (Maldaner et al. 2021, Scientia Agricola 78(5), e20190252)."""


@dataclass(frozen=True)
class ReceiverClass:
    """A class of receiver at HDOP 1: its absolute error, m, and the source of that."""

    words: str
    absolute: float
    source: str

    @property
    def relative(self) -> float:
        """Error of one pass against the next, m."""
        return PASS * self.absolute


KINDS = {
    "rtk": ReceiverClass("RTK fixed", 0.0255, "2.55 cm by satellite: Carballido et al. 2014"),
    "rtk-float": ReceiverClass(
        "RTK float", 0.50, "10 to 50 cm horizontally (surveying glossaries; 4 to 18 inches in another), the worse",
    ),
    "differential": ReceiverClass(
        "satellite corrections", 0.43,
        "1.062 m at 95 % (Minneapolis, the worse of two), FAA WAAS PAN report 10, 2004, over 2.4477 (Rayleigh)",
    ),
    "autonomous": ReceiverClass(
        "no corrections", 2.0 / 2**0.5,
        "range error 2.0 m x HDOP / sqrt 2 (National Academies 4920, appendix C), so 3.5 m at 95 %; 0.85 to 4.22 m "
        "were measured (Maldaner et al. 2021), 8 m is promised (SPS Performance Standard 2020)",
    ),
    "phone": ReceiverClass(
        "a phone's or tablet's own", 3.2, "4.9 m radius (van Diggelen and Enge 2015), read as 68 %, over 1.51 (Rayleigh)",
    ),
}  # fmt: skip
OF_QUALITY = {1: "autonomous", 2: "differential", 3: "differential", 4: "rtk", 5: "rtk-float",
              6: "phone"}  # fmt: skip
"""By GGA fix quality (gpsd, "NMEA Revealed"); dead reckoning (6) is taken for the worst we name."""
ASSUMED = "phone"
"""What states nothing is no better than the worst we name."""
TOGETHER = 1 << 15
"""Fixes looked at at once, so that memory is not for all of a long trace."""


@dataclass(frozen=True)
class ReceiverError:
    """The errors of one stint's receiver over time.

    Attributes
    ----------
    t : ndarray, shape (n,)
        POSIX s from when on each pair of errors holds; the first holds before it too.
    relative, absolute : ndarray, shape (n,)
        m, 1 sigma per axis; absolute is never below relative.
    basis : str
        "stated error", "fix quality and HDOP", "stated HDOP", "fix quality", "named" or "not stated".
    words : str
        The class, for a person.
    """

    t: Floats
    relative: Floats
    absolute: Floats
    basis: str
    words: str

    def at(self, times: ArrayLike) -> tuple[Floats, Floats]:
        """Return the relative and absolute error at times, POSIX s; m."""
        n = np.maximum(np.searchsorted(self.t, times, side="right") - 1, 0)
        return self.relative[n], self.absolute[n]


def named(kind: str) -> ReceiverError:
    """Return a receiver of a class in `KINDS`; ValueError for another name."""
    if kind not in KINDS:
        raise ValueError(f"{kind!r} is no class of receiver; they are {', '.join(KINDS)}")
    one = KINDS[kind]
    return _constant(one.relative, one.absolute, "named", one.words)


def of_error(relative: float, absolute: float | None = None) -> ReceiverError:
    """Return a receiver with errors a person gave, m; ValueError unless 0 <= relative <= absolute."""
    absolute = relative if absolute is None else absolute
    if not 0 <= relative <= absolute:
        raise ValueError(f"errors of {relative} m in a session and {absolute} m across cannot be")
    return _constant(relative, absolute, "named", f"an error of {relative:g} m as given")


def judge(
    t: ArrayLike, sigma: ArrayLike | None = None, hdop: ArrayLike | None = None, quality: ArrayLike | None = None,
    *, xy: ArrayLike | None = None,
) -> ReceiverError:  # fmt: skip
    """Return the errors of a receiver from what its fixes state.

    Parameters
    ----------
    t : array_like, shape (n,)
        POSIX s.
    sigma : array_like, shape (n,), optional
        Stated standard deviation per axis (as in NMEA GST), m; NaN, 0 or None = not stated.
    hdop : array_like, shape (n,), optional
        NaN or None = not stated.
    quality : array_like, shape (n,), optional
        As in NMEA GGA; below 0 or None = not stated.
    xy : array_like, shape (n, 2), optional
        Places, m: then what the path between fixes may be off by is added (`interpolation_error`).

    Notes
    -----
    A stated error is the absolute one. HDOP multiplies the class's error: drms = HDOP x range error (National
    Academies 4920, appendix C).

    >>> said = judge([0.0], hdop=[0.9], quality=[1])  # 0.9 x 2.0 m is 1.8 m drms, both axes
    >>> round(float(said.absolute[0]) * 2**0.5, 2), said.basis
    (1.8, 'fix quality and HDOP')
    """
    t = np.atleast_1d(np.asarray(t, float))
    given = [None if one is None else np.atleast_1d(np.asarray(one)) for one in (sigma, hdop, quality)]
    absolute, codes, stated = np.empty(len(t)), np.zeros(len(KINDS), np.int64), np.zeros(4)
    for start in range(0, len(t), TOGETHER):
        some = slice(start, start + TOGETHER)
        absolute[some], *counts = _judged(len(t[some]), *(None if one is None else one[some] for one in given))
        codes, stated = codes + counts[0], stated + counts[1]
    words, basis = (
        KINDS[list(KINDS)[int(codes.argmax())] if len(t) else ASSUMED].words,
        _basis(*(stated >= max(len(t), 1) / 2)),
    )
    if basis == "not stated":
        words = f"not stated; taken for no better than {words}"
    if len(t) == 0:
        return _constant(KINDS[ASSUMED].relative, KINDS[ASSUMED].absolute, basis, words)
    if xy is not None:
        absolute = np.hypot(absolute, _filled(t, np.asarray(xy, float)))
    fresh = np.ones(len(t), bool)
    fresh[1:] = np.diff(absolute) != 0
    return ReceiverError(t[fresh], PASS * absolute[fresh], absolute[fresh], basis, words)


def spread(one: tuple[Floats, Floats], other: tuple[Floats, Floats], same: Bools, apart: Floats) -> Floats:
    """Return the standard deviation of the distance between two edges, m.

    Parameters
    ----------
    one, other : tuple of ndarray
        Relative and absolute error of each edge, m.
    same : ndarray of bool
        Both are of one session; else their errors are independent.
    apart : ndarray
        Time between them, s.

    Notes
    -----
    Each edge is off by sigma(dt)^2 = rel^2 + (abs^2 - rel^2)(1 - exp(-dt / LEAST_S)); two of them by
    the root of the sum (a first-order Gauss-Markov process seen at two moments). A longer memory makes it less.

    >>> rel, ab = np.array([0.3]), np.array([2.0])
    >>> [round(float(spread((rel, ab), (rel, ab), np.array([True]), np.array([dt]))[0]), 2)
    ...  for dt in (0.0, 60.0, 1e6)]
    [0.42, 2.26, 2.83]
    """
    grown = np.where(same, -np.expm1(-np.abs(apart) / LEAST_S), 1.0)
    parts = [rel**2 + (np.maximum(ab, rel) ** 2 - rel**2) * grown for rel, ab in (one, other)]
    return np.asarray(np.sqrt(parts[0] + parts[1]))


@lru_cache(maxsize=256)
def edge_error(quality: int | None, hdop: float | None) -> float:
    """Return the typical error of an edge against a pass a quarter of an hour before, 1 sigma, m.

    `quality` is as in NMEA GGA; `hdop` None or below 1 counts as 1. For advice and warnings; what is claimed
    of ground asks `spread`.

    >>> [round(edge_error(quality, None), 3) for quality in (4, 5, 2, 1, 6, None)]
    [0.014, 0.28, 0.241, 0.793, 1.795, 1.795]
    """
    return KINDS[OF_QUALITY.get(quality or 0, ASSUMED)].relative * max(1.0, hdop or 1.0)


def pass_to_pass_error(edges: Iterable[float]) -> float:
    """Return the likely error between two passes, m: 95 of 100 are smaller.

    `edges` are the errors of an edge by recent fixes, 1 sigma, m; their median counts. Both edges
    are wrong independently, sideways only (two-sided 95 % of a normal distribution).

    >>> round(pass_to_pass_error([0.22]), 2)
    0.61
    """
    return 1.96 * 2**0.5 * median(edges)


def error_process(times: Floats, drift: float, random: np.random.Generator) -> Floats:
    """Return a stationary Gauss-Markov process of unit variance with memory `drift` at rising times, s, (n,)."""
    keep = np.exp(-np.diff(times) / drift)
    steps = random.standard_normal(len(times))
    steps[1:] *= np.sqrt(1 - keep**2)
    out = np.empty(len(times))
    value = 0.0
    for n, (k, step) in enumerate(zip([0.0, *keep.tolist()], steps.tolist())):
        value = k * value + step
        out[n] = value
    return out


def _constant(relative: float, absolute: float, basis: str, words: str) -> ReceiverError:
    return ReceiverError(np.zeros(1), np.array([float(relative)]), np.array([float(absolute)]), basis, words)


def _filled(t: Floats, xy: Floats) -> float:
    """Return the error of the path between fixes at their usual interval and speed, m."""
    interval, speeds = logging_interval(t), []
    for start in range(0, len(t) - 1, TOGETHER):
        some = slice(start, start + TOGETHER + 1)
        step, apart = np.hypot(*np.diff(xy[some], axis=0).T), np.diff(t[some])
        moved = (apart > 0) & (step > 0)
        speeds.append(step[moved] / apart[moved])
    speed = np.concatenate([np.zeros(0), *speeds])
    return 0.0 if interval is None or not len(speed) else interpolation_error(interval, float(np.median(speed)))


def _judged(
    number: int, sigma: NDArray[Any] | None, hdop: NDArray[Any] | None, quality: NDArray[Any] | None
) -> tuple[Floats, Ints, Ints]:
    """Return the absolute errors of some fixes, m, how many are of each class, and how many state what, as `_basis` asks."""
    sigma, hdop = (np.full(number, np.nan) if one is None else one.astype(float, copy=False) for one in (sigma, hdop))
    names = list(KINDS)
    table = np.array([kind.absolute for kind in KINDS.values()])
    code = np.full(number, -1, np.int64)
    if quality is not None:
        for value, name in OF_QUALITY.items():
            code[quality == value] = names.index(name)
    has_sigma, has_hdop, has_quality = sigma > 0, hdop > 0, code >= 0
    code[~has_quality] = names.index(ASSUMED)
    known = has_sigma & ~has_quality
    code[known] = np.abs(np.log(sigma[known])[:, None] - np.log(table)).argmin(1)
    absolute = np.where(has_sigma, sigma, table[code] * np.where(has_hdop, hdop, 1.0))
    stated = np.array([np.count_nonzero(one) for one in (has_sigma, has_hdop & has_quality, has_hdop, has_quality)])
    return absolute, np.bincount(code, minlength=len(names)), stated


def _basis(*most: bool) -> str:
    """Return what most fixes state, the best first."""
    words = ("stated error", "fix quality and HDOP", "stated HDOP", "fix quality")
    return next((one for one, said in zip(words, most, strict=True) if said), "not stated")
