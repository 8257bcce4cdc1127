"""Drives along known curves, through our own sweeping."""

import numpy as np
import pytest

from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.work_switches import WorkSwitch

ALWAYS = WorkSwitch(-np.inf, True)


@pytest.fixture
def driven():
    """Sweep one drive along points a metre or so apart at 2 m/s; return the last pose and the pieces."""

    def drive(tool, xy, t=None):
        xy = np.asarray(xy, float)
        if t is None:
            t = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))]) / 2.0
        sweeper = SwathBuilder(tool)
        first = sweeper.feed(t, xy, [ALWAYS])
        pose = sweeper.pose
        return pose, SweptPieces.join([first, sweeper.finish()], sweeper.leave)

    return drive


@pytest.fixture
def circle():
    """Points on a circle about 0, 0, driven counter-clockwise from the east, 1 Hz at 2 m/s."""

    def points(radius, angle, step=2.0):
        a = np.linspace(0, angle, round(radius * angle / step) + 1)
        return radius * np.column_stack([np.cos(a), np.sin(a)])

    return points
