"""Paths to count over, and an exact reference by polygon overlay."""

import numpy as np
import pytest
import shapely
from shapely.geometry import box

from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.edge_error import EdgeErrors
from cabapp.counting.gaps import list_gaps
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.receiver_error import DRIFT_S, KINDS, error_process, named
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch


def half_lap_path(width, side, spacing=0.25, loop=22.0, lanes=None, first=None):
    """Return places (n, 2), m, every `spacing` m: straight lanes half a width apart, loop turns."""
    count = int(side / (width / 2)) if lanes is None else lanes
    x = width / 2 if first is None else first
    parts, up = [], 1
    for _ in range(count):
        run = np.arange(0, side, spacing)
        parts.append(np.column_stack([np.full(len(run), x), run if up > 0 else side - run]))
        share = np.linspace(0, 1, 400)[1:-1]
        bulb = -loop * 0.7 * np.sin(2 * np.pi * share)
        over = (side if up > 0 else 0) + up * loop * np.sin(np.pi * share)
        parts.append(np.column_stack([x + width / 2 * share + bulb, over]))
        x, up = x + width / 2, -up
    return np.concatenate(parts[:-1])


def at_rate(path, speed, hertz):
    """Return times (s) and places (m) along a path at a speed and a number of fixes a second."""
    run = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    s = np.arange(0, run[-1], speed / hertz)
    xy = np.column_stack([np.interp(s, run, path[:, 0]), np.interp(s, run, path[:, 1])])
    return np.arange(len(s)) / hertz, xy


def overlay(polygons, clip=None):
    """Return the exact area covered by exactly n of some polygons, as {n: m2}, by shapely.

    All outlines are noded together, the faces polygonised, and the polygons over each counted.
    """
    lines = shapely.union_all(shapely.boundary(np.array(polygons)), grid_size=1e-4)
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(lines)))
    tree = shapely.STRtree(polygons)
    face, _ = tree.query(shapely.point_on_surface(faces), predicate="within")
    count = np.bincount(face, minlength=len(faces))
    area = shapely.area(faces if clip is None else shapely.intersection(faces, clip))
    return {n: float(area[count == n].sum()) for n in range(1, count.max() + 1)}


def visit_polygons(pieces):
    """Return, for each piece, the ground on which it adds a pass: the visit rule, by shapely."""
    polygons = shapely.make_valid(shapely.polygons(pieces.quad))
    out = []
    for n, one in enumerate(polygons):
        m = n
        while m > 0 and pieces.s0[n] - pieces.s1[m - 1] <= pieces.leave:
            m -= 1
        fresh = one
        if m < n:
            # without a grid GEOS now and then loses a whole face
            earlier = shapely.union_all(polygons[m:n], grid_size=1e-4)
            fresh = shapely.difference(one, earlier, grid_size=1e-4)
        out += [p for p in shapely.get_parts(fresh) if p.geom_type == "Polygon" and p.area > 1e-6]
    return out


@pytest.fixture
def make_path():
    return half_lap_path


@pytest.fixture
def sampled():
    return at_rate


@pytest.fixture
def exact_overlay():
    return overlay


@pytest.fixture
def exact_visits():
    return visit_polygons


class Simulation:
    """True passes, the same as a receiver of some class would tell of them, and the ground of each.

    Straight lanes along y from 0 to `length`, driven up and down at 3 m/s, one side after the
    other; every group of lanes is a stint of its own day.
    """

    def __init__(self, kind, random, width=12.0, length=300.0, every=2.0, turn=25.0, brief=None):
        self.kind, self.random, self.width, self.length = kind, random, width, length
        self.every, self.turn, self.brief = every, turn, brief

    def lanes(self, x, day=0):
        """Return times and places of lanes at some x, [(t, xy), ...]."""
        start, out = day * 86400.0, []
        y = np.arange(0, self.length + 1e-9, 3.0 * self.every)
        for n, at in enumerate(x):
            t = start + np.arange(len(y)) * self.every
            out.append((t, np.column_stack([np.full(len(y), at), y if n % 2 == 0 else y[::-1]])))
            start = t[-1] + self.turn
        return out

    def observed(self, lanes):
        """Return the lanes with Gauss-Markov errors of the class: a drift of an hour, and a brief
        part that either wanders (memory `brief`, s) or, None, stays the same along each lane."""
        kind, random = KINDS[self.kind], self.random
        t = np.concatenate([t for t, _ in lanes])
        sizes = [len(t) for t, _ in lanes]
        drift = np.sqrt(kind.absolute**2 - kind.relative**2)
        errors = []
        for _ in "xy":
            if self.brief is None:
                rest = np.repeat(random.standard_normal(len(lanes)), sizes)
            else:
                rest = error_process(t, self.brief, random)
            errors.append(drift * error_process(t, DRIFT_S, random) + kind.relative * rest)
        parts = np.split(np.column_stack(errors), np.cumsum(sizes)[:-1])
        return [(t, xy + error) for (t, xy), error in zip(lanes, parts, strict=True)]

    def pieces(self, lanes):
        """Return what the tool sweeps along lanes, lifted in the turns."""
        sweeper = SwathBuilder(ToolGeometry(self.width))
        for t, _ in lanes:
            sweeper.switch(WorkSwitch(t[0] - 1e-6, True))
            sweeper.switch(WorkSwitch(t[-1], False))
        t, xy = (np.concatenate([lane[n] for lane in lanes]) for n in (0, 1))
        return SweptPieces.join([sweeper.feed(t, xy), sweeper.finish()], sweeper.leave)


class Claims:
    """What was said of gaps between neighbouring lanes, against the truth."""

    def __init__(self):
        self.sure = self.sure_real = self.wide = self.wide_found = 0

    def field(self, kind, seed, share, count=24, brief=None):
        """Simulate a field: neighbours overlap 0.4 +- 0.25 m (driving), but a share of them miss.

        Misses are up to 6 times the width the receiver can tell (2.33 sigma). Two stints, a day
        apart.
        """
        random = np.random.default_rng(seed)
        sim, one = Simulation(kind, random, brief=brief), KINDS[kind]
        near = np.sqrt(one.relative**2 - (one.absolute**2 - one.relative**2) * np.expm1(-(100.0 + sim.turn) / DRIFT_S))
        lap = random.normal(0.4, 0.25, count - 1)
        missed = random.random(count - 1) < share
        lap[missed] = -random.uniform(0, max(6 * 2.33 * near, 1.0), missed.sum())
        x = 6.0 + np.concatenate([[0.0], np.cumsum(sim.width - lap)])
        half = count // 2
        seen = [sim.observed(sim.lanes(part, day)) for day, part in enumerate((x[:half], x[half:]))]
        pieces = [sim.pieces(lanes) for lanes in seen]
        field = FieldGround(box(x[0], 20, x[-1], sim.length - 20), target=1)
        edges = EdgeErrors(pieces, [named(kind)] * 2, field)
        gaps = list_gaps(count_rows(pieces, field), edges)
        # which neighbours a gap lies between is told by where those lanes were seen
        at = np.array([xy[:, 0].mean() for lanes in seen for _, xy in lanes])
        middle = (at[1:] + at[:-1]) / 2
        between = [int(np.abs(middle - gap.x).argmin()) for gap in gaps]
        for gap, n in zip(gaps, between, strict=True):
            if gap.certainty == "sure":
                self.sure += 1
                self.sure_real += bool(lap[n] < 0)
        for n in range(count - 1):
            sigma = one.absolute if n == half - 1 else near
            # what is listed at all is 0.3 m wide
            if -lap[n] >= 2.33 * sigma + 0.3:
                self.wide += 1
                self.wide_found += n in between
        return self


@pytest.fixture
def simulation():
    return Simulation


@pytest.fixture
def new_claims():
    return Claims
