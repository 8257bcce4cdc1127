"""A field's outline from one drive round it; lengths and areas by geographiclib."""

import pytest
from geographiclib.geodesic import Geodesic
from shapely.geometry import shape

from cabapp.position.boundaries.boundary_drive import boundary_of_drive, track_length
from store.errors import BoundaryRefused


def drive(side, corners=4):
    """Latitude and longitude of the corners of a square."""
    places = [(52.0, -106.0)]
    for bearing in (90, 0, 270)[: corners - 1]:
        there = Geodesic.WGS84.Direct(*places[-1], bearing, side)
        places.append((there["lat2"], there["lon2"]))
    return places


def test_the_length_of_a_drive():
    """Three sides of 300 m; a single place and none have no length."""
    assert track_length(drive(300.0)) == pytest.approx(900.0, abs=0.01)
    assert track_length(drive(300.0)[:1]) == track_length([]) == 0.0


def test_the_outline_of_a_drive():
    """The ring is closed from the last place to the first, longitude before latitude."""
    ring = shape(boundary_of_drive(drive(300.0))).exterior.coords
    assert sorted(ring[:-1]) == [
        pytest.approx((lon, lat), abs=1e-8) for lat, lon in sorted(drive(300.0), key=lambda p: p[::-1])
    ]


@pytest.mark.parametrize(("side", "said"), [(22.0, "encloses no ground"), (23.0, None)])
def test_the_smallest_drive(side, said):
    """500 m2 is a square of 22.4 m."""
    if said is None:
        assert boundary_of_drive(drive(side))["type"] == "Polygon"
    else:
        with pytest.raises(BoundaryRefused, match=said):
            boundary_of_drive(drive(side))


def test_a_drive_of_three_places_is_too_short():
    """Four places are the fewest."""
    with pytest.raises(BoundaryRefused, match="too short"):
        boundary_of_drive(drive(300.0, corners=3))
