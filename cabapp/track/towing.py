"""How a towed tool follows its hitch. Knows no ground and no time.

Off-tracking: d(psi)/ds = sin(theta - psi) / L, whose exact solution along a straight stretch of
hitch path of length d and direction theta is
tan((psi1 - theta)/2) = tan((psi0 - theta)/2) exp(-d/L)  (the tractrix: ProofWiki, "Equation of
Tractrix"; Sayers 1991, Vehicle System Dynamics 20(5), 297-308, for its use off the road).
"""

import itertools
from math import cos, exp, sin, sqrt

import numpy as np
from numpy.typing import ArrayLike

from cabapp.geometry.arrays import Floats
from cabapp.track.path import length_of
from cabapp.track.tool import ToolGeometry

Start = tuple[float, float, float, float | None]
"""Antenna x, y (m), tractor heading and tool heading (rad; None = not known) where a piece starts."""


def tool_heading(
    psi: float, way: ArrayLike, dist: ArrayLike, gear: ArrayLike, theta: ArrayLike, length: float
) -> Floats:
    """Return the tool's heading at each node of its hitch's path, rad, shape (n + 1,).

    Parameters
    ----------
    psi : float
        Heading at the first node, rad.
    way, dist : array_like, shape (n,)
        Direction (rad) and length (m) of each chord of the hitch's path.
    gear : array_like, shape (n,)
        Below 0 = reversing: a towed tool backs unsteadily, so it is only turned with the tractor.
    theta : array_like, shape (n + 1,)
        The tractor's heading at the nodes, rad; used in reverse only.
    length : float
        Hitch to working line, m, above 0.

    Notes
    -----
    Half angles make each step linear: (cos, sin)(psi/2) turned into the chord's frame, its second
    part shrunk by exp(-d/L), and turned back. So no tangent runs to infinity.

    Examples
    --------
    A hitch that pulls straight away from a tool standing square to it, one drawbar length of 6 m
    (tractrix: tan(psi/2) = exp(-1)):

    >>> float(tool_heading(np.pi / 2, [0.0], [6.0], [1], [0, 0], 6.0)[1].round(5))
    0.70503
    """
    ways, dists, gears, turns = (np.asarray(one, float).tolist() for one in (way, dist, gear, np.diff(theta)))
    return np.array(_followed(float(psi), ways, dists, gears, turns, length))


def _followed(
    psi: float, way: list[float], dist: list[float], gear: list[float], turns: list[float], length: float
) -> list[float]:
    """Return `tool_heading` of plain numbers; `turns` are the tractor's, rad."""
    out = [psi]
    half_c, half_s = cos(psi / 2), sin(psi / 2)
    for a, d, g, turn in zip(way, dist, gear, turns):
        if g < 0:
            c, s = cos(turn / 2), sin(turn / 2)
            half_c, half_s = half_c * c - half_s * s, half_s * c + half_c * s
        else:
            c, s = cos(a / 2), sin(a / 2)
            along, across = half_c * c + half_s * s, half_s * c - half_c * s
            across *= exp(-d / length)
            size = (along * along + across * across) ** 0.5
            if size > 0:
                along, across = along / size, across / size
                half_c, half_s = along * c - across * s, across * c + along * s
        out.append(2 * float(np.arctan2(half_s, half_c)))
    return out


def tow(
    tool: ToolGeometry, start: Start, xy: Floats, heading: Floats, gear: Floats, first_way: float
) -> tuple[Floats, Floats, float]:
    """Return where the tractor's middle line meets the working line, and the tool's headings.

    Parameters
    ----------
    tool : ToolGeometry
    start : Start
    xy : ndarray, shape (n, 2)
        Antenna, m.
    heading, gear : ndarray, shape (n,)
        Tractor's, rad; below 0 = reversing.
    first_way : float
        The tool's heading where none is known before, rad.

    Returns
    -------
    centre : ndarray, shape (n + 1, 2)
        m, the place before included.
    psi : ndarray, shape (n,)
        rad.
    psi0 : float
        The heading before, rad.
    """
    theta = np.concatenate([[start[2]], heading])
    place = np.concatenate([[start[:2]], xy])
    hitch = place
    if tool.antenna_to_hitch:
        hitch = place - tool.antenna_to_hitch * np.column_stack([np.cos(theta), np.sin(theta)])
    if not tool.hitch:
        return hitch, heading, start[2]
    step = np.diff(hitch, axis=0)
    psi0 = first_way if start[3] is None else start[3]
    way = np.arctan2(step[:, 1], step[:, 0])
    psi = tool_heading(psi0, way, length_of(step[:, 0], step[:, 1]), gear, theta, tool.hitch)
    centre = hitch - tool.hitch * np.column_stack([np.cos(psi), np.sin(psi)])
    return centre, psi[1:], psi0


def tow_few(
    tool: ToolGeometry,
    start: Start,
    x: list[float],
    y: list[float],
    heading: list[float],
    gear: float,
    first_way: float,
) -> tuple[list[float], list[float], list[float]]:
    """Return `tow` of a few places on one chord in plain numbers: x and y of the middle line, and all headings."""
    theta = [start[2], *heading]
    x, y = [start[0], *x], [start[1], *y]
    if tool.antenna_to_hitch:
        x, y = _behind(x, y, theta, tool.antenna_to_hitch)
    if not tool.hitch:
        return x, y, theta
    dx, dy, turns = ([b - a for a, b in itertools.pairwise(one)] for one in (x, y, theta))
    way = np.arctan2(dy, dx).tolist()
    dist = [sqrt(east * east + north * north) for east, north in zip(dx, dy)]
    psi = _followed(first_way if start[3] is None else start[3], way, dist, [gear] * len(way), turns, tool.hitch)
    return *_behind(x, y, psi, tool.hitch), psi


def _behind(x: list[float], y: list[float], heading: list[float], back: float) -> tuple[list[float], list[float]]:
    east = [place - back * c for place, c in zip(x, np.cos(heading).tolist())]
    return east, [place - back * s for place, s in zip(y, np.sin(heading).tolist())]
