"""Paths to count over, and an exact reference by polygon overlay."""

import numpy as np
import pytest
import shapely


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
        # of the visit's earlier pieces most lie elsewhere: uniting them too took six times as long
        near = polygons[m:n][shapely.intersects(polygons[m:n], one)]
        if len(near):
            # without a grid GEOS now and then loses a whole face
            earlier = shapely.union_all(near, grid_size=1e-4)
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
