"""Geometry of a hand-steered tractor and the tool it tows, for the invented farm.

Everything here works in plane metres (x east, y north) and radians
counter-clockwise from east. It shares no code with ``cabapp.coverage``: the
demo's truth must not be made by the program that is measured against it.
"""

from dataclasses import dataclass

import numpy as np

STEP = 0.25
"""Distance between two points of a path, m."""


@dataclass(frozen=True)
class Path:
    """Where the tractor's rear axle goes.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Rear axle, m.
    speed : ndarray, shape (n,)
        Speed at each point, m/s.
    part : ndarray of int, shape (n,)
        Number of the part of the work (lane, ring, round); negative in turns.
    """

    x: np.ndarray
    y: np.ndarray
    speed: np.ndarray
    part: np.ndarray

    @property
    def heading(self) -> np.ndarray:
        """Direction of travel at each point, rad, unwrapped."""
        return np.unwrap(np.arctan2(np.gradient(self.y), np.gradient(self.x)))


def joined(paths: list[Path]) -> Path:
    """Put paths end to end.

    Parameters
    ----------
    paths : list of Path
        In the order driven; each starts where the one before ended.

    Returns
    -------
    Path
    """
    return Path(*(np.concatenate([getattr(p, name) for p in paths]) for name in ("x", "y", "speed", "part")))


def line(points: np.ndarray, speed: float, part: int) -> Path:
    """Resample a polyline evenly.

    Parameters
    ----------
    points : ndarray, shape (k, 2)
        Vertices, m.
    speed : float
        Speed along it, m/s.
    part : int
        Number of the part of the work.

    Returns
    -------
    Path
    """
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    s = np.linspace(0.0, along[-1], max(2, round(along[-1] / STEP) + 1))
    return Path(
        np.interp(s, along, points[:, 0]),
        np.interp(s, along, points[:, 1]),
        np.full(len(s), speed),
        np.full(len(s), part),
    )


def turn(start: tuple, end: tuple, radius: float, speed: float, part: int) -> Path:
    """Shortest way between two poses that never turns tighter than `radius`.

    Parameters
    ----------
    start, end : tuple of float
        ``(x, y, heading)``, m and rad.
    radius : float
        Tightest turn, m.
    speed : float
        Speed in the turn, m/s.
    part : int
        Number of the part of the work.

    Returns
    -------
    Path

    Notes
    -----
    L. E. Dubins, "On curves of minimal length with a constraint on average
    curvature", American Journal of Mathematics 79 (1957) 497-516; the six
    words in the form of Shkel and Lumelsky (2001), from memory. Two lanes
    closer than two radii give the loop every operator knows from a headland.

    Examples
    --------
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
    """Centre of a towed tool's working line while the tractor drives `path`.

    Parameters
    ----------
    path : Path
        Rear axle of the tractor.
    axle_to_hitch : float
        Hitch behind the rear axle, m.
    hitch_to_line : float
        Working line behind the hitch, m.

    Returns
    -------
    ndarray, shape (n, 3)
        x, y of the working line's centre (m) and the tool's heading (rad).

    Notes
    -----
    The tool follows its hitch: ``d psi / ds = sin(theta - psi) / L``, with
    theta the direction in which the hitch moves.
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
    """Seconds from the start at which each point of `path` is reached.

    Parameters
    ----------
    path : Path
        What is driven.
    stands : dict
        Index of a point to the seconds the tractor stands still just after it.

    Returns
    -------
    ndarray, shape (n,)
    """
    moved = np.hypot(np.diff(path.x), np.diff(path.y))
    # A driver slows before a turn and picks up after it: speeds spread over about 10 m.
    kernel = np.hanning(41)
    near = np.pad(path.speed, 20, mode="edge")
    speed = np.convolve(near, kernel / kernel.sum(), mode="valid")
    dt = moved / ((speed[1:] + speed[:-1]) / 2)
    for index, seconds in stands.items():
        dt[index] += seconds
    return np.concatenate([[0.0], np.cumsum(dt)])
