"""Files of fields: every limit on both sides, every name, and what hides harm.

Areas and distances that are compared come from geographiclib; our code takes them from PROJ.
"""

import json
import zipfile

import gpxpy.gpx
import pytest
from geographiclib.geodesic import Geodesic
from shapely.geometry import MultiPolygon, Polygon, box, mapping, shape

from cabapp.position.boundaries import field_files, field_readers
from cabapp.position.boundaries.boundary_judge import LARGEST_M2, SMALLEST_M2
from cabapp.position.boundaries.boundary_search import MOST, boundary_files
from cabapp.position.boundaries.field_files import read_fields
from store.errors import BoundaryRefused

LON, LAT = -106.0, 52.0


def metres(east, north, lon=LON, lat=LAT):
    """The place so many metres east and north of another."""
    up = Geodesic.WGS84.Direct(lat, lon, 0, north)
    there = Geodesic.WGS84.Direct(up["lat2"], up["lon2"], 90, east)
    return there["lon2"], there["lat2"]


def square(side):
    """A square field, and its area by geographiclib, m2."""
    ring = [metres(0, 0), metres(side, 0), metres(side, side), metres(0, side)]
    sum_up = Geodesic.WGS84.Polygon()
    for lon, lat in ring:
        sum_up.AddPoint(lat, lon)
    return Polygon(ring), abs(sum_up.Compute()[2])


@pytest.fixture
def land(written):
    """Write fields with their properties as GeoJSON."""

    def write(*rows):
        features = [{"type": "Feature", "properties": said, "geometry": mapping(form)} for form, said in rows]
        return written("land.geojson", json.dumps({"type": "FeatureCollection", "features": features}))

    return write


@pytest.fixture
def walk(written):
    """Write a walked track as GPX."""

    def write(lonlat, name=None):
        made = gpxpy.gpx.GPX()
        made.tracks.append(gpxpy.gpx.GPXTrack(name))
        points = [gpxpy.gpx.GPXTrackPoint(lat, lon) for lon, lat in lonlat]
        made.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment(points))
        return written("walk.gpx", made.to_xml())

    return write


def kml(*marks, head=""):
    """A KML document."""
    return f'<?xml version="1.0" encoding="UTF-8"?>{head}<kml xmlns="http://www.opengis.net/kml/2.2"><Document>{"".join(marks)}</Document></kml>'


def mark(*polygons, name="Home"):
    """A placemark of polygons, each an outer ring and its holes."""

    def ring(place, corners):
        text = " ".join(f"{lon},{lat},500" for lon, lat in corners)
        return f"<{place}><LinearRing><coordinates>{text}</coordinates></LinearRing></{place}>"

    inner = "".join(
        "<Polygon>" + ring("outerBoundaryIs", outer) + "".join(ring("innerBoundaryIs", hole) for hole in holes)
        + "</Polygon>" for outer, *holes in polygons
    )  # fmt: skip
    named = f"<name>{name}</name>" if name else ""
    return f"<Placemark>{named}<MultiGeometry>{inner}</MultiGeometry></Placemark>"


@pytest.mark.parametrize("limit", [SMALLEST_M2, LARGEST_M2])
@pytest.mark.parametrize("share", [0.99, 1.01])
def test_the_smallest_and_the_largest_field(land, limit, share):
    """100 m2 and 10,000 ha are the limits: one hundredth inside is a field, outside it is none."""
    form, area = square((limit * share) ** 0.5)
    assert area == pytest.approx(limit * share, rel=2e-3)
    if SMALLEST_M2 <= area <= LARGEST_M2:
        assert read_fields(land((form, {})))[0].area == pytest.approx(area, rel=1e-6)
    else:
        with pytest.raises(BoundaryRefused, match=r"land\.geojson, land would be .* no field is smaller"):
            read_fields(land((form, {})))


@pytest.mark.parametrize("more", [0, 1])
def test_the_largest_file(land, monkeypatch, more):
    """A file of the limit is read; one of a byte more is not opened."""
    path = land((square(800.0)[0], {}))
    monkeypatch.setattr(field_files, "LARGEST", path.stat().st_size - more)
    if more:
        with pytest.raises(BoundaryRefused, match="is larger than"):
            read_fields(path)
    else:
        assert len(read_fields(path)) == 1


def test_a_file_that_is_gone_or_cannot_be_opened(tmp_path, monkeypatch):
    """A missing file and an error of the disk are refused with the reason."""
    with pytest.raises(BoundaryRefused, match=r"cannot be read .No such file"):
        read_fields(tmp_path / "none.kml")
    (tmp_path / "bad.kml").write_text("<kml/>")

    def broken(_path, _largest):
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(field_readers, "read_regular", broken)
    with pytest.raises(BoundaryRefused, match=r"bad\.kml cannot be read .Input/output error"):
        read_fields(tmp_path / "bad.kml")


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ({"name": "Home"}, "Home"), ({"Field_Name": "Home"}, "Home"), ({"TITLE": "Home"}, "Home"),
        ({"label": 7}, "7"), ({"name": "", "title": "Home"}, "Home"), ({"name": None}, "land"),
        ({"name": "  "}, "land"), ({"crop": "flax"}, "land"), ({"title": "B", "name": "A"}, "A"),
    ],
)  # fmt: skip
def test_the_name_of_a_field(land, said, name):
    """The first known property that is not empty; else the file's name."""
    assert read_fields(land((square(800.0)[0], said)))[0].name == name


def test_names_that_come_again(land):
    """Fields without a name are numbered in the file; a name that comes again is counted, whatever its letters."""
    form = square(800.0)[0]
    rows = [(form, {"name": name}) for name in ("A", None, "a", "A", None, "B")]
    assert [one.name for one in read_fields(land(*rows))] == ["A", "land 2", "a (2)", "A (3)", "land 5", "B"]


@pytest.mark.parametrize(("apart", "closed"), [(29.5, True), (30.5, False)])
def test_how_far_a_walk_may_stay_open(walk, apart, closed):
    """30 m between end and beginning, by geographiclib."""
    ring = [metres(0, 0), metres(300, 0), metres(300, 300), metres(0, 300), metres(0, apart)]
    if closed:
        assert read_fields(walk(ring))[0].area == pytest.approx(90_000, rel=1e-3)
    else:
        with pytest.raises(BoundaryRefused, match=r"a track: it ends 3\d m from where it begins"):
            read_fields(walk(ring))


@pytest.mark.parametrize(("side", "closed"), [(38.0, True), (48.0, False)])
def test_how_large_the_loose_end_of_a_walk_may_be(walk, side, closed):
    """A loop behind the beginning of up to 2 % of the field falls; a larger one is no loose end.

    300 m square: 2 % is 1800 m2, a loop of 42.4 m square.
    """
    loop = [metres(0, 0), metres(-side, 0), metres(-side, -side), metres(0, -side)]
    ring = [metres(0, 0), metres(300, 0), metres(300, 300), metres(0, 300), *loop, metres(0, 0)]
    if closed:
        assert read_fields(walk(ring))[0].area == pytest.approx(90_000, rel=1e-3)
    else:
        field = read_fields(walk(ring))[0]
        assert field.repaired and field.area == pytest.approx(90_000 + side**2, rel=1e-3)


@pytest.mark.parametrize(("side", "kept"), [(13.0, True), (14.0, False)])
def test_how_much_a_repair_may_change(land, side, kept):
    """A loop turned the wrong way is cut off up to 0.2 % of the field, and refused beyond.

    300 m square: 0.2 % is 180 m2; the loops have 169 m2 and 196 m2.
    """
    ring = [metres(0, 0), metres(300, 0), metres(300, 300), metres(-side, 300), metres(-side, 300 + side),
            metres(0, 300 + side)]  # fmt: skip
    if kept:
        found = read_fields(land((Polygon(ring), {})))[0]
        assert found.repaired and shape(found.geometry).is_valid and found.area == pytest.approx(90_000, rel=3e-3)
    else:
        with pytest.raises(BoundaryRefused, match="crosses itself"):
            read_fields(land((Polygon(ring), {})))


def test_a_field_beside_the_date_line(land):
    """The edge of the map is an edge like any other."""
    for edge in ((179.991, 10.0, 180.0, 10.009), (-180.0, 10.0, -179.991, 10.009)):
        assert read_fields(land((box(*edge), {})))[0].area > 0


def test_a_field_of_all_parts_and_holes(written):
    """A placemark of two polygons, one with a hole, is one field; heights are dropped."""
    one, other = square(400.0)[0], box(-105.98, 52.0, -105.97, 52.01)
    hole = Polygon([(-105.999, 52.001), (-105.998, 52.001), (-105.998, 52.002)])  # three corners, four places
    text = kml(mark([one.exterior.coords, hole.exterior.coords, [(LON, LAT)] * 3], [other.exterior.coords]))
    (found,) = read_fields(written("a.kml", text))
    want = MultiPolygon([Polygon(one.exterior.coords, [hole.exterior.coords]), other])
    assert shape(found.geometry).normalize().equals_exact(want.normalize(), 1e-9)
    assert found.name == "Home"


def test_placemarks_that_hold_no_area_are_passed_over(written):
    """Of three placemarks, a point and a ring of three corners too few, one is a field."""
    text = kml("<Placemark><Point><coordinates>1,2</coordinates></Point></Placemark>",
               mark([[(LON, LAT), (LON, LAT + 0.01), (LON, LAT)]]),
               mark([square(400.0)[0].exterior.coords], name=""))  # fmt: skip
    assert [one.name for one in read_fields(written("a.kml", text))] == ["a"]


BOMB = '<!DOCTYPE kml [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16"])
def test_a_document_type_in_kml_is_refused(written, encoding):
    """Entities that grow are never expanded, in whatever encoding they are declared."""
    text = kml(mark([square(400.0)[0].exterior.coords], name="&b;"), head=BOMB).replace("UTF-8", encoding)
    with pytest.raises(BoundaryRefused, match="has a document type"):
        read_fields(written("a.kml", text.encode(encoding)))


def test_a_document_type_in_gpx_is_refused(walk):
    """GPX of fields has the same limit."""
    path = walk([metres(0, 0), metres(300, 0), metres(300, 300)])
    path.write_text(path.read_text().replace("?>", "?>" + BOMB.replace("kml", "gpx"), 1))
    with pytest.raises(BoundaryRefused, match="is not GPX"):
        read_fields(path)


def test_kmz(tmp_path, monkeypatch):
    """The first KML of the archive is read; none, one too large and no archive are refused."""
    text = kml(mark([square(400.0)[0].exterior.coords]))
    for name, inside in (("a.kmz", "doc.kml"), ("b.kmz", "doc.txt")):
        with zipfile.ZipFile(tmp_path / name, "w") as pack:
            pack.writestr("image.png", "x")
            pack.writestr(inside, text)
    assert read_fields(tmp_path / "a.kmz")[0].name == "Home"
    with pytest.raises(BoundaryRefused, match="holds no KML"):
        read_fields(tmp_path / "b.kmz")
    (tmp_path / "c.kmz").write_text("no archive")
    with pytest.raises(BoundaryRefused, match="is not KML"):
        read_fields(tmp_path / "c.kmz")
    monkeypatch.setattr(field_readers, "LARGEST", len(text))
    assert len(read_fields(tmp_path / "a.kmz")) == 1
    monkeypatch.setattr(field_readers, "LARGEST", len(text) - 1)
    with pytest.raises(BoundaryRefused, match="holds no KML of a size"):
        read_fields(tmp_path / "a.kmz")


def test_where_files_of_fields_are_searched(tmp_path):
    """The own folder itself, media three folders deep; other kinds are left out, and there is an end."""
    own, stick = tmp_path / "own", tmp_path / "stick"
    for path in (own / "a.kml", own / "b.txt", own / "sub" / "c.kml", stick / "d.GPX", stick / "1" / "2" / "e.json",
                 stick / "1" / "2" / "3" / "f.kml", stick / "g.shp"):  # fmt: skip
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    assert [path.name for path in boundary_files(own, [stick, tmp_path / "gone"])] == ["a.kml", "d.GPX", "e.json"]
    for n in range(MOST + 1):
        (own / f"{n:03d}.kml").write_text("x")
    assert len(boundary_files(own)) == MOST
