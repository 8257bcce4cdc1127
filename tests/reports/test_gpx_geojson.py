"""The log as open files, held to the GPX 1.1 schema, RFC 7946 and the PNG specification."""

import io
import json
from datetime import UTC, datetime

import gpxpy
import lxml.etree
import numpy as np
import pytest
from PIL import Image
from shapely.geometry import shape

from cabapp.reports.export import gpx_geojson
from cabapp.reports.export.job_export import job_geojson, job_gpx
from cabapp.reports.model.job_record import read_job
from cabapp.reports.render import hatching
from cabapp.reports.render.map_png import inked, map_png, png

NS = "{http://www.topografix.com/GPX/1/1}"
# Source: gpx.xsd 1.1, the xsd:sequence of each type.
ORDER = {
    "gpx": ["metadata", "wpt", "rte", "trk", "extensions"],
    "metadata": ["name", "desc", "author", "copyright", "link", "time", "keywords", "bounds", "extensions"],
    "trk": ["name", "cmt", "desc", "src", "link", "number", "type", "extensions", "trkseg"],
    "trkseg": ["trkpt", "extensions"],
}
ORDER["trkpt"] = ORDER["wpt"] = [
    "ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link", "sym", "type", "fix",
    "sat", "hdop", "vdop", "pdop", "ageofdgpsdata", "dgpsid", "extensions",
]  # fmt: skip


@pytest.fixture(scope="module")
def gpx(small_log):
    return job_gpx(small_log)


@pytest.fixture(scope="module")
def features(small_log):
    return json.loads(job_geojson(small_log))["features"]


def track(**columns):
    base = {"t": np.arange(4.0), "lat": np.full(4, 50.0), "lon": np.full(4, 10.0)}
    return gpx_geojson.Track("a", "", **{**base, **columns})


def test_gpx_children_stand_in_the_schemas_order(gpx):
    """Every element's children stand in the order of the GPX 1.1 schema, with its root attributes."""
    root = lxml.etree.fromstring(gpx.encode())
    assert root.tag == NS + "gpx" and root.get("version") == "1.1" and root.get("creator")
    for element in root.iter():
        order = ORDER.get(element.tag.removeprefix(NS))
        if order:
            places = [order.index(child.tag.removeprefix(NS)) for child in element]
            assert places == sorted(places)


def test_gpx_reads_back_what_was_recorded(gpx, small_log):
    """Another reader finds every fix and mark, to a centimetre and the second, in UTC."""
    read = gpxpy.parse(gpx)
    assert [t.name.split(",")[0] for t in read.tracks] == ["Ada Stone", "Bo Reed"]
    points = list(read.tracks[0].walk(only_points=True))
    trace = small_log.stints[0].trace
    assert len(points) == len(trace.t)
    assert np.abs(np.array([p.latitude for p in points]) - trace.lat).max() <= 1e-7
    assert points[0].time == datetime.fromtimestamp(trace.t[0], UTC)
    assert [(w.name, w.description) for w in read.waypoints] == [("rock", "big one"), ("slough", None)]


def test_gpx_has_a_new_segment_after_each_loss_of_reception(gpx):
    """The turn and the dropout of the first stint cut its track in three; the second stays whole."""
    assert [len(t.segments) for t in gpxpy.parse(gpx).tracks] == [3, 1]


def test_fixes_without_position_make_no_point():
    """A fix that says it has no position (NaN, or quality 0) ends a segment and is not written."""
    lost = track(lat=np.array([50.0, np.nan, 50.0, 50.0]), quality=np.array([1, 0, 0, 1]))
    assert [(s.start, s.stop) for s in gpx_geojson.spans(lost)] == [(0, 1), (3, 4)]


def test_longitude_stays_below_180():
    """The schema's longitudeType ends before 180, so 180 is written as -180."""
    text = gpx_geojson.gpx_text("x", "", [track(lon=np.array([179.9, 179.99999999, 180.0, -179.9]))])
    assert [p.longitude for p in gpxpy.parse(text).walk(only_points=True)] == [179.9, -180.0, -180.0, -179.9]


def test_tiny_numbers_are_written_as_decimals():
    """Near the equator and the prime meridian no number takes an exponent, which xsd:decimal forbids."""
    text = gpx_geojson.gpx_text("x", "", [track(lat=np.full(4, 1e-7), lon=np.full(4, -2e-7))])
    point = lxml.etree.fromstring(text.encode()).find(f".//{NS}trkpt")
    assert (point.get("lat"), point.get("lon")) == ("0.0000001", "-0.0000002")


def test_gpx_of_hostile_names_is_xml(hostile_job):
    """Names with markup and control characters come back as the same words, less what XML cannot hold."""
    log = read_job(hostile_job.book, hostile_job.job)
    read = gpxpy.parse(job_gpx(log))
    assert read.name == f"{hostile_job.names.field}, rolling 2026"
    assert read.tracks[0].name.startswith(hostile_job.names.first)
    assert read.waypoints[0].description == " note & <u>"


def test_geojson_is_a_plain_feature_collection(small_log):
    """No "crs" member anywhere, longitude first, and at most 7 decimals (RFC 7946 sections 3, 4, 11.2)."""
    text = job_geojson(small_log)
    data = json.loads(text)
    assert data["type"] == "FeatureCollection" and '"crs"' not in text

    def numbers(node):
        if isinstance(node, list):
            for part in node:
                yield from numbers(part)
        else:
            yield node

    for one in data["features"]:
        values = list(numbers(one["geometry"]["coordinates"]))
        assert all(round(v, 7) == v for v in values)
        assert all(-88 < v < -87 for v in values[::2]) and all(47 < v < 48 for v in values[1::2])


def test_geojson_rings_turn_the_right_way(features):
    """Exterior rings run counter-clockwise and close on themselves (RFC 7946 section 3.1.6)."""
    rings = [f["geometry"]["coordinates"][0] for f in features if f["geometry"]["type"] == "Polygon"]
    assert len(rings) > 1
    for ring in rings:
        x, y = np.array(ring).T
        assert ring[0] == ring[-1] and len(ring) >= 4
        assert np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0


def test_holes_run_the_other_way():
    """A hole is written clockwise whichever way it came (RFC 7946 section 3.1.6)."""
    outer = [[0, 0], [0, 4], [4, 4], [4, 0], [0, 0]]
    hole = [[1, 1], [2, 1], [2, 2], [1, 2], [1, 1]]
    made = gpx_geojson.feature({"type": "Polygon", "coordinates": [outer, hole]})["geometry"]
    assert shape(made).exterior.is_ccw and not shape(made).interiors[0].is_ccw


def test_geojson_carries_both_areas_apart(features, small_log):
    """The field feature holds field area and pass area under their own names."""
    told = next(f for f in features if f["properties"]["kind"] == "field")["properties"]
    assert told["field_area_m2"] == pytest.approx(small_log.totals.field_area, abs=0.01)
    assert told["pass_area_m2"] == pytest.approx(small_log.totals.pass_area, abs=0.01)
    assert {f["properties"]["kind"] for f in features} == {"field", "gap", "mark", "swath", "trace"}


def test_png_reads_back_pixel_for_pixel():
    """Another library reads the PNG as the very same picture."""
    grey = np.random.default_rng(5).integers(0, 256, (37, 53), dtype=np.uint8)
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(png(grey)))), grey)


def test_picture_grows_darker_with_passes(small_log):
    """In grey-scale each class is darker than the one before: none, once, at target, above."""
    shares = [
        inked(np.full((70, 70), kind, np.uint8)).mean()
        for kind in (0, hatching.SHORT, hatching.AT_TARGET, hatching.ABOVE)
    ]
    assert shares[0] == 0 and np.all(np.diff(shares) > 0.08)
    assert Image.open(io.BytesIO(map_png(small_log))).size[0] <= 1400
