"""Angles and directions. Pure."""

from collections.abc import Iterable
from typing import Any

import numpy as np

from cabapp.geometry.arrays import Floats

TURN = 2 * np.pi


def wrap(angle: Any) -> Any:
    """Return angles brought to [-pi, pi], rad.

    >>> float(wrap(3 * np.pi / 2)) == -np.pi / 2, float(wrap(-0.5))
    (True, -0.5)
    """
    return angle - TURN * np.rint(angle / TURN)  # a remainder takes several times as long


def turn_between(start: Any, end: Any) -> Any:
    """Return the shorter turn from one heading to another, rad in [-pi, pi]."""
    return wrap(end - start)


def turn_of(start: float, end: float) -> float:
    """Return `turn_between` of two plain numbers, many times faster."""
    turn = end - start
    return turn - TURN * round(turn / TURN)


def wrap_positive(angle: Any) -> Floats:
    """Return angles brought to [0, 2 pi), rad; a rounding error below a whole turn gives 0."""
    angle = np.mod(angle, TURN)
    return np.where(angle > TURN - 1e-9, 0.0, angle)


def axial_mean(batches: Iterable[tuple[Floats, Floats]]) -> float:
    """Return the mean direction of steps, either way along it, rad in [0, pi); 0 without steps.

    `batches`: pairs of arrays, shape (n,); steps east and north, m.

    Notes: The doubled angles are averaged, weighted by length (axial data: Mardia and Jupp, Directional Statistics,
    2000, section 1.1).

    >>> round(axial_mean([(np.array([2.0, -1.0]), np.array([2.0, -1.0]))]), 4)  # there and back are one direction
    0.7854
    """
    along = across = 0.0
    for east, north in batches:
        size = np.sqrt(east * east + north * north)
        sine = north / np.where(size == 0, 1.0, size)
        # not as a product of matrices, for which a library may start threads
        along += float((size - 2 * north * sine).sum())
        across += float((2 * east * sine).sum())
    return float(np.arctan2(across, along) / 2 % np.pi)
