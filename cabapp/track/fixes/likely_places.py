"""Where a machine likely was between and about its fixes: noise smoothed as for the count, seldom fixes joined by curves."""

from typing import NamedTuple

import numpy as np

from cabapp.geometry.arrays import Floats, Ints
from cabapp.track.fixes.smoothing import TrackSmoothing
from cabapp.track.fixes.white_noise import CALM, WhiteNoise, first_noise

FINE_S = 1.0
"""s. Longer between fixes is filled in, where they come more seldom than `OFTEN_S`."""
OFTEN_S = 2.0
BLOCK = 8192
"""Fixes taken at once."""


class LikelyPlaces(NamedTuple):
    """Times, POSIX s, places, (n, 2), m, and the noise left in each, m, 1 sigma; `fix`: index of each fix in them."""

    t: Floats
    xy: Floats
    noise: Floats
    fix: Ints


def likely_places(t: Floats, xy: Floats, breaks: Ints, interval: float | None) -> LikelyPlaces:
    """Return likely places of a trace.

    Parameters
    ----------
    t : ndarray, shape (n,)
        POSIX s, rising.
    xy : ndarray, shape (n, 2)
        m.
    breaks : ndarray of int
        Fixes before which the machine was unseen for too long.
    interval : float or None
        Logging interval, s.
    """
    parts, noise = np.split(np.arange(len(t)), breaks), np.zeros(len(t))
    level, levels = WhiteNoise(first_noise(t, xy)), []
    for start in range(0, len(t), BLOCK):
        part = slice(start, start + BLOCK)
        levels.append(level.feed(np.column_stack([t[part], xy[part]])))
    if any(one is not CALM for one in levels):
        rows = np.column_stack([t, xy, np.zeros((len(t), 3))])
        for n, one in enumerate(levels):
            rows[n * BLOCK : (n + 1) * BLOCK, 4:] = one
        rows = np.concatenate([TrackSmoothing().feed(rows[part], last=True) for part in parts])
        xy, noise = rows[:, 1:3], rows[:, 3]
    if interval is None or interval <= OFTEN_S:
        return LikelyPlaces(t, xy, noise, np.arange(len(t)))
    found = [_filled(t[part], xy[part]) for part in parts]
    times, places = (np.concatenate(column) for column in zip(*found, strict=True))
    fix = np.searchsorted(times, t)
    return LikelyPlaces(times, places, np.interp(times, t, noise), fix)


def _filled(t: Floats, xy: Floats) -> tuple[Floats, Floats]:
    """Return times `FINE_S` apart, the fixes' own among them, and places on a curve through the fixes.

    Notes
    -----
    Cubic Hermite pieces whose speed at a fix is that from the one before to the one after (Catmull and Rom 1974, Computer
    Aided Geometric Design, 317-326), but at most three times that of either side, which keeps a standstill at its
    place (Fritsch and Carlson 1980, SIAM J. Numer. Anal. 17, 238-246).
    """
    if len(t) < 2:
        return t, xy
    times = np.union1d(t, np.arange(t[0], t[-1], FINE_S))
    chord = np.diff(xy, axis=0) / np.diff(t)[:, None]
    speed = np.hypot(*chord.T)
    slope = np.concatenate([chord[:1], (xy[2:] - xy[:-2]) / (t[2:] - t[:-2])[:, None], chord[-1:]])
    most = 3 * np.minimum(np.append(speed, speed[-1]), np.append(speed[0], speed))
    slope *= np.minimum(1.0, most / np.maximum(np.hypot(*slope.T), 1e-9))[:, None]
    at = np.clip(np.searchsorted(t, times, side="right") - 1, 0, len(t) - 2)
    step = (t[at + 1] - t[at])[:, None]
    u = (times - t[at])[:, None] / step
    places = (
        (1 + 2 * u) * (1 - u) ** 2 * xy[at] + u * (1 - u) ** 2 * step * slope[at]
        + u * u * (3 - 2 * u) * xy[at + 1] - u * u * (1 - u) * step * slope[at + 1]
    )  # fmt: skip
    places[np.searchsorted(times, t)] = xy
    return times, places
