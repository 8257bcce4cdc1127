"""Geometry of a hand-steered tractor and its towed tool, m and rad counter-clockwise from east.

It shares no code with ``cabapp.track``: expected results must not come from the program under test.
"""

from dataclasses import dataclass

import numpy as np

STEP = 0.25
"""Distance between two points of a path, m."""


@dataclass(frozen=True)
class Path:
    """Path of the tractor's rear axle: m, m/s, and the part of the work; arrays of shape (n,).

    ``part`` numbers lanes, ring and rounds; it is negative in turns.
    """

    x: np.ndarray
    y: np.ndarray
    speed: np.ndarray
    part: np.ndarray

    @property
    def heading(self) -> np.ndarray:
        """Direction of travel at each point, rad, unwrapped."""
        return np.unwrap(np.arctan2(np.gradient(self.y), np.gradient(self.x)))

    def cut(self, part: slice) -> "Path":
        """Return the path over some of its points."""
        return Path(self.x[part], self.y[part], self.speed[part], self.part[part])


def joined(paths: list[Path]) -> Path:
    """Return paths end to end."""
    return Path(*(np.concatenate([getattr(p, name) for p in paths]) for name in ("x", "y", "speed", "part")))


def line(points: np.ndarray, speed: float, part: int) -> Path:
    """Return a polyline, shape (k, 2), m, resampled evenly, driven at `speed` m/s."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    s = np.linspace(0.0, along[-1], max(2, round(along[-1] / STEP) + 1))
    return Path(
        np.interp(s, along, points[:, 0]),
        np.interp(s, along, points[:, 1]),
        np.full(len(s), speed),
        np.full(len(s), part),
    )


def turn(start: tuple, end: tuple, radius: float, speed: float, part: int) -> Path:
    """Return the shortest way between two poses ``(x, y, heading)`` that turns no tighter than `radius`.

    Notes: L. E. Dubins, "On curves of minimal length with a constraint on average curvature", American Journal of
    Mathematics 79 (1957) 497-516; the six words in the form of Shkel and Lumelsky (2001), from memory. Lanes closer
    than two radii give a loop.

    >>> loop = turn((0, 0, 0.0), (0, 6.2, 3.14159265), 8.0, 2.0, -1)
    >>> bool(loop.x.max() > 15)
    True
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    d, angle = np.hypot(dx, dy) / radius, np.arctan2(dy, dx)
    a, b = start[2] - angle, end[2] - angle
    best = min(_words(d, a, b), key=lambda word: abs(word[1]).sum())
    x, y, heading = start
    xs, ys = [np.array([x])], [np.array([y])]
    for bend, length in zip(*best):
        s = np.linspace(0.0, length, max(2, int(np.ceil(length * radius / STEP)) + 1))[1:]
        if bend == 0:
            xs.append(x + radius * s * np.cos(heading))
            ys.append(y + radius * s * np.sin(heading))
        else:
            xs.append(x + radius * bend * (np.sin(heading + bend * s) - np.sin(heading)))
            ys.append(y - radius * bend * (np.cos(heading + bend * s) - np.cos(heading)))
            heading += bend * length
        x, y = xs[-1][-1], ys[-1][-1]
    return line(np.column_stack([np.concatenate(xs), np.concatenate(ys)]), speed, part)


def _words(d: float, a: float, b: float) -> list:
    """All Dubins words that exist: ``((bend, bend, bend), lengths in radii)``."""
    turns = 2 * np.pi
    sa, ca, sb, cb, cab = np.sin(a), np.cos(a), np.sin(b), np.cos(b), np.cos(a - b)
    found = []

    def keep(bends, t, p, q):
        found.append((bends, np.array([t % turns, p, q % turns])))

    square = 2 + d * d - 2 * cab + 2 * d * (sa - sb)
    if square >= 0:
        way = np.arctan2(cb - ca, d + sa - sb)
        keep((1, 0, 1), way - a, np.sqrt(square), b - way)
    square = 2 + d * d - 2 * cab + 2 * d * (sb - sa)
    if square >= 0:
        way = np.arctan2(ca - cb, d - sa + sb)
        keep((-1, 0, -1), a - way, np.sqrt(square), way - b)
    square = d * d - 2 + 2 * cab + 2 * d * (sa + sb)
    if square >= 0:
        p = np.sqrt(square)
        way = np.arctan2(-ca - cb, d + sa + sb) - np.arctan2(-2.0, p)
        keep((1, 0, -1), way - a, p, way - b)
    square = d * d - 2 + 2 * cab - 2 * d * (sa + sb)
    if square >= 0:
        p = np.sqrt(square)
        way = np.arctan2(ca + cb, d - sa - sb) - np.arctan2(2.0, p)
        keep((-1, 0, 1), a - way, p, b - way)
    cosine = (6 - d * d + 2 * cab + 2 * d * (sa - sb)) / 8
    if abs(cosine) <= 1:
        p = turns - np.arccos(cosine)
        t = a - np.arctan2(ca - cb, d - sa + sb) + p / 2
        keep((-1, 1, -1), t, p, a - b - t + p)
    cosine = (6 - d * d + 2 * cab + 2 * d * (sb - sa)) / 8
    if abs(cosine) <= 1:
        p = turns - np.arccos(cosine)
        t = -a - np.arctan2(ca - cb, d + sa - sb) + p / 2
        keep((1, -1, 1), t, p, b - a - t + p)
    return found


def towed(path: Path, axle_to_hitch: float, hitch_to_line: float) -> np.ndarray:
    """Return x, y, m, of a towed tool's working line and its heading, rad, shape (n, 3).

    Notes: The tool follows its hitch: ``d psi / ds = sin(theta - psi) / L``, with theta the direction in which the
    hitch moves.
    """
    heading = path.heading
    hx, hy = path.x - axle_to_hitch * np.cos(heading), path.y - axle_to_hitch * np.sin(heading)
    moved = np.hypot(np.diff(hx), np.diff(hy))
    theta = np.arctan2(np.diff(hy), np.diff(hx))
    psi = np.empty(len(hx))
    psi[0] = heading[0]
    for k in range(len(moved)):
        middle = psi[k] + moved[k] / 2 * np.sin(theta[k] - psi[k]) / hitch_to_line
        psi[k + 1] = psi[k] + moved[k] * np.sin(theta[k] - middle) / hitch_to_line
    return np.column_stack([hx - hitch_to_line * np.cos(psi), hy - hitch_to_line * np.sin(psi), psi])


def timed(path: Path, stands: dict[int, float]) -> np.ndarray:
    """Return the seconds at which each point is reached; `stands` gives seconds of standing after a point."""
    moved = np.hypot(np.diff(path.x), np.diff(path.y))
    # A driver slows before a turn and picks up after it: speeds spread over about 10 m.
    kernel = np.hanning(41)
    near = np.pad(path.speed, 20, mode="edge")
    speed = np.convolve(near, kernel / kernel.sum(), mode="valid")
    dt = moved / ((speed[1:] + speed[:-1]) / 2)
    for index, seconds in stands.items():
        dt[index] += seconds
    return np.concatenate([[0.0], np.cumsum(dt)])
