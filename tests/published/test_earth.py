"""Our plane against published lengths and areas on the ellipsoid.

We use the plane within a few kilometres of its origin; each tolerance says where it comes from.
UTM is not among the checks because no line of ours computes it.
"""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from cabapp.common.units import Units
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.plane import Plane, offset
from cabapp.position.boundaries.boundary_geojson import check_boundary

# latitude; a degree of latitude and of longitude: km as printed in the encyclopedia's "Latitude"
# and "Longitude" (15, 45, 75 E-W from memory), m calculated from the definition of WGS 84
DEGREES = [
    (0, 110.574, 110574.276, 111.320, 111319.491),
    (15, 110.649, 110648.696, 107.550, 107550.489),
    (30, 110.852, 110852.442, 96.486, 96486.280),
    (45, 111.132, 111131.777, 78.847, 78846.835),
    (60, 111.412, 111412.287, 55.800, 55800.002),
    (75, 111.618, 111618.384, 28.902, 28902.006),
    (49, None, 111209.738, None, 73171.793),
    (50, None, 111229.064, None, 71695.754),
    (53, None, 111286.270, None, 67137.227),
]


def distance(a, b, origin):
    """Length between two (lat, lon) on the plane about an origin, m."""
    xy = Plane(*origin).to_xy([a[0], b[0]], [a[1], b[1]])
    return float(np.hypot(*(xy[1] - xy[0])))


@pytest.mark.parametrize(("lat", "km_lat", "m_lat", "km_lon", "m_lon"), DEGREES)
def test_a_degree(lat, km_lat, m_lat, km_lon, m_lon):
    """A hundredth of a degree is a hundredth of the published degree: 1 m and 1 cm in a degree."""
    north = 100 * distance((lat - 0.005, 10.0), (lat + 0.005, 10.0), (lat, 10.0))
    east = 100 * distance((lat, 9.995), (lat, 10.005), (lat, 10.0))
    assert north == pytest.approx(m_lat, abs=0.01)
    assert east == pytest.approx(m_lon, abs=0.01)
    if km_lat:
        assert north == pytest.approx(1000 * km_lat, abs=1.0)
        assert east == pytest.approx(1000 * km_lon, abs=1.0)


def test_school_tables_are_not_wgs84():
    """Tables with 111.367 km for a degree at the equator are out by half a part in a thousand."""
    assert abs(100 * distance((0, 0), (0, 0.01), (0, 0)) - 111_367) > 40


def test_a_very_short_line():
    """GeographicLib's GeodSolve4: 0.072 m, within half a millimetre."""
    a, b = (36.493349428792, 0.0), (36.49334942879201, 0.0000008)
    assert distance(a, b, a) == pytest.approx(0.072, abs=0.0005)


@pytest.mark.parametrize(
    ("a", "b", "metres"),
    [
        ((52, -106), (52.0001, -106), 11.126735),
        ((52, -106), (52, -105.9999), 6.867802),
        ((52, -106), (52.001, -105.999), 130.755462),
        ((50, -105), (50.0072, -105), 800.849760),
    ],
)
def test_short_lines_on_the_prairie(a, b, metres):
    """Calculated by geographiclib: within 0.1 mm, a hundredth of what any receiver can do."""
    assert distance(a, b, a) == pytest.approx(metres, abs=1e-4)


def test_flinders_peak_to_buninyong():
    """54 972.271 m (Geoscience Australia, GDA technical manual), on a plane laid half way.

    GRS 80 and WGS 84 differ by less than 0.1 mm here. Lambert's plane is 1 part in 24 r**2 / R**2
    short radially, 43 mm for 27.5 km; nearer than that we never lay it, farther never.
    """
    flinders = (-(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600)
    buninyong = (-(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600)
    line = Geodesic.WGS84.InverseLine(*flinders, *buninyong)
    middle = line.Position(line.s13 / 2)
    plane = distance(flinders, buninyong, (middle["lat2"], middle["lon2"]))
    assert plane == pytest.approx(54_972.271 * (1 - (27_486 / 6_371_008.8) ** 2 / 24), abs=0.005)


def field_area(corners, plane=None):
    """Area of a ring of (lat, lon), m2, by way of our boundary and field."""
    ring = [[lon, lat] for lat, lon in [*corners, corners[0]]]
    geometry = check_boundary({"type": "Polygon", "coordinates": [ring]})
    origin = np.mean(corners, axis=0)
    return FieldGround.from_geojson(geometry, plane or Plane(*origin)).area


def test_a_square_kilometre():
    """GeographicLib's Planimeter29: three edges of 1000 m at right angles are 1 000 000 m2, ±0.01."""
    corners, place = [(0.0, 0.0)], (0.0, 0.0)
    for azimuth in (90, 0, -90):
        end = Geodesic.WGS84.Direct(*place, azimuth, 1000)
        place = (end["lat2"], end["lon2"])
        corners.append(place)
    assert field_area(corners) == pytest.approx(1e6, abs=0.01)


def test_a_quarter_section_on_the_prairie():
    """649 180.443 m2, 160.416 ac (calculated by geographiclib): within 10 cm2 in a hectare."""
    corners = [(52.0, -106.0), (52.0, -105.9882), (52.0072, -105.9882), (52.0072, -106.0)]
    area = field_area(corners)
    assert area == pytest.approx(649_180.443, abs=0.1)
    assert Units("us").area_value(area) == pytest.approx(160.416, abs=0.001)
    assert field_area(corners[::-1]) == pytest.approx(area, rel=1e-12)


def test_an_area_does_not_depend_on_where_the_plane_is_laid():
    """Five kilometres off centre the same quarter has the same area: the plane is equal-area."""
    corners = [(52.0, -106.0), (52.0, -105.9882), (52.0072, -105.9882), (52.0072, -106.0)]
    assert field_area(corners, Plane(52.045, -106.05)) == pytest.approx(649_180.443, abs=0.2)


def test_there_and_back():
    """Places up to 10 km off come back within 2 mm, what PROJ's series for the way back leaves."""
    rng = np.random.default_rng(7)
    lat, lon = 50 + rng.uniform(-0.09, 0.09, 500), -105 + rng.uniform(-0.14, 0.14, 500)
    plane = Plane(50.0, -105.0)
    back = plane.to_latlon(plane.to_xy(lat, lon))
    assert np.allclose(back, (lat, lon), rtol=0, atol=1.8e-8)


@pytest.mark.parametrize("lat", [-60.0, -20.0, 0.0, 35.0, 60.0])
@pytest.mark.parametrize("lon", [-179.9999, 10.0, 179.9999])
@pytest.mark.parametrize(("azimuth", "metres"), [(0, 50.0), (90, 2.0), (200, 700.0), (300, 40.0)])
def test_short_distances_without_a_plane(lat, lon, azimuth, metres):
    """East and north of the place reached on the ellipsoid (GeographicLib), within 0.7 %, also across the
    date line."""
    there = Geodesic.WGS84.Direct(lat, lon, azimuth, metres)
    wanted = metres * np.array([np.sin(np.radians(azimuth)), np.cos(np.radians(azimuth))])
    assert offset(lat, lon, there["lat2"], there["lon2"]) == pytest.approx(wanted, abs=0.007 * metres)
