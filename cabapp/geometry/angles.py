"""Angles and directions. Pure."""

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

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


def wrap_positive(angle: Any) -> Floats:
    """Return angles brought to [0, 2 pi), rad; a rounding error below a whole turn gives 0."""
    angle = np.mod(angle, TURN)
    return np.where(angle > TURN - 1e-9, 0.0, angle)


def axial_mean(batches: Iterable[NDArray[np.complex128]]) -> float:
    """Return the mean direction of steps, either way along it, rad in [0, pi); 0 without steps.

    `batches`: complex, shape (n,); steps, m: east + i north.

    Notes: The doubled angles are averaged, weighted by length (axial data: Mardia and Jupp, Directional Statistics,
    2000, section 1.1). A complex number squared has twice the angle.

    >>> round(axial_mean([np.array([2 + 2j, -1 - 1j])]), 4)  # there and back are one direction
    0.7854
    """
    double: complex = 0j
    for step in batches:
        size = np.abs(step)
        double += complex(step @ (step / np.where(size == 0, 1.0, size)))
    return float(np.angle(double) / 2 % np.pi)
