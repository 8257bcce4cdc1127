"""Angles: wrapping. Pure."""

from math import pi


def wrap(angle):
    """Return angles brought to [-pi, pi), rad."""
    return (angle + pi) % (2 * pi) - pi
