"""A boundary that no field can have is refused at every door, in words, in bounded time and memory.

Areas are checked against geographiclib's polygon areas (Karney 2013, "Algorithms for geodesics").
"""

import functools
import json
import math
import re
import tracemalloc

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from shapely.geometry import shape

from cabapp.counting.job_count import JobCount
from cabapp.geometry.plane import Plane
from cabapp.position.boundaries.boundary_drive import boundary_of_drive
from cabapp.position.boundaries.boundary_geojson import check_boundary, read_boundary
from cabapp.position.boundaries.boundary_judge import kept_boundary, kept_part
from cabapp.position.boundaries.field_files import read_fields
from cabapp.reports.export.gpx_geojson import feature
from store.errors import BoundaryRefused

HUGE = int("9" * 400)


def closed(ring):
    return [*ring, ring[0]]


def polygon(*rings):
    return {"type": "Polygon", "coordinates": [closed(ring) for ring in rings]}


def parts(*rings):
    return {"type": "MultiPolygon", "coordinates": [[closed(ring)] for ring in rings]}


def box(lon, lat, east, north):
    """Corners of a box of so many metres."""
    wide, high = east / 111_195 / math.cos(math.radians(lat)), north / 111_195
    return [[lon, lat], [lon + wide, lat], [lon + wide, lat + high], [lon, lat + high]]


def around(count, radius):
    """Corners about a place at distances, m, of a function of the corner's number."""
    angle = 2 * np.pi * np.arange(count) / count
    r = np.array([radius(k) for k in range(count)]) / 111_195
    return np.column_stack([-100 + r * np.cos(angle) / math.cos(math.radians(46)), 46 + r * np.sin(angle)]).tolist()


STAR = around(6000, lambda k: 400.0 if k % 2 else 100.0)
SCRIBBLE = np.random.default_rng(3).uniform([-100, 46], [-99.99, 46.01], (6000, 2)).tolist()
WALK = around(20_000, lambda k: 500.0 + 0.3 * math.sin(k))

REFUSED = {
    "the whole world": (polygon([[-180, -90], [180, -90], [180, 90], [-180, 90]]), "latitude 90.0"),
    "the world without its poles": (polygon([[-180, -70], [180, -70], [180, 70], [-180, 70]]), "no area|across"),
    "half the world": (polygon([[-90, -60], [90, -60], [90, 60], [-90, 60]]), "across"),
    "a degree": (polygon([[-100, 46], [-99, 46], [-99, 47], [-100, 47]]), "135 km across"),
    "the north pole": (polygon([[0, 89.99], [120, 89.99], [-120, 89.99]]), "latitude 90.0, where nothing grows"),
    "larger than any field": (polygon(box(-100, 46, 10_200, 10_200)), "larger than 10,000 ha"),
    "too long": (polygon(box(-100, 46, 16_000, 100)), "16 km across"),
    "no larger than a shed": (polygon(box(-100, 46, 9, 9)), "0.00812 ha"),
    "narrower than a tool": (polygon(box(-100, 46, 1.5, 2000)), "narrower than any tool"),
    "crossing itself": (polygon([[-100, 46], [-99.99, 46.01], [-99.99, 46], [-100, 46.01]]), "crosses itself"),
    "a scribble of 6,000 corners": (polygon(SCRIBBLE), "km of boundary on ground"),
    "a star of 6,000 corners": (polygon(STAR), "km of boundary"),
    "a ring of 6,000 spikes of 6 m": (polygon(around(6000, lambda k: 403.0 if k % 2 else 397.0)), "too ragged"),
    "a star of 2,000 corners": (polygon(around(1990, lambda k: 408.0 if k % 2 else 392.0)), "too ragged"),
    "a million corners": (polygon(WALK * 3), "corners, which no boundary needs"),
    "latitude first": (polygon([[lat, lon] for lon, lat in box(-100, 46, 400, 400)]), "latitude before longitude"),
    "numbers of 400 digits": (polygon([[HUGE, 46], [-99.99, HUGE], [-99.99, 46.01]]), "not a list of"),
    "1e300": (polygon([[1e300, 46], [-99.99, 46], [-99.99, 46.01]]), "projected metres, not degrees .1e.300"),
    "no numbers": (polygon([[float("nan"), 46], [-99.99, 46], [-99.99, 46.01]]), "off the globe"),
    "a hole outside": (polygon(box(-100, 46, 400, 400), box(-99.9, 46, 40, 40)), "hole lies outside"),
    "parts far apart": (parts(box(-100, 46, 400, 400), box(-97, 46, 400, 400)), "km across"),
    "all longitudes": (polygon([[-170, 46], [-50, 46], [60, 46], [170, 46], [170, 46.01], [-170, 46.01]]), "across"),
}
FIELDS = {
    "69 N": polygon(box(18.9, 69.6, 600, 400)),
    "across the date line": polygon([[179.996, -16.6], [-179.997, -16.6], [-179.997, -16.596], [179.996, -16.596]]),
    "past 180": polygon([[179.996, -16.6], [180.003, -16.6], [180.003, -16.596], [179.996, -16.596]]),
    "past -180": polygon([[-180.004, 66.5], [-179.997, 66.5], [-179.997, 66.503], [-180.004, 66.503]]),
    "cut at the date line": parts(
        [[179.996, -16.6], [180, -16.6], [180, -16.596], [179.996, -16.596]],
        [[-180, -16.6], [-179.997, -16.6], [-179.997, -16.596], [-180, -16.596]],
    ),
    "10,000 ha": polygon(box(-100, 46, 9_970, 9_970)),
    "a strip": polygon(box(-100, 46, 3, 2_000)),
    "a walk of 20,000 corners": polygon(WALK),
}


@pytest.fixture(params=["check", "kept", "measure", "fields"])
def door(request, tmp_path):
    """A way in: returns the geometry kept, or raises."""

    def written(data, read):
        path = tmp_path / "land.geojson"
        path.write_text(json.dumps(data))
        return read(path)

    def kept(data):
        found = kept_boundary(json.loads(json.dumps(data)))
        if found is None:
            raise BoundaryRefused("It is odd.")
        return found

    return {
        "check": check_boundary,
        "kept": kept,
        "measure": lambda data: written(data, read_boundary),
        "fields": lambda data: written(data, read_fields)[0].geometry,
    }[request.param], request.param


@pytest.mark.parametrize("data", REFUSED.values(), ids=REFUSED)
def test_what_no_field_can_be_is_refused_at_every_door(door, data):
    """A sentence before anything costly is done: the world was killed for memory, a star took 100 s and 2.9 GB."""
    (enter, name), (data, words) = door, data
    tracemalloc.start()
    with pytest.raises(BoundaryRefused) as refusal:
        enter(data)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 60e6
    if name == "check":
        assert re.search(words, str(refusal.value)), str(refusal.value)


@functools.cache
def true_area(name):
    """The geodesic area of one of the fields, m2; the same for every door."""
    data, area = FIELDS[name], 0.0
    for part in data["coordinates"] if data["type"] == "MultiPolygon" else [data["coordinates"]]:
        whole = Geodesic.WGS84.Polygon()
        for lon, lat in part[0][:-1]:
            whole.AddPoint(lat, lon)
        area += abs(whole.Compute()[2])
    return area


@pytest.mark.parametrize("name", FIELDS)
def test_what_can_be_a_field_is_taken_with_its_true_area(door, name):
    """At 69 N, at the date line however it is written, and at the limits: area within a millionth."""
    (enter, _), data = door, FIELDS[name]
    kept, want = enter(data), true_area(name)
    field = JobCount(kept).field
    assert field.area == pytest.approx(want, rel=1e-5 if len(data["coordinates"][0]) < 2000 else 1e-3)
    assert len(kept["coordinates"][0]) < 2001  # a walk is thinned, its area kept to a thousandth
    assert shape(kept).geom_type == "Polygon"
    west, _, east, _ = shape(kept).bounds
    assert -180 <= (west + east) / 2 < 180
    assert enter(kept) == kept  # and again, as a logbook would


def test_a_field_at_the_date_line_is_cut_there_in_what_leaves():
    """RFC 7946, 3.1.9; the two parts have the area of the whole."""
    kept = check_boundary(FIELDS["across the date line"])
    cut = feature(kept)["geometry"]
    assert cut["type"] == "MultiPolygon"
    assert len(cut["coordinates"]) == 2
    assert max(abs(lon) for part in cut["coordinates"] for lon, _ in part[0]) == 180
    assert shape(cut).area == pytest.approx(shape(kept).area)
    assert shape(check_boundary(cut)).equals_exact(shape(kept), 1e-7) or shape(
        check_boundary(cut)
    ).area == pytest.approx(shape(kept).area)


def test_a_drive_round_a_field_is_judged_too():
    """A drive with a spike to another country is no outline; one across the date line is."""
    plane = Plane(-16.6, 179.999)
    lat, lon = plane.to_latlon(np.array([(0, 0), (400, 0), (400, 300), (0, 300)]))
    drive = list(zip(lat.tolist(), lon.tolist(), strict=True))
    assert JobCount(boundary_of_drive(drive)).field.area == pytest.approx(120_000, rel=1e-5)
    with pytest.raises(BoundaryRefused, match="across"):
        boundary_of_drive([*drive, (30.0, 60.0)])


@pytest.mark.parametrize("odd", [{}, {"type": "Point", "coordinates": [1, 2]}, {"type": "Polygon"}, {"a": 1}, [1], "x",
                                 {"type": "Polygon", "coordinates": [[[0, 0], "x"]]}, {"type": "Polygon", "coordinates": 3}])  # fmt: skip
def test_whatever_a_bundle_brought_is_a_boundary_or_none(odd):
    """A merged record may hold anything; it never raises."""
    assert kept_boundary(odd) is None
    assert kept_part(odd) is None


def test_a_small_part_of_a_field_may_be_kept():
    """Soft ground of 5 m by 5 m is ground, though no field."""
    soft = polygon(box(-100, 46, 5, 5))
    assert kept_part(soft) == soft
    assert kept_boundary(soft) is None
