"""Where the tractor is between two fixes: led on at its pace, and set right softly at the next.

Arithmetic only, no Kivy. A map that moved only when a fix comes would jerk.
"""

import math

from cabapp.geometry.angles import turn_between

LONGEST_S = 1.5  # led on no longer than this: then nobody knows
SOFT_S = 0.2  # in which most of an error is taken back
SLOWEST = 0.3  # m/s; below it a pose is noise
JUMP_M = 5.0  # an error so large is shown at once


class PoseExtrapolation:
    """Takes poses as they come and says where the tractor is at any moment after.

    >>> from types import SimpleNamespace as Pose
    >>> glide = PoseExtrapolation()
    >>> glide.feed(Pose(x=0.0, y=0.0, heading=0.0, speed=3.0, curvature=0.0, reversing=False), 10.0)
    >>> glide.at(10.1)
    (0.3, 0.0, 0.0)
    """

    def __init__(self):
        self._pose, self._since, self._off = None, 0.0, (0.0, 0.0, 0.0)

    def feed(self, pose, at: float) -> None:
        """Take the newest pose, or None, at a moment of any steady clock, s."""
        if pose is self._pose:
            return
        off = (0.0, 0.0, 0.0)
        if pose is not None and self._pose is not None:
            x, y, heading = self.at(at)
            if math.hypot(x - pose.x, y - pose.y) < JUMP_M:
                off = x - pose.x, y - pose.y, turn_between(pose.heading, heading)
        self._pose, self._since, self._off = pose, at, off

    def at(self, t: float) -> tuple[float, float, float]:
        """Return x and y, m, and the heading, rad, at a moment not before the last pose."""
        pose = self._pose
        away = min(LONGEST_S, max(0.0, t - self._since))
        left = math.exp(-away / SOFT_S)
        gone = pose.speed * away if pose.speed > SLOWEST else 0.0
        gone = -gone if pose.reversing else gone
        heading = pose.heading + pose.curvature * gone
        middle = (pose.heading + heading) / 2
        return (
            pose.x + gone * math.cos(middle) + left * self._off[0],
            pose.y + gone * math.sin(middle) + left * self._off[1],
            heading + left * self._off[2],
        )
