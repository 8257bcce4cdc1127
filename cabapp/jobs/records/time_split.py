"""A stint's hours, split: working, turning, waiting, travelling, broken, unknown; arrays in, seconds out.

All of it is elapsed time: a night on which the clocks go back is an hour longer. Cab, pages, tables and commands read
hours from here alone.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from cabapp.jobs.records.work_intervals import LOST, Span, Spans
from cabapp.track.activity import CALM_S_PER_M, STANDS_MPS
from cabapp.track.fixes.likely_places import likely_places
from cabapp.track.logging_interval import break_limit, logging_interval

KINDS = ("working", "turning", "waiting", "travelling", "broken", "unknown")
WORKING, TURNING, WAITING, TRAVELLING, BROKEN, UNKNOWN = range(6)
BROKEN_REASONS = ("broken",)
"""Stops that are a breakdown, whether or not somebody drove off for a part."""

TIGHT, TIGHTEST = 1.5, 12.0
"""A way bent tighter than so many tool widths, and than so many metres, is a turn (our own
choice: the way round the corner of a field belongs to its work, the way round the end of a pass
does not)."""
LOOK_S = 3.0
"""Speed and bend are taken over this long before and after a place, s; speed over longer where the places are noisy."""
LOST_S = 5.0
"""Farther than this from the nearest fix, s, how it moved is not known."""


@dataclass(frozen=True)
class Hours:
    """What was done when.

    `edges`: shape (n + 1,); POSIX s, rising.
    `kinds`: int, shape (n,); index into `KINDS` between each edge and the next.
    """

    edges: np.ndarray
    kinds: np.ndarray

    def seconds(self, begin: float = -np.inf, end: float = np.inf) -> dict[str, float]:
        """Seconds of each kind between two times, POSIX s; they add up to what lies between."""
        spans = np.diff(np.clip(self.edges, begin, end))
        found = np.bincount(self.kinds, spans, len(KINDS))
        return dict(zip(KINDS, found.tolist(), strict=True))


def worked(seconds: dict[str, float]) -> float:
    """Seconds at work, turns included."""
    return seconds["working"] + seconds["turning"]


def split(
    began: float,
    ended: float,
    work: Spans,
    idle: Iterable[tuple[float, float, str]],
    t: np.ndarray,
    xy: np.ndarray,
    width: float,
    lost: Sequence[Span] = (),
) -> tuple[Hours, float]:
    """Split a stint's time by its usable fixes, and return the way gone while working too, turns left out, m.

    `began`, `ended`: POSIX s.
    `work`: spans of work, POSIX s, in order.
    `idle`: spans without work, and why, in order.
    `t`, `xy`: shape (n,) and (n, 2); POSIX s, and m on a plane; they may be noisy or seldom.
    `width`: of the tool, m.
    `lost`: spans of work between two fixes too far apart, in order: whether it worked, turned or stood is unknown.

    Notes: Elsewhere, where there is no fix near, the taps alone decide: working or waiting.
    """
    interval = logging_interval(t)
    breaks = np.flatnonzero(np.diff(t) > max(LOST_S, break_limit(interval))) + 1
    t, xy, noise, _ = likely_places(t, xy, breaks, interval)
    idle = list(idle)
    broken_spans = [(begin, end) for begin, end, why in idle if why in BROKEN_REASONS]
    unseen = [(begin, end) for begin, end, why in idle if why == LOST]
    marks = [began, *(edge for span in (*work, *lost) for edge in span), ended]
    edges = np.unique(np.clip(np.concatenate([marks, t, t + LOST_S]), began, max(began, ended)))
    if len(edges) < 2:
        return Hours(np.array([began, began]), np.zeros(1, int)), 0.0
    middle = (edges[1:] + edges[:-1]) / 2
    works, broken = _within(middle, work), _within(middle, broken_spans)
    speed, radius = _motion(middle, t, xy, noise)
    with np.errstate(invalid="ignore"):
        kinds = np.where(works, WORKING, WAITING)
        kinds[works & (radius < max(TIGHT * width, TIGHTEST))] = TURNING
        kinds[works & (speed < STANDS_MPS)] = WAITING
        kinds[~works & (speed >= STANDS_MPS)] = TRAVELLING
    kinds[~works & broken] = BROKEN
    kinds[(works & _within(middle, lost)) | (~works & _within(middle, unseen))] = UNKNOWN
    step = np.hypot(*np.diff(xy, axis=0).T)
    at = np.clip(np.searchsorted(edges, (t[1:] + t[:-1]) / 2) - 1, 0, len(kinds) - 1)
    return Hours(edges, kinds), float(step[(kinds[at] == WORKING) & (np.diff(t) <= LOST_S)].sum())


def _within(at: np.ndarray, spans: Sequence[Span]) -> np.ndarray:
    """Return which times lie in one of the spans, which are in order."""
    edges = np.array(spans, float).ravel()
    inside: np.ndarray = np.searchsorted(edges, at, side="right") % 2 == 1
    return inside


def _motion(at: np.ndarray, t: np.ndarray, xy: np.ndarray, noise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Speed, m/s, and radius of the way, m, at times; NaN where no fix is near; `noise` of the places, m.

    The speed is the less of that before and after, so that a standstill begins and ends where it does.
    """
    speed = radius = np.full(len(at), np.nan)
    if len(t) < 2:
        return speed, radius
    before = at - t[np.clip(np.searchsorted(t, at, side="right") - 1, 0, None)]

    def moved(begin: np.ndarray, end: np.ndarray) -> np.ndarray:
        one, other = (np.column_stack([np.interp(when, t, xy[:, k]) for k in (0, 1)]) for when in (begin, end))
        way: np.ndarray = other - one
        return way

    look = np.maximum(LOOK_S, CALM_S_PER_M * np.interp(at, t, noise))
    slow = [
        np.hypot(*moved(a, b).T) / np.where(b > a, b - a, np.nan)
        for a, b in ((np.maximum(at - look, t[0]), at), (at, np.minimum(at + look, t[-1])))
    ]
    coming, going = moved(at - LOOK_S, at), moved(at, at + LOOK_S)
    a, b = np.hypot(*coming.T), np.hypot(*going.T)
    bend = np.abs(np.arctan2(_cross(coming, going), (coming * going).sum(axis=1)))
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = (a + b) / 2 / bend
    near = (before >= 0) & (before <= LOST_S) & (t[-1] > t[0])
    return np.where(near, np.fmin(*slow), np.nan), np.where(near, radius, np.nan)


def _cross(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    turned: np.ndarray = u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0]
    return turned


MOST_DAYS = 400
"""A span is cut into so many days at most: one that a bundle says lasts for centuries ends in one long piece."""


def days(began: float, ended: float, zone: ZoneInfo) -> list[tuple[str, float, float]]:
    """Cut a span of time at the farm's midnights.

    `began`, `ended`: POSIX s.

    Returns
    -------
    list of (str, float, float)
        `MOST_DAYS` at most, the last of which then holds the rest. Day as YYYY-MM-DD, begin and end, POSIX s.

    The night the clocks go back in Denver, from 22:00 to 06:00 on the wall: 2 h and 7 h, not 6.

    >>> denver = ZoneInfo("America/Denver")
    >>> began = datetime(2026, 10, 31, 22, tzinfo=denver).timestamp()
    >>> ended = datetime(2026, 11, 1, 6, tzinfo=denver).timestamp()
    >>> [(day, (b - a) / 3600) for day, a, b in days(began, ended, denver)]
    [('2026-10-31', 2.0), ('2026-11-01', 7.0)]
    """
    found: list[tuple[str, float, float]] = []
    at = began
    while True:
        day = datetime.fromtimestamp(at, zone).date()
        midnight = datetime.combine(day + timedelta(days=1), time(), zone).timestamp()
        if ended <= midnight or len(found) == MOST_DAYS - 1:
            return [*found, (day.isoformat(), at, ended)]
        found.append((day.isoformat(), at, midnight))
        at = midnight
