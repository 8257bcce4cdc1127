"""Computes the ground the tool swept from the antenna's fixes.

Fixes fed one at a time give the same pieces as fed all at once: both run the same statements, and every
result is rounded to a tick.
"""

import itertools
from bisect import bisect_right
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, replace
from math import ceil, hypot, inf, isnan, nan, pi, sqrt

import numpy as np
from numpy.typing import ArrayLike

from cabapp.geometry.angles import turn_between, turn_of
from cabapp.geometry.arrays import Bools, Floats, Ints, ranges
from cabapp.track.fixes.filter import Fix, FixFilter, doubt
from cabapp.track.fixes.smoothing import TrackSmoothing
from cabapp.track.fixes.white_noise import CALM, Noise, WhiteNoise
from cabapp.track.logging_interval import Unknown, WorkSpeed, break_limit, is_too_seldom
from cabapp.track.path import bend_of, curve, curve_of, far_enough, length_of, lengths, stretch_of
from cabapp.track.pose import PathEnd, Pose, pose_now
from cabapp.track.swept_ground import TICK, SweptPieces, swept, swept_few
from cabapp.track.tool import ToolGeometry
from cabapp.track.towing import Start, tool_heading, tow, tow_few
from cabapp.track.work_switches import SwitchTimeline, WorkSwitch

CUSP = np.deg2rad(100.0)
"""rad. A turn between two chords of more than this is a change of gear, forward to reverse or back."""
TIGHTEST = 5.0
"""m. Radius no machine turns inside of (common practice)."""
SLOWER = 0.85
"""Speed in a turn between sparse fixes, of the speed before it (common practice)."""
CRUISE = 6
"""Chords before, whose highest speed a machine is taken to keep in turns between sparse fixes."""
SAME_WAY = np.deg2rad(60.0)
"""rad. Two such turns that add up to less leave the direction as it was: one chord was driven back."""
SLIGHT = 0.2
"""rad. Bend of every chord by wandering alone, so that none is taken for exactly straight."""
SURE = 7.0
"""Standard errors of a noisy place that a machine must have moved to be surely somewhere else."""
BLOCK = 8192
"""Fixes taken at once: few enough that all arrays stay in cache."""


WAITING = 64
"""Noisy fixes of which a node may be the mean: more only come together at a standstill."""


@dataclass(frozen=True)
class MachineLimits:
    """What a machine can do.

    Attributes
    ----------
    max_gap : float
        Longest time between fixes that is not unknown ground, s.
    max_speed : float
        Faster is a jump, m/s.
    step : float
        Shortest move that gives a direction, m; see Notes for fixes with an error.
    leave : float | None
        Path after which ground swept again is a new visit, m; None = 2 working widths.
    reverse_speed, reverse_limit : float
        Faster (m/s) or farther (m) is no reversing.
    sparse : bool
        Fixes are so far apart that whole turns lie between two of them.
    seldom : bool
        They are so far apart that the way between any two of them is a guess.
    noise : Noise
        White noise of the fixes before it can be estimated from them.
    bow : float
        Most an end of the tool line may stray from the straight side of its piece, m.

    Notes
    -----
    All defaults are common practice, chosen for field machines at 1 to 10 fixes a second.

    The shortest move that gives a direction is

    - `step` for exact fixes;
    - 6 times a fix's own error where that is more, 4 steps at most (more would cut off turns); fixes of
      the last half of the way are then averaged, others are never moved;
    - two steps, or 7 times what noise is left, where the trace shows white noise: it is smoothed first.
    """

    max_gap: float = 5.0
    max_speed: float = 15.0
    step: float = 1.5
    leave: float | None = None
    reverse_speed: float = 1.6
    reverse_limit: float = 20.0
    bow: float = 0.04
    sparse: bool = False
    seldom: bool = False
    noise: Noise = CALM

    def at_interval(self, interval: float | None) -> "MachineLimits":
        """Return the limits for fixes so far apart in time, s; None = not known."""
        gap = max(self.max_gap, break_limit(interval))
        if gap == self.max_gap and self.seldom == (self.sparse and is_too_seldom(interval)):
            return self
        return replace(self, max_gap=gap, sparse=True, seldom=is_too_seldom(interval))

    def with_noise(self, noise: Noise) -> "MachineLimits":
        """Return the limits for fixes with such white noise at first."""
        return self if noise == self.noise else replace(self, noise=noise)


def leavings(near: Bools, before: bool = True) -> Bools:
    """Return which fixes are the first that are no longer `near`; `before` is the fix before them.

    >>> leavings(np.array([True, False, False, True, False])).tolist()
    [False, True, False, False, True]
    """
    return np.asarray(~near & np.concatenate([[before], near[:-1]]))


class SwathBuilder:
    """Builds the swept pieces of one stint from its fixes.

    A direction is known only from moving, so a piece is returned one `step` or one fix after its end.

    Attributes
    ----------
    used : int
        Fixes accepted.
    unknown : list of Unknown
        In the order of time.
    length : float
        Path of the antenna, m.
    """

    def __init__(self, tool: ToolGeometry, limits: MachineLimits = MachineLimits()) -> None:
        self.tool = tool
        self.limits = limits
        self.leave = round((2 * tool.width if limits.leave is None else limits.leave) / TICK)
        self.used = 0
        self.unknown: list[Unknown] = []
        self.length = 0.0
        self._pace = WorkSpeed()
        self._noise = WhiteNoise(limits.noise)
        self._noisy = False  # whether any fix ever was
        self._filter = FixFilter(limits.max_gap, limits.max_speed)
        self._switches = SwitchTimeline(tool)
        self._left: list[float] = []
        self._odometer = 0
        self._last: Fix | None = None  # newest accepted fix (t, x, y, sigma)
        self._fresh()

    def _fresh(self) -> None:
        """Forget the stretch before a break; odometer, noise and switches stay."""
        self._smoothing = TrackSmoothing()
        self._doubt = 0.0  # error of the first node, m, until the tractor has surely left it
        self._reached: Fix | None = None  # newest place that counts for the length of the path
        self._nodes = np.zeros((0, 3))  # t, x, y; the first is the start of what is not given out
        self._waiting: deque[list[float]] = deque(maxlen=WAITING)  # noisy fixes since the last node
        self._way = np.zeros(0)  # direction of motion of the chords between them
        self._gear = np.zeros(0)  # +1 forward, -1 backward
        self._backed = 0.0  # m gone backward since the cusp
        self._speed = inf  # along the last chord, m/s
        self._turn = self._dist = 0.0  # into the last chord, rad, and its length, m, where fixes are sparse
        self._speeds = np.zeros(0)  # along the last chords, m/s, where fixes are sparse
        self._driven = np.zeros(0)  # m, likely length of the path between the nodes, where fixes are sparse
        self._theta: float | None = None  # tractor heading at the first node
        self._pose: Start | None = None  # (centre x, y, tool heading) at the first node
        self._psi: float | None = None  # tool heading from straight chords only: says where to cut finer

    @property
    def first_noise(self) -> Noise | None:
        """White noise first estimated, or None while there are too few fixes."""
        return self._noise.first

    @property
    def rejected(self) -> dict[str, int]:
        """Fixes not used, by reason."""
        return self._filter.rejected

    def switch(self, switch: WorkSwitch) -> None:
        """Note that the tool starts or stops working; ValueError when times run backward."""
        self._switches.add(switch)

    def leave_ground(self, t: Floats) -> None:
        """Note when the tractor left the ground that is counted, POSIX s: what follows is no unknown ground."""
        self._left += sorted(t.tolist())

    def feed(
        self, t: ArrayLike, xy: ArrayLike, switches: Iterable[WorkSwitch] = (), sigma: ArrayLike | None = None,
        last: bool = False,
    ) -> SweptPieces:  # fmt: skip
        """Take fixes and return the pieces that are complete.

        Parameters
        ----------
        t : array_like, shape (n,)
            POSIX s.
        xy : array_like, shape (n, 2)
            Antenna, m on the plane, no NaN.
        switches : sequence of WorkSwitch
            Those up to the last of these fixes, if `switch` was not called for them.
        sigma : array_like, shape (n,), optional
            Standard error of each fix, m; NaN or None = not stated.
        last : bool
            Whether the stint ends with them: what is left is returned too, as `finish` does.
        """
        for one in switches:
            self.switch(one)
        t = np.atleast_1d(np.asarray(t, float))
        if len(t) == 1 and not last:
            x, y = np.asarray(xy, float).ravel().tolist()
            return self.feed_one(t.item(), x, y, nan if sigma is None else np.asarray(sigma, float).item())
        if len(t) > BLOCK:
            xy = np.asarray(xy, float).reshape(-1, 2)
            sigma = np.full(len(t), np.nan) if sigma is None else np.asarray(sigma, float)
            blocks = [slice(n, n + BLOCK) for n in range(0, len(t), BLOCK)]
            parts = (self.feed(t[b], xy[b], (), sigma[b], last and b is blocks[-1]) for b in blocks)
            return SweptPieces.gathered(parts, self.leave, 2 * len(t))
        rows = np.zeros((len(t), 6))
        rows[:, 0] = t
        rows[:, 1:3] = np.asarray(xy, float).reshape(-1, 2)
        if sigma is not None:
            rows[:, 3] = np.where(np.isnan(sigma), 0.0, sigma)
        noise = self._noise.feed(rows[:, :3])
        if noise is not CALM:
            self._noisy = True
            rows[:, 4:] = noise
            rows[:, 3] = doubt(rows[:, 3], rows[:, 4])
        rows, breaks = self._filter.feed(rows)
        self.used += len(rows)
        out = []
        cuts = [0, *np.flatnonzero(breaks).tolist(), len(rows)]
        for a, b in itertools.pairwise(cuts):
            if a == b:
                continue
            if breaks[a]:
                out.append(self._close())
                self._open(rows[a].tolist())
            self._note(rows[a:b], bool(breaks[a]))
            some = self._smoothing.feed(rows[a:b]) if self._noisy else rows[a:b]
            self._extend(some[int(breaks[a]) :])
            self._last = rows[b - 1].tolist()
            out.append(self._give(len(self._way) - 1))
        return SweptPieces.join([*out, self.finish()] if last else out, self.leave)

    def feed_one(self, t: float, x: float, y: float, sigma: float) -> SweptPieces:
        """Do what `feed` does with one fix in plain numbers."""
        row = [t, x, y, 0.0 if isnan(sigma) else sigma, 0.0, 0.0]
        noise = self._noise.feed_one(t, x, y)
        if noise is not CALM:
            self._noisy = True
            row[3:] = doubt(np.array(row[3:4]), np.array(noise[:1])).item(), *noise
        out = []
        for one, breaks in self._filter.feed_one(row):
            self.used += 1
            if breaks:
                out.append(self._close())
                self._open(one)
            if self.limits.seldom or one[0] >= self._pace.due:
                self._note(np.array([one]), breaks)
            if self._noisy:
                self._extend(self._smoothing.feed(np.array([one]))[int(breaks) :])
            elif not breaks and not self._extend_by_one(one):
                self._extend(np.array([one]))
            self._last = one
            out.append(self._give(len(self._way) - 1))
        return SweptPieces.join(out, self.leave)

    def finish(self) -> SweptPieces:
        """Return what is left at the end of the stint."""
        self._filter.flush()
        return self._close()

    # --- one stretch without a break ---------------------------------------------------------

    def _open(self, row: Fix) -> None:
        if self._last is not None:
            t0, x0, y0 = self._last[:3]
            t1, x1, y1 = row[:3]
            self._odometer += round(hypot(x1 - x0, y1 - y0) / TICK)
            gone = bisect_right(self._left, t0)
            if gone == len(self._left) or self._left[gone] > t1:
                self._lose(self._last, row, counted=False)
        self._last = self._reached = row
        self._doubt = row[4]
        self._nodes = np.array([row[:3]])

    def _lose(self, a: Fix, b: Fix, counted: bool) -> None:
        """Note work between two fixes of which the way is not known."""
        worked = self._switches.worked(a[0], b[0])
        if worked:
            time = b[0] - a[0]
            way = self._pace.speed(self._switches.worked) * time
            places = (a[1], a[2]), (b[1], b[2])
            self.unknown += [Unknown(t0, t1, *places, way, (t1 - t0) / time, counted) for t0, t1 in worked]

    def _note(self, rows: Floats, breaks: bool) -> None:
        """Take the fixes of a stretch for the speed of work, and what they leave unknown if they come too seldom."""
        if not self.limits.seldom:
            self._pace.take(rows)
            return
        last = None if breaks else self._last
        for n, one in enumerate(rows.tolist()):
            self._pace.take(rows[n : n + 1])
            if last is not None:
                self._lose(last, one, counted=True)
            last = one

    def _extend(self, rows: Floats) -> None:
        """Add those fixes that moved far enough from the node before to give a direction."""
        if len(rows) == 0 or self._reached is None:
            return
        need = self.limits.step * np.minimum(np.maximum(6 * rows[:, 3] / self.limits.step, 1), 4)
        smooth = need > self.limits.step
        noisy = None
        if self._noisy:
            noisy = rows[:, 4] > 0
            need[noisy] = np.maximum(2 * self.limits.step, SURE * rows[noisy, 3])
            smooth &= ~noisy
        if noisy is not None and self._doubt > 0:
            skip = self._surely_left(rows)
            self._nodes_of(rows[:skip], noisy[:skip], rows[skip - 1 : skip, :3] if self._doubt == 0 else rows[:0, :3])
            rows, need, smooth, noisy = rows[skip:], need[skip:], smooth[skip:], noisy[skip:]
            if len(rows) == 0:
                return
        before = np.concatenate([self._nodes[-1:, 1:], rows[:-1, 1:3]])
        moved = rows[:, 1:3] - before
        far = moved[:, 0] * moved[:, 0] + moved[:, 1] * moved[:, 1] >= need * need
        if not self._waiting and far.all():
            chosen = rows[:, :3]
        else:
            chosen = far_enough(rows, need, smooth, self._nodes[-1, 1:], self._waiting)
        self._nodes_of(rows, noisy, chosen)

    def _extend_by_one(self, row: Fix) -> bool:
        """Do what `_extend` does with one fix in plain numbers; return False, and do nothing, if errors are large."""
        t, x, y, error = row[:4]
        need = self.limits.step * min(max(6 * error / self.limits.step, 1), 4)
        if need > self.limits.step or self._waiting or self._reached is None:
            return False
        x0, y0 = self._reached[1:3]
        self.length += sqrt((x - x0) * (x - x0) + (y - y0) * (y - y0))
        self._reached = row
        t0, x0, y0 = self._nodes[-1].tolist()
        dx, dy = x - x0, y - y0
        if dx * dx + dy * dy < need * need:
            return True
        if len(self._way) and not self.limits.sparse and self._gear[-1] > 0:
            way = float(np.arctan2(dy, dx))
            if abs(turn_of(self._way.item(-1), way)) <= CUSP:
                self._speed = sqrt(dx * dx + dy * dy) / (t - t0)
                self._nodes = np.concatenate([self._nodes, [[t, x, y]]])
                self._way = np.append(self._way, way)
                self._gear = np.append(self._gear, 1.0)
                return True
        self._add(np.array([[t, x, y]]))
        return True

    def _surely_left(self, rows: Floats) -> int:
        """Return how many rows there are up to the first surely away from a noisy start, or all; then it is settled."""
        moved = rows[:, 1:3] - self._nodes[-1, 1:]
        error = rows[:, 3] * rows[:, 3] + self._doubt * self._doubt
        far = moved[:, 0] * moved[:, 0] + moved[:, 1] * moved[:, 1] >= SURE * SURE / 2 * error
        if not far.any():
            return len(rows)
        self._doubt = 0.0
        return int(far.argmax()) + 1

    def _nodes_of(self, rows: Floats, noisy: Bools | None, chosen: Floats) -> None:
        """Add the nodes chosen of some rows; noise alone is no way, so noisy rows count for its length by their nodes."""
        way = rows if noisy is None else rows[~noisy | np.isin(rows[:, 0], chosen[:, 0])]
        if len(way) and self._reached is not None:
            self.length += float(lengths(np.array(self._reached[1:3]), way[:, 1:3]).sum())
            self._reached = way[-1].tolist()
        if len(chosen):
            self._add(chosen)

    def _add(self, nodes: Floats) -> None:
        first = len(self._way)
        self._nodes = np.concatenate([self._nodes, nodes])
        step = self._nodes[first + 1 :] - self._nodes[first:-1]
        way = np.arctan2(step[:, 2], step[:, 1])
        dist = length_of(step[:, 1], step[:, 2])
        speed = dist / step[:, 0]
        gear = np.ones(len(way))
        if first:
            way_all = np.concatenate([self._way[-1:], way])
            gear[:] = self._gear[-1]
        else:
            way_all = np.concatenate([way[:1], way])
        turn = turn_between(way_all[:-1], way_all[1:])
        cusp = np.abs(turn) > CUSP
        if self.limits.sparse:
            cusp &= ~self._steered(turn, speed, step[:, 0])
        if cusp.any() or gear[0] < 0:
            self._gears(gear, cusp, speed, dist)
        if self.limits.sparse:
            self._back_and_on(turn, speed, dist, gear)
        self._speed = speed[-1]
        self._way = np.concatenate([self._way, way])
        self._gear = np.concatenate([self._gear, gear])

    def _steered(self, turn: Floats, speed: Floats, dt: Floats) -> Bools:
        """Return which turns, rad, between sparse fixes a machine can make forward; note the likely path."""
        every = np.concatenate([np.zeros(CRUISE), self._speeds, speed])
        cruise = np.max([every[len(every) - len(speed) - back :][: len(speed)] for back in range(CRUISE + 1)], axis=0)
        self._speeds = every[-CRUISE:]
        way = np.where(dt <= 0.75 * self.limits.max_gap, cruise * dt, 0.0)
        self._driven = np.concatenate([self._driven, way])
        return np.abs(turn) * TIGHTEST <= way

    def _back_and_on(self, turn: Floats, speed: Floats, dist: Floats, gear: Floats) -> None:
        """Set the gear of single chords between sparse fixes that go slowly back on a way held before and after."""
        if len(self._gear):
            turn = np.concatenate([[self._turn], turn])
            speed, dist = np.concatenate([[self._speed], speed]), np.concatenate([[self._dist], dist])
        back = (np.abs(turn[:-1]) > CUSP) & (np.abs(turn[1:]) > CUSP)
        back &= np.abs(turn_between(0.0, turn[:-1] + turn[1:])) < SAME_WAY
        back &= (speed[:-1] < self.limits.reverse_speed) & (dist[:-1] <= self.limits.reverse_limit)
        self._turn, self._dist = float(turn[-1]), float(dist[-1])
        if len(self._gear):
            self._gear[-1:] = np.where(back[:1], -1.0, self._gear[-1:])
            back = back[1:]
        gear[:-1] = np.where(back, -1.0, gear[:-1])

    def _gears(self, gear: Floats, cusp: Bools, speed: Floats, dist: Floats) -> None:
        """Set forward or backward: a cusp taken slowly changes it."""
        now, before = gear[0], self._speed
        for i in range(len(gear)):
            if cusp[i] and min(speed[i], before) < self.limits.reverse_speed:
                now = -now
                self._backed = 0.0
            before = speed[i]
            if now < 0:
                self._backed += dist[i]
                if speed[i] > self.limits.reverse_speed or self._backed > self.limits.reverse_limit:
                    now = 1.0
            gear[i] = now

    def _close(self) -> SweptPieces:
        """Return the rest of a stretch, its last heading estimated from the turn before."""
        if self._noisy:
            self._extend(self._smoothing.feed(np.zeros((0, 6)), last=True))
        out = self._give(len(self._way))
        self._fresh()
        return out

    def _give(self, count: int) -> SweptPieces:
        """Return the pieces of the first `count` chords; all but the very last heading come from both sides."""
        if count <= 0:
            return SweptPieces.none(self.leave)
        if count == 1 and len(self._way) == 2 and not self.limits.sparse:
            return self._give_one()
        nodes, way, gear = self._nodes, self._way, self._gear
        dist = lengths(nodes[0, 1:], nodes[1:, 1:])
        nose = np.where(gear > 0, way, way + pi)
        # heading at a node: tangent of the circle through it and its neighbours
        turn = turn_between(nose[:-1], nose[1:])
        share = dist[:-1] / (dist[:-1] + dist[1:])
        if self.limits.sparse:
            bend = bend_of(dist, self._driven) + SLIGHT
            share = bend[:-1] / (bend[:-1] + bend[1:])
        inner = nose[:-1] + turn * share
        if self._theta is None:
            self._theta = nose[0] - turn_between(nose[0], inner[0]) if len(inner) else nose[0]
        theta = np.concatenate([[self._theta], inner[:count]])
        if len(theta) <= count:
            theta = np.append(theta, nose[-1] + np.clip(turn_between(theta[-1], nose[-1]), -0.5, 0.5))
        stretch: Floats | float = 1.0
        if self.limits.sparse:
            stretch = np.where(
                gear[:count] > 0, stretch_of(nose[:count], theta, dist[:count], self._driven[:count] * SLOWER), 1.0
            )
            self._driven = self._driven[count:]
        out = self._sweep(nodes[: count + 1], nose[:count], gear[:count], dist[:count], theta, stretch)
        self._theta = theta[count]
        self._nodes, self._way, self._gear = nodes[count:], way[count:], gear[count:]
        return out

    def _give_one(self) -> SweptPieces:
        """Do what `_give` does with the first of two chords, and `_sweep` of it, in plain numbers."""
        nodes, gear = self._nodes.tolist(), self._gear.item(0)
        first, second = (w if g > 0 else w + pi for w, g in zip(self._way.tolist(), self._gear.tolist()))
        (_, ax, ay), (_, bx, by), (_, cx, cy) = nodes
        dist = sqrt((bx - ax) * (bx - ax) + (by - ay) * (by - ay))
        following = sqrt((cx - bx) * (cx - bx) + (cy - by) * (cy - by))
        inner = first + turn_of(first, second) * (dist / (dist + following))
        theta = first - turn_of(first, inner) if self._theta is None else float(self._theta)
        if self._switches.between(nodes[0][0], nodes[1][0]):
            nose, gears, dists = (np.array([value]) for value in (first, gear, dist))
            out = self._sweep(self._nodes[:2], nose, gears, dists, np.array([theta, inner]), 1.0)
        else:
            out = self._sweep_one(nodes[0], nodes[1], first, gear, dist, theta, inner)
        self._theta = inner
        self._nodes, self._way, self._gear = self._nodes[1:], self._way[1:], self._gear[1:]
        return out

    def _sweep_one(
        self, start: list[float], end: list[float], nose: float, gear: float, dist: float, first: float, last: float
    ) -> SweptPieces:
        """Do what `_sweep` does with one chord in which nothing switches; `first` and `last` are its headings, rad."""
        tool = self.tool
        bend = 2 * max(abs(turn_of(nose, first)), abs(turn_of(nose, last)))
        if tool.hitch:
            before = nose if self._psi is None else float(self._psi)
            self._psi = float(tool_heading(before, [nose], [dist], [gear], [first, last], tool.hitch)[1])
            bend = max(bend, abs(turn_of(before, self._psi)))
        outer = dist + bend * (tool.width / 2 + abs(tool.side))
        parts = min(max(ceil(sqrt(bend * outer / (8 * self.limits.bow))), 1), 60)
        shares = [(n + 1) / parts for n in range(parts)]
        x, y, heading = curve_of(start, end, first, last, gear, dist, shares)
        t = [start[0] + u * (end[0] - start[0]) for u in shares]
        pose = (start[1], start[2], first, None) if self._pose is None else self._pose
        ends_x, ends_y, psi = tow_few(tool, pose, x, y, heading, gear, nose)
        self._pose = (x[-1], y[-1], heading[-1], psi[-1])

        works = self._switches.at((start[0] + t[0]) / 2)
        across, along = np.sin(psi).tolist(), np.cos(psi).tolist()
        x, y = [pose[0], *x], [pose[1], *y]
        quads, s0, s1, when = [], [], [], []
        for n in range(parts):
            dx, dy = x[n + 1] - x[n], y[n + 1] - y[n]
            before, ticks = self._odometer, round(sqrt(dx * dx + dy * dy) / TICK)
            self._odometer += ticks
            if gear < 0 or ticks == 0:
                continue
            for left, right in works:
                corners = ((n, left), (n, right), (n + 1, right), (n + 1, left))
                quads.append(
                    (
                        [round((ends_x[k] - across[k] * off) * (1 / TICK)) * TICK for k, off in corners],
                        [round((ends_y[k] + along[k] * off) * (1 / TICK)) * TICK for k, off in corners],
                    )
                )
                s0.append(before)
                s1.append(self._odometer)
                when.append(t[n])
        return swept_few(quads, s0, s1, when, self.leave)

    def _sweep(
        self, nodes: Floats, nose: Floats, gear: Floats, dist: Floats, theta: Floats, stretch: Floats | float
    ) -> SweptPieces:
        bend = 2 * np.maximum(np.abs(turn_between(nose, theta[:-1])), np.abs(turn_between(nose, theta[1:])))
        if self.tool.hitch:
            if self._psi is None:
                self._psi = nose[0]
            coarse = tool_heading(self._psi, nose, dist, gear, theta, self.tool.hitch)
            bend = np.maximum(bend, np.abs(turn_between(coarse[:-1], coarse[1:])))
            self._psi = coarse[-1]
        # rise of an arc: radius (of the outer end) times the square of its angle, over 8
        outer = dist * stretch + bend * (self.tool.width / 2 + abs(self.tool.side))
        parts = np.sqrt(bend * outer / (8 * self.limits.bow))
        parts = np.minimum(np.maximum(np.ceil(parts), 1), 60).astype(int)
        seg, u = self._cut(nodes, parts)
        x, y, heading = curve(nodes, theta, gear, dist, seg, u, stretch)
        t = nodes[seg, 0] + u * (nodes[seg + 1, 0] - nodes[seg, 0])
        start = (nodes[0, 1], nodes[0, 2], theta[0], None) if self._pose is None else self._pose
        xy = np.empty((len(x), 2))
        xy[:, 0], xy[:, 1] = x, y
        centre, psi, first_psi = tow(self.tool, start, xy, heading, gear[seg], nose[0])
        self._pose = (x[-1], y[-1], heading[-1], psi[-1])

        ticks = np.rint(lengths(np.array(start[:2], float), xy) / TICK).astype(np.int64)
        s1 = self._odometer + np.cumsum(ticks)
        s0 = s1 - ticks
        self._odometer = int(s1[-1])

        t0 = np.concatenate([[nodes[0, 0]], t[:-1]])
        which, edges = self._switches.intervals((t0 + t) / 2)
        credit = (gear[seg] > 0) & (ticks > 0)
        if not credit.all():
            which, edges = which[credit[which]], edges[credit[which]]
        psis = np.concatenate([[first_psi], psi])
        across = np.empty((len(psis), 2))
        across[:, 0], across[:, 1] = -np.sin(psis), np.cos(psis)
        quad = np.empty((2, 4, len(which))).T  # corner by corner in one stretch of memory
        for at, corner in ((which, 0), (which + 1, 3)):
            middle, out = centre[at], across[at]
            quad[:, corner] = middle + out * edges[:, :1]
            quad[:, 1 + corner // 3] = middle + out * edges[:, 1:]
        quad = np.rint(quad * (1 / TICK)) * TICK
        return swept(quad, s0[which], s1[which], t[which], self.leave)

    def _cut(self, nodes: Floats, parts: Ints) -> tuple[Ints, Floats]:
        """Return chord and place along it (0 to 1] of every piece's end, switches included."""
        if parts.max() == 1:
            seg, u = np.arange(len(parts)), np.ones(len(parts))
        else:
            seg = np.repeat(np.arange(len(parts)), parts)
            u = (ranges(np.zeros_like(parts), parts) + 1) / parts[seg]
        inside = self._switches.between(nodes[0, 0], nodes[-1, 0])
        if inside:
            at = np.array(inside)
            k = np.searchsorted(nodes[:, 0], at, side="right") - 1
            share = (at - nodes[k, 0]) / (nodes[k + 1, 0] - nodes[k, 0])
            seg, u = np.concatenate([seg, k]), np.concatenate([u, share])
            order = np.lexsort((u, seg))
            seg, u = seg[order], u[order]
            fresh = np.concatenate([[True], (np.diff(seg) > 0) | (np.diff(u) > 0)])
            fresh &= u > 0
            seg, u = seg[fresh], u[fresh]
        return seg, u

    @property
    def odometer(self) -> int:
        """Path up to the last piece returned, ticks."""
        return self._odometer

    @property
    def pose(self) -> Pose | None:
        """Pose at the newest fix, or None before two nodes."""
        if self._last is None or len(self._way) == 0:
            return None
        track = PathEnd(self._nodes, self._way, self._gear, self._theta, self._pose)
        return pose_now(self.tool, track, self._last, self._switches.part(self._last[0]))
