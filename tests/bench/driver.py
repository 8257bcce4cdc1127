"""A simulated person driving half-laps, and things that go wrong. All figures are made up.

Lengths m, times s, angles rad; x across the passes, y along them. A lane is x at every metre of y
from 0 to the length of the field's rows.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from cabapp.common.units import FOOT
from cabapp.planning.half_lap import best_inside
from cabapp.track.tool import ToolGeometry

WIDTH = 45 * FOOT
TOOL = ToolGeometry(WIDTH, hitch=7.0, antenna_to_hitch=2.5)
BEHIND = 10.0  # the roller rolls so far behind the antenna
SIGMA = 2 * FOOT
AIM = WIDTH / 2 - best_inside(SIGMA, 5)
RADIUS = 10.0
WANDER, SMOOTH = 100.0, 15.0
KINDS = ("drift", "wrong start", "wavy edge", "stepped edge", "block ahead", "closing strip")
GROUNDS = ("turns outside", "headland last", "headland first")


@dataclass
class Drive:
    """A path at 1 Hz: true places (n, 2), times, and which pass (-1: a turn) each belongs to."""

    t: np.ndarray
    xy: np.ndarray
    part: np.ndarray


def wander(rng, n, far=WANDER):
    """Return a Gauss-Markov process, shape (n,), of deviation 1 at 1 m, as smooth as a tractor."""
    pad = int(4 * SMOOTH)
    keep = np.exp(-1 / far)
    out = np.empty(n + 2 * pad)
    out[0] = rng.normal()
    noise = rng.normal(0, np.sqrt(1 - keep**2), len(out))
    for i in range(1, len(out)):
        out[i] = keep * out[i - 1] + noise[i]
    # the filter takes about a tenth of the deviation away
    return gaussian_filter1d(out, SMOOTH)[pad : pad + n] / np.sqrt(1 - 1.13 * SMOOTH / far)


def next_lane(rng, lane, aim=AIM, sigma=SIGMA):
    """Return the lane beside one: half of the variance is constant along it, half wanders."""
    error = rng.normal() + wander(rng, len(lane))
    return lane + aim + sigma * np.sqrt(0.5) * error


def weave(rng, lane):
    """Return a lane as it is driven: with the small quick swings of steering, 0.08 m."""
    quick = gaussian_filter1d(rng.normal(size=len(lane)), 8.0)
    return lane + 0.08 * quick / quick.std()


def omega(start, end, up):
    """Return a turn at the end of a row from one place to another beside it, at a radius."""
    (x0, y0), (x1, y1) = start, end
    side, d = (1.0 if x1 >= x0 else -1.0), abs(x1 - x0)
    r = RADIUS
    if d < 2 * r:
        a = np.arctan2(np.sqrt(4 * r * r - (r + d / 2) ** 2), r + d / 2)
        first = np.linspace(0, a, 30)
        one = np.column_stack([-r + r * np.cos(first), r * np.sin(first)])
        top = np.linspace(np.pi + a, -a, 80)
        h = np.sqrt(4 * r * r - (r + d / 2) ** 2)
        two = np.column_stack([d / 2 + r * np.cos(top), h + r * np.sin(top)])
        last = np.linspace(np.pi - a, np.pi, 30)
        three = np.column_stack([d + r + r * np.cos(last), r * np.sin(last)])
        turn = np.concatenate([one, two[1:], three[1:]])
    else:
        a = np.linspace(np.pi, np.pi / 2, 40)
        one = np.column_stack([r + r * np.cos(a), r * np.sin(a)])
        b = np.linspace(np.pi / 2, 0, 40)
        two = np.column_stack([d - r + r * np.cos(b), r * np.sin(b)])
        turn = np.concatenate([one, two])
    turn = turn * (side, up)
    # the rows' ends may lie a little apart along the row
    shift = np.linspace(0, 1, len(turn))[:, None] * [0, y1 - y0]
    return turn + np.array([x0, y0]) + shift


def drive(rng, lanes, start, speed, upward=True):
    """Return the drive along lanes one after the other, to and fro, with turns between."""
    places, part = [], []
    for n, lane in enumerate(lanes):
        up = 1 if upward == (n % 2 == 0) else -1
        y = np.arange(len(lane), dtype=float)
        # the roller is behind: go on until it is out, and come in with it straight
        y, x = np.concatenate([[-BEHIND], y, [y[-1] + BEHIND]]), np.pad(lane, 1, mode="edge")
        row = np.column_stack([x, y])[::up]
        if n:
            turn = omega(places[-1][-1], row[0], -up)
            places.append(turn[1:-1])
            part.append(np.full(len(turn) - 2, -1))
        places.append(row)
        part.append(np.full(len(row), n))
    path, part = np.concatenate(places), np.concatenate(part)
    step = np.hypot(*np.diff(path, axis=0).T)
    pace = speed * np.where(part < 0, 0.7, 1.0)[1:]
    pace = pace * (1 + 0.03 * wander(rng, len(pace), 200.0))
    t = np.concatenate([[0], np.cumsum(step / pace)])
    at = np.arange(0, t[-1])
    xy = np.column_stack([np.interp(at, t, path[:, i]) for i in (0, 1)])
    return Drive(start + at, xy, part[np.searchsorted(t, at)])


def received(rng, places, sigma):
    """Return places as a receiver gives them: a slow error of sigma (200 s), a tenth of it quick
    and 1 cm of noise."""
    n = len(places)
    keep = np.exp(-1 / 200)
    out = np.empty((n, 2))
    out[0] = rng.normal(0, sigma, 2)
    noise = rng.normal(0, sigma * np.sqrt(1 - keep**2), (n, 2))
    for i in range(1, n):
        out[i] = keep * out[i - 1] + noise[i]
    return places + out + rng.normal(0, 0.1 * sigma + 0.01, (n, 2))


def bump(rng, n, height):
    """Return a swelling of that height somewhere in the middle of n metres."""
    y, middle, half = np.arange(n), rng.uniform(0.4, 0.6) * n, rng.uniform(50, 100)
    u = np.clip((y - middle) / half, -1, 1)
    return height * (1 + np.cos(np.pi * u)) / 2


def drifted(rng, lane, upward, over):
    """Return a lane that from somewhere on strays to the left by `over`, and where (m driven)."""
    n = len(lane)
    at = rng.uniform(0.25, 0.5) * n
    steep = np.tan(np.deg2rad(rng.uniform(3, 12)))
    y = np.arange(n) if upward else np.arange(n)[::-1]
    shift = np.clip((y - at) * steep, 0, over)
    return lane - gaussian_filter1d(shift, 5.0), at


def lanes_of_another(rng, kind, edge, n, upward):
    """Return the pieces of lanes (x, y) another person left finished up to x = edge, and more;
    who comes along the edge, upward or not, meets the step in the middle."""
    y = np.arange(n, dtype=float)
    if kind == "block ahead":
        low, size = rng.uniform(0.4, 0.6) * n, rng.uniform(40, 120)
        part = (y >= low - size / 2) & (y <= low + size / 2)
        places = edge + WIDTH / 2 * np.arange(-3, 6)
        return [(np.full(part.sum(), x), y[part]) for x in places]
    swell = bump(rng, n, rng.uniform(0.5, 0.9) * WIDTH) if kind == "wavy edge" else np.zeros(n)
    out = [(edge - j * WIDTH / 2 + swell, y) for j in range(4)]
    if kind == "stepped edge":
        more = int(rng.integers(1, 3))
        step = rng.uniform(0.4, 0.6) * n
        part = y > step if upward else y < step
        out += [(np.full(part.sum(), edge + (j + 1) * WIDTH / 2), y[part]) for j in range(more)]
    return out
