"""GeoJSON: what we read and write against RFC 7946 (August 2016)."""

import json

import pytest
from shapely.geometry import shape

from cabapp.position.boundaries.boundary_geojson import check_boundary
from cabapp.reports.export.gpx_geojson import feature, geojson_text
from store.errors import BoundaryRefused

# the pair in the documentation of geojson-rewind, a hundredth of its size, so that it can be a field
WRONG_WAY = [[100, 0], [100, 0.01], [100.01, 0.01], [100.01, 0], [100, 0]]
RIGHT_WAY = [[100, 0], [100.01, 0], [100.01, 0.01], [100, 0.01], [100, 0]]
HOLE = [[100.002, 0.002], [100.008, 0.002], [100.008, 0.008], [100.002, 0.008], [100.002, 0.002]]


def polygon(*rings):
    """A GeoJSON polygon."""
    return {"type": "Polygon", "coordinates": list(rings)}


@pytest.fixture(params=["read", "written"])
def passed(request):
    """A geometry as it comes out of our reader, or of our writer."""
    if request.param == "read":
        return check_boundary
    return lambda data: json.loads(geojson_text([feature(data)]))["features"][0]["geometry"]


@pytest.mark.parametrize("ring", [WRONG_WAY, RIGHT_WAY])
def test_rings_are_rewound(passed, ring):
    """3.1.6: outer rings counter-clockwise; those wound otherwise are read all the same."""
    assert passed(polygon(ring)) == polygon(RIGHT_WAY)


@pytest.mark.parametrize("hole", [HOLE, HOLE[::-1]])
def test_holes_are_clockwise(passed, hole):
    """3.1.6: holes clockwise, first and last position the same, four positions at least."""
    outer, inner = passed(polygon(WRONG_WAY, hole))["coordinates"]
    assert shape(polygon(outer)).exterior.is_ccw and not shape(polygon(inner)).exterior.is_ccw
    assert all(ring[0] == ring[-1] and len(ring) >= 4 for ring in (outer, inner))


def test_longitude_comes_first(passed):
    """3.1.1: positions are [longitude, latitude]."""
    west, south, east, north = shape(passed(polygon(RIGHT_WAY))).bounds
    assert (west, south, east, north) == (100, 0, 100.01, 0.01)


def test_altitude_is_no_third_corner():
    """3.1.1: a third number is metres of altitude and changes no area."""
    assert check_boundary(polygon([[*corner, 500] for corner in RIGHT_WAY])) == polygon(RIGHT_WAY)


def test_no_reference_system_is_written_and_another_is_refused():
    """4: WGS 84 always, no "crs" member (from memory of the RFC)."""
    assert "crs" not in json.loads(geojson_text([feature(polygon(RIGHT_WAY))]))
    with pytest.raises(BoundaryRefused):
        check_boundary({**polygon(RIGHT_WAY), "crs": {"properties": {"name": "EPSG:3857"}}})


@pytest.mark.parametrize("ring", [RIGHT_WAY[:-1], RIGHT_WAY[:3]])
def test_an_open_or_short_ring_is_refused(ring):
    """3.1.6: a ring has four or more positions and ends where it begins."""
    with pytest.raises(BoundaryRefused):
        check_boundary(polygon(ring))


def test_precision_is_a_centimetre(passed):
    """11.2: six decimals are about 10 cm, so the seven we keep are 1 cm."""
    ring = [[lon + 1.23456e-7, lat] for lon, lat in RIGHT_WAY]
    moved = passed(polygon(ring))["coordinates"][0][0][0] - 100
    assert moved == pytest.approx(1.23456e-7, abs=0.5e-7)
