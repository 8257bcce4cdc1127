"""What one live fix does in plain numbers is, to the last bit, what arrays of fixes do."""

import numpy as np
import pytest
import shapely

from cabapp.geometry.angles import turn_between, turn_of
from cabapp.geometry.counted_ground import NEAR_M, CountedGround
from cabapp.geometry.plane import Plane
from cabapp.track.path import curve, curve_of
from cabapp.track.swept_ground import swept, swept_few
from cabapp.track.tool import ToolGeometry
from cabapp.track.towing import tow, tow_few
from cabapp.track.usable_fixes import is_flawless, usable_fixes


@pytest.fixture
def random():
    return np.random.default_rng(14)


def test_turns_are_the_same(random):
    """Over several whole turns, halves of a turn included."""
    start = np.append(random.uniform(-20, 20, 2000), np.zeros(9))
    end = np.append(random.uniform(-20, 20, 2000), np.arange(-4, 5) * np.pi)
    assert [turn_of(a, b) for a, b in zip(start.tolist(), end.tolist())] == turn_between(start, end).tolist()


def test_quadrilaterals_that_cross_or_are_dented_are_split_the_same(random):
    """Corners on few whole places, so that all kinds come: convex, crossed, dented, with corners repeated."""
    quad = random.integers(-3, 4, (3000, 4, 2)).astype(float)
    count = np.arange(len(quad))
    whole = swept(quad, count, count + 1, count * 0.5, 7)
    few = swept_few(
        [(x, y) for x, y in quad.transpose(0, 2, 1).tolist()], *(c.tolist() for c in (count, count + 1, count * 0.5)), 7
    )
    assert len(whole) > len(quad) + 500
    for name in ("quad", "s0", "s1", "t"):
        assert (getattr(whole, name) == getattr(few, name)).all()


def test_the_curve_of_one_chord_is_the_same(random):
    """Forward and reversing, cut into one to five."""
    for n in range(300):
        nodes = np.column_stack([[0.0, 1.0], random.uniform(-5, 5, (2, 2))])
        theta, gear = random.uniform(-4, 4, 2), np.array([-1.0 if n % 5 == 0 else 1.0])
        dist, shares = random.uniform(0.1, 8, 1), (np.arange(n % 5 + 1) + 1) / (n % 5 + 1)
        many = curve(nodes, theta, gear, dist, np.zeros(len(shares), int), shares)
        start, end = nodes.tolist()
        one = curve_of(start, end, *theta.tolist(), gear.item(), dist.item(), shares.tolist())
        assert [column.tolist() for column in many] == list(one)


@pytest.mark.parametrize("hitch", [0.0, 6.0])
@pytest.mark.parametrize("antenna", [0.0, 2.2])
def test_a_few_places_are_towed_the_same(random, hitch, antenna):
    """Mounted and towed, the heading before known or not."""
    tool = ToolGeometry(12.0, hitch=hitch, antenna_to_hitch=antenna)
    for n in range(100):
        xy, heading = random.uniform(-5, 5, (n % 5 + 1, 2)), random.uniform(-3, 3, n % 5 + 1)
        start = (0.3, 0.7, 0.2, None if n % 2 else 0.1)
        gear = -1.0 if n % 7 == 0 else 1.0
        centre, psi, before = tow(tool, start, xy, heading, np.full(len(xy), gear), 0.4)
        x, y, psis = tow_few(tool, start, xy[:, 0].tolist(), xy[:, 1].tolist(), heading.tolist(), gear, 0.4)
        assert np.column_stack([x, y]).tolist() == centre.tolist()
        assert psis == [before, *psi.tolist()]


def test_counted_ground_holds_one_place_as_it_holds_many(random):
    """On a way to and fro over the edge of the counted ground, and at random."""
    ground = CountedGround(shapely.Polygon([(0, 0), (500, 0), (500, 400), (250, 100), (0, 400)]))
    there = np.column_stack([np.linspace(-2 * NEAR_M, 900, 3000), np.linspace(50, 450, 3000)])
    places = np.concatenate([there, there[::-1], random.uniform(-400, 900, (2000, 2)), [(np.nan, np.nan)]])
    held = [ground.holds(x, y) for x, y in places.tolist()]
    assert held == ground.near(places).tolist()
    assert 1000 < sum(held) < len(held) - 1000


def test_one_place_is_projected_as_many(random):
    """And a place that is none is NaN."""
    plane = Plane(50.0, -105.0)
    lat, lon = random.uniform(49.9, 50.1, 500), random.uniform(-105.1, -104.9, 500)
    assert [plane.place(a, b) for a, b in zip(lat.tolist(), lon.tolist())] == list(
        map(tuple, plane.to_xy(lat, lon).tolist())
    )
    assert np.isnan(plane.place(np.nan, 0.0)).all()


def test_one_fix_is_usable_as_many_are():
    """Each of what can be wrong with it, with every other."""
    kinds = np.meshgrid(
        [1e9, np.nan, 1e9 - 1e6, 1e9 + 1e6], [50.0, 0.0, 91.0, np.nan], [-105.0, 0.0, 181.0, np.nan], [4.0, 0.0, -1.0]
    )
    for t, lat, lon, quality in np.column_stack([kind.ravel() for kind in kinds]).tolist():
        many = usable_fixes([t], [lat], [lon], [quality], since=1e9)
        assert is_flawless(t, lat, lon, quality, 1e9) == many.keep.all()
