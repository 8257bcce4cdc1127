"""The ground of a job is bounded: what lies far from it is not counted and costs nothing."""

import tracemalloc

import numpy as np
import pytest

from cabapp.counting.job_count import JobCount
from cabapp.geometry.counted_ground import ACROSS_M, MOST_CELLS, NEAR_M
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

TOOL, ON = ToolGeometry(12.0), WorkSwitch(-1e9, True)
LAT, LON = 46.0025, -99.995
KM = 1000 / 111_195.0  # degrees of latitude
FIELD = {"type": "Polygon", "coordinates": [[[-100, 46], [-99.99, 46], [-99.99, 46.005], [-100, 46.005], [-100, 46]]]}


def new_count(boundary):
    return JobCount(boundary, centre=None if boundary else (LAT, LON))


def track(*stretches):
    """Return times, latitudes and longitudes of stretches (seconds, latitude) driven east at 2.3 m/s.

    A third number of a stretch is how far east of the others it begins, degrees.
    """
    lat = np.concatenate([np.full(seconds, at) for seconds, at, *_ in stretches])
    east = np.concatenate([np.arange(seconds) * 3e-5 + sum(more) for seconds, _, *more in stretches])
    return np.arange(len(lat), dtype=float), lat, LON + east


def live(boundary, t, lat, lon):
    count = new_count(boundary)
    count.begin("stint", 0.0, TOOL)
    count.switch(ON)
    for one in zip(t, lat, lon, strict=True):
        count.add_fixes(*one)
    return count


def whole(boundary, t, lat, lon):
    count = new_count(boundary)
    count.add_stint("stint", 0.0, TOOL, t, lat, lon, switches=[ON])
    return count


@pytest.mark.parametrize("boundary", [FIELD, None])
@pytest.mark.parametrize("far", [20.0, 1770.0, 15_000.0])
def test_ten_thousand_fixes_far_away_cost_no_memory_and_count_nothing(boundary, far):
    """Seen: 1.7 GB at 7 km, 7 GB at 20 km, 7.45 TiB asked for at 1,770 km."""
    away = LAT + far * KM if far < 5000 else -LAT
    lon = LON if far < 5000 else LON + 180
    count = live(boundary, *track((60, LAT)))
    shape, area = count.grid.counts.shape, count.areas()["covered"]
    tracemalloc.start()
    for first in range(0, 10_000, 100):
        k = np.arange(first, first + 100)
        count.add_fixes(60.0 + k / 10, np.full(100, away), lon + k * 1e-6)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 2e6
    assert count.grid.counts.shape == shape
    assert count.areas()["covered"] == pytest.approx(area, rel=0.05)  # the last piece is given out late
    assert count.ahead(6.0) is None
    assert count.away > 0.98 * far * 1000


@pytest.mark.parametrize("boundary", [FIELD, None])
def test_a_way_out_and_back_counts_the_same_live_and_at_once_and_is_no_unknown_ground(boundary):
    """The tractor drives 30 km away with the tool down, comes back, and goes on."""
    fixes = track((100, LAT), (400, LAT + 30 * KM), (100, LAT + 0.0003))
    one, other = live(boundary, *fixes), whole(boundary, *fixes)
    one.end()
    assert one.away is None
    for a, b in zip(one.pieces(), other.pieces(), strict=True):
        assert np.array_equal(a.quad, b.quad)
        assert np.array_equal(a.s1, b.s1)
    assert np.array_equal(one.grid.counts, other.grid.counts)
    assert not one.grid.unknown.any()
    alone = [whole(boundary, *track((100, at))).area_totals().pass_area for at in (LAT, LAT + 0.0003)]
    assert one.area_totals().pass_area == pytest.approx(sum(alone), rel=1e-3)


@pytest.mark.parametrize(("north", "counted"), [(0.5 * NEAR_M, True), (0.99 * NEAR_M, True), (1.01 * NEAR_M, False)])
def test_ground_beside_the_field_is_counted_as_far_as_a_machine_turns(north, counted):
    """A tractor that turns outside is counted; the field after the next is not."""
    count = whole(FIELD, *track((60, 46.005 + north / 1000 * KM)))
    assert bool(len(count.pieces()[0])) is counted


def test_without_a_boundary_cells_grow_with_the_work_and_the_figures_stay():
    """Work 24 km by 15 km apart has fewer than `MOST_CELLS` cells, the same ones live and at once."""
    fixes = track((60, LAT), (60, LAT - 12 * KM), (60, LAT + 5 * KM, 0.1), (60, LAT + 12 * KM), (60, LAT, -0.1))
    one, other = live(None, *fixes), whole(None, *fixes)
    one.end()
    assert one.grid.cell == other.grid.cell == 4.0
    assert one.grid.counts.size < 1.2 * MOST_CELLS
    assert np.array_equal(np.argwhere(one.grid.counts) * 4.0 + one.grid.origin[::-1],
                          np.argwhere(other.grid.counts) * 4.0 + other.grid.origin[::-1])  # fmt: skip
    assert one.areas() == other.areas()
    assert one.areas()["covered"] == pytest.approx(one.area_totals().pass_area, rel=0.2)


def test_the_largest_field_fits_and_its_grid_is_bounded():
    """10,000 ha: 10 km by 10 km, 14.1 km from corner to corner."""
    side = 5 * KM
    east = side / np.cos(np.radians(46.0))
    ring = [[-100 - east, 46 - side], [-100 + east, 46 - side], [-100 + east, 46 + side], [-100 - east, 46 + side]]
    count = JobCount({"type": "Polygon", "coordinates": [[*ring, ring[0]]]})
    assert count.field.area == pytest.approx(1e8, rel=0.01)
    assert count.grid.counts.size <= MOST_CELLS
    assert ACROSS_M > 14_100
