"""What was rolled before it was seeded does not count."""

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from cabapp.counting.job_count import JobCount
from cabapp.counting.visits.voiding import minus, union
from cabapp.geometry.plane import Plane
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

PLANE = Plane(50.0, -105.0)
ON = [WorkSwitch(0.0, True)]


def lane(x, t0, start=0.0, stop=300.0, speed=3.0):
    y = np.arange(start, stop, speed)
    lat, lon = PLANE.to_latlon(np.column_stack([np.full(len(y), x), y]))
    return t0 + np.arange(len(y)) * 1.0, lat, lon


def count(rolled, seeded):
    job = JobCount(None, 2, 0.5, (50.0, -105.0))
    for n, one in enumerate(seeded):
        job.add_seeding(f"s{n}", ToolGeometry(18.0), *one, None, ON)
    for n, one in enumerate(rolled):
        job.add_stint(f"r{n}", one[0][0], ToolGeometry(12.0), *one, None, ON)
    return job


def test_rolling_before_seeding_is_void_and_after_it_counts():
    """A lane rolled twice, once before and once after it was seeded, has one pass."""
    job = count([lane(0, 1e5), lane(0, 3e5)], [lane(0, 2e5)])
    assert set(job.area_totals().by_count) == {1}
    assert job.area_totals().covered == pytest.approx(12 * 297, rel=1e-3)
    assert job.areas()["covered"] == pytest.approx(12 * 297, rel=1e-2)
    assert job.areas()["done"] == 0


def test_only_the_ground_that_was_seeded_later_is_void():
    """Seeding the north half later leaves the pass on the south half standing."""
    job = count([lane(0, 1e5)], [lane(0, 2e5, start=150.0)])
    assert job.area_totals().covered == pytest.approx(12 * 150, rel=5e-3)


def test_a_roller_following_the_seeder_counts_all():
    """Rolling twenty minutes behind a seeder in one long stint each: nothing is void."""
    job = count([lane(0, 1200, speed=0.5)], [lane(0, 0, speed=0.5)])
    assert job.area_totals().covered == pytest.approx(12 * 299, rel=1e-2)


def test_a_roller_ahead_of_the_seeder_counts_nothing():
    """Rolling twenty minutes ahead of a seeder, stints overlapping in time: all void but the end."""
    job = count([lane(0, 0, speed=0.2)], [lane(0, 1200, speed=0.2)])
    assert job.area_totals().covered < 0.02 * 12 * 300


stretch = st.tuples(st.integers(0, 3), st.integers(0, 20), st.integers(1, 8))


@settings(max_examples=200)
@given(st.lists(stretch, min_size=1, max_size=6), st.lists(stretch, max_size=6))
def test_taking_ground_away_equals_the_difference_of_polygons(mine, ground):
    """Stretches less the union of quadrilaterals have the area of shapely's difference."""
    quads = [
        [(x, k), (x + w, k), (x + w, k + 1), (x, k + 1)] for k, x, w in ground
    ]  # fmt: skip
    rows = union(np.array(quads, float).reshape(-1, 4, 2), 1.0)
    k, x, w = (np.array(c) for c in zip(*mine))
    out = minus((k, x.astype(float), (x + w).astype(float), np.arange(len(k))), rows)
    taken = shapely.union_all([shapely.Polygon(q) for q in quads]) if quads else shapely.Polygon()
    for n in range(len(k)):
        here = out[3] == n
        exact = shapely.box(x[n], k[n], x[n] + w[n], k[n] + 1).difference(taken).area
        assert (out[2] - out[1])[here].sum() == pytest.approx(exact)
