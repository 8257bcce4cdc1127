"""A field boundary is read from GeoJSON, or refused with what is wrong and where."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import shape

from cabapp.position.boundaries.boundary_geojson import check_boundary, read_boundary
from store.errors import BoundaryRefused

SQUARE = [[-106.0, 52.0], [-105.99, 52.0], [-105.99, 52.01], [-106.0, 52.01], [-106.0, 52.0]]
HOLE = [[-105.997, 52.003], [-105.997, 52.006], [-105.994, 52.006], [-105.997, 52.003]]
FAR = [[lon + 0.02, lat] for lon, lat in SQUARE]


def polygon(*rings):
    """A GeoJSON polygon."""
    return {"type": "Polygon", "coordinates": list(rings)}


def feature(geometry):
    """A GeoJSON feature."""
    return {"type": "Feature", "properties": {}, "geometry": geometry}


@pytest.mark.parametrize(
    "data",
    [
        polygon(SQUARE),
        polygon(SQUARE[::-1]),
        polygon([[*corner, 510.5] for corner in SQUARE]),
        feature(polygon(SQUARE)),
        {"type": "MultiPolygon", "coordinates": [[SQUARE]]},
        {"type": "GeometryCollection", "geometries": [polygon(SQUARE)]},
        {
            "type": "FeatureCollection",
            "crs": {"type": "name", "properties": {"name": "urn:ogc:def:crs:OGC:1.3:CRS84"}},
            "features": [
                feature({"type": "Point", "coordinates": [-106, 52]}),
                feature(None),
                feature(polygon(SQUARE)),
            ],
        },
    ],
    ids=["polygon", "clockwise", "altitude", "feature", "multi", "collection", "features"],
)
def test_one_field_however_it_is_wrapped(written, data):
    """Wrapping, winding, altitude and features that are no areas change nothing."""
    path = written("field.geojson", b"\xef\xbb\xbf" + json.dumps(data).encode())
    assert read_boundary(path) == polygon(SQUARE)


def test_several_polygons_are_one_field():
    """Features that do not touch make one MultiPolygon, holes wound the other way."""
    data = {"type": "FeatureCollection", "features": [feature(polygon(SQUARE, HOLE[::-1])), feature(polygon(FAR))]}
    field = check_boundary(data)
    assert field["type"] == "MultiPolygon"
    outer, hole = (shape(polygon(ring)).exterior for ring in field["coordinates"][0])
    assert outer.is_ccw and not hole.is_ccw


BOW = [SQUARE[0], SQUARE[2], SQUARE[1], SQUARE[3], SQUARE[0]]
UTM = [[431350, 5761510], [432350, 5761510], [432350, 5762510], [431350, 5761510]]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (polygon([[lat, lon] for lon, lat in SQUARE]), "latitude before longitude"),
        (polygon(UTM), "projected metres"),
        (polygon(BOW), r"crosses itself near 52\.00500, -105\.99500"),
        (polygon(SQUARE[:-1]), "does not end where it begins"),
        (polygon(SQUARE[:2] + SQUARE[:1]), "ring of 3 points"),
        (polygon([SQUARE[0]] * 5), "no area"),
        (polygon(SQUARE, FAR[::-1]), "hole lies outside"),
        (polygon(), "no polygon"),
        (polygon(["corner"] * 4), "not a list of"),
        ({"type": "Polygon"}, "without coordinates"),
        ({"type": "LineString", "coordinates": SQUARE}, "no polygon"),
        ({"type": "FeatureCollection", "features": []}, "no polygon"),
        ({"type": "MultiPolygon", "coordinates": [[SQUARE], [SQUARE]]}, "is no field"),
        ([1, 2], "not GeoJSON"),
        ({**polygon(SQUARE), "crs": {"properties": {"name": "EPSG:32613"}}}, "another reference"),
    ],
)  # fmt: skip
def test_what_cannot_be_a_field_is_refused_in_words(written, data, words):
    """Each fault has its own sentence, with the file's name and the place."""
    with pytest.raises(BoundaryRefused, match=words) as refusal:
        read_boundary(written("wrong.geojson", json.dumps(data)))
    assert "wrong.geojson" in str(refusal.value)


@pytest.mark.parametrize("text", ["", "{", '{"a": NaN}', "[" * 100_000, "\ufffe", b"\xff\xfe{"])
def test_what_is_not_json_is_refused(written, text):
    """Damaged, endless or binary files are a sentence, not a traceback."""
    with pytest.raises(BoundaryRefused, match=r"wrong\.geojson is not"):
        read_boundary(written("wrong.geojson", text))


def test_a_missing_file_is_refused(tmp_path):
    """A wrong path is said."""
    with pytest.raises(BoundaryRefused, match="cannot be read"):
        read_boundary(tmp_path / "none.geojson")


JSON = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.text(max_size=5)
    | st.sampled_from(["Polygon", "Feature", "FeatureCollection", "MultiPolygon"]),
    lambda inner: st.lists(inner, max_size=4) | st.fixed_dictionaries(
        {}, optional=dict.fromkeys(("type", "coordinates", "geometry", "features", "geometries", "crs"), inner)),
    max_leaves=30,
)  # fmt: skip


@settings(max_examples=300)
@given(data=JSON)
def test_any_json_is_a_field_or_refused(data):
    """Whatever JSON comes, the answer is a polygon with an area or a refusal."""
    try:
        field = check_boundary(data)
    except BoundaryRefused:
        return
    assert shape(field).area > 0


def test_a_real_boundary(recordings):
    """The boundary beside the real trace is one polygon; its area is in the published checks."""
    assert read_boundary(recordings / "seeding" / "boundary.geojson")["type"] == "Polygon"
