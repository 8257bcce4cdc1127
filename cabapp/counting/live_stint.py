"""The stint that is going on: its swept pieces, pose and stated accuracy so far."""

from array import array
from collections import Counter

import numpy as np

from cabapp.geometry.arrays import Bools, Floats
from cabapp.track.course import Course
from cabapp.track.logging_interval import LoggingInterval
from cabapp.track.pose import Pose
from cabapp.track.receiver_error import ReceiverError, judge
from cabapp.track.swath import MachineLimits, SwathBuilder, leavings
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

MANY = 2000  # small arrays, after which they are joined: each costs more than what it holds


class LiveStint:
    """Collects the pieces of one stint as its fixes come.

    Parameters
    ----------
    key : str
    start : float
        POSIX s.
    tool : ToolGeometry
    limits : MachineLimits

    Attributes
    ----------
    marked : int
        How many of the builder's unknown stretches are marked in the grid.
    unusable : Counter
        Fixes that could not be used, by reason.
    away : tuple of float or None
        Place of the newest fix where it is not on counted ground, m.
    """

    def __init__(self, key: str, start: float, tool: ToolGeometry, limits: MachineLimits) -> None:
        self.key, self.start = key, start
        self._limits = limits
        self.builder = SwathBuilder(tool, limits)
        self.course = Course()
        self.marked = 0
        self._interval = LoggingInterval()
        self._switches: list[WorkSwitch] = []
        # of the usable ones as plain numbers: time, place, whether it is on counted ground, stated error, HDOP, quality
        self._fixes = tuple(array("d") for _ in range(7))
        self.unusable: Counter[str] = Counter()
        self.away: tuple[float, float] | None = None
        self._pose: Pose | None = None
        self._bare: Pose | None = None  # as the newest chords give it
        self._parts: list[SweptPieces] = []

    @property
    def has_pieces(self) -> bool:
        """Whether the tool has swept any ground."""
        return bool(self._parts)

    def switch(self, switch: WorkSwitch) -> None:
        """Note that the tool starts or stops working, or a wing goes up."""
        self.builder.switch(switch)
        self._switches.append(switch)
        self._pose = self._bare = None

    def note_fixes(self, t: Floats, xy: Floats, near: Bools, *stated: Floats | None) -> bool:
        """Keep usable fixes; return whether they change how those before are read (`again`).

        `stated` are their error, HDOP and quality, each None where not stated.
        """
        columns = (np.full(len(t), np.nan) if said is None else said for said in stated)
        for kept, column in zip(self._fixes, (t, xy[:, 0], xy[:, 1], near.astype(float), *columns), strict=True):
            kept.extend(column.tolist())
        self._interval.add(t)
        return self.misread

    def note_fix(self, fix: tuple[float, ...], near: bool) -> bool:
        """Do what `note_fixes` does with one: time, place, error, HDOP and quality, NaN where not stated."""
        for kept, value in zip(self._fixes, (*fix[:3], near, *fix[3:]), strict=True):
            kept.append(value)
        self._interval.add_one(fix[0])
        return self.misread

    @property
    def misread(self) -> bool:
        """Whether the fixes were taken by another logging interval or noise than is known of them now."""
        rules = self._rules
        return rules is not self.builder.limits and rules != self.builder.limits

    @property
    def _rules(self) -> MachineLimits:
        first = self.builder.first_noise
        rules = self._limits.at_interval(self._interval.interval)
        return rules.with_noise(self.builder.limits.noise if first is None else first)

    def again(self) -> SweptPieces:
        """Return the pieces of all fixes that were noted, by the logging interval and noise now known."""
        self.builder = SwathBuilder(self.builder.tool, self._rules)
        for one in self._switches:
            self.builder.switch(one)
        self.marked, self._parts, self.away, self.course = 0, [], None, Course()
        t, x, y, near, sigma = (np.array(kept) for kept in self._fixes[:5])
        return self.feed(t, np.column_stack([x, y]), near > 0, sigma)

    def feed(self, t: Floats, xy: Floats, near: Bools, sigma: Floats | None) -> SweptPieces:
        """Take usable fixes, as `SwathBuilder.feed`, and return the new pieces of those on counted ground."""
        told = np.isfinite(xy[:, 0])
        if told.any():
            self.course.feed(t[told], xy[told])
        self._pose = self._bare = None
        if not near.all():
            self.builder.leave_ground(t[leavings(near, self.away is None)])
            self.away = None if near[-1] else (float(xy[-1, 0]), float(xy[-1, 1]))
            t, xy, sigma = t[near], xy[near], None if sigma is None else sigma[near]
        else:
            self.away = None
        return self._keep(self.builder.feed(t, xy, sigma=sigma)) if len(t) else SweptPieces.none(self.builder.leave)

    def feed_one(self, t: float, x: float, y: float, sigma: float) -> SweptPieces:
        """Do what `feed` does with one fix on counted ground, in plain numbers."""
        self.course.feed_one(t, x, y)
        self._pose = self._bare = self.away = None
        return self._keep(self.builder.feed_one(t, x, y, sigma))

    def finish(self) -> SweptPieces:
        """Return the pieces left at the end of the stint."""
        return self._keep(self.builder.finish())

    def _keep(self, pieces: SweptPieces) -> SweptPieces:
        if len(pieces):
            self._parts.append(pieces)
            if len(self._parts) > MANY:
                self._parts = [self.pieces()]
        return pieces

    def pieces(self) -> SweptPieces:
        """Return all pieces so far."""
        return SweptPieces.join(self._parts, self.builder.leave)

    def receiver(self) -> ReceiverError:
        """Return the error of the receiver as its fixes state it."""
        t, x, y, _, *stated = (np.array(kept) for kept in self._fixes)
        return judge(t, *stated, xy=np.column_stack([x, y]))

    @property
    def usable(self) -> tuple[Floats, Floats, Bools]:
        """Times, POSIX s, places, (n, 2), m, and whether on counted ground, of the usable fixes."""
        t, x, y, near = (np.array(kept) for kept in self._fixes[:4])
        return t, np.column_stack([x, y]), near > 0

    @property
    def pose(self) -> Pose | None:
        """Place of tractor and tool now; heading and curvature are those of the last seconds."""
        if self._pose is None and self.away is not None:
            self._pose = self.course.bare(self.builder.tool)
        elif self._pose is None:
            pose = self._of_chords()
            self._pose = pose and self.course.calm(pose)
        return self._pose

    def steady_pose(self) -> Pose | None:
        """Return the pose to look ahead with; None before the tool has moved, and off counted ground."""
        pose = None if self.away is not None else self._of_chords()
        return pose and self.course.steady(pose)

    def _of_chords(self) -> Pose | None:
        if self._bare is None:
            self._bare = self.builder.pose
        return self._bare

    @property
    def unknown_s(self) -> float:
        """Time worked without a usable position, s."""
        return sum(one.end - one.begin for one in self.builder.unknown if not one.counted)
