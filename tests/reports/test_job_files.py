"""Fields from the files people have, held to the writers of other libraries, and what is refused."""

import json
import zipfile

import gpxpy.gpx
import numpy as np
import pytest
import shapely
from shapely.geometry import Polygon, box, mapping

from cabapp.__main__ import main
from cabapp.position.boundaries.field_files import read_fields
from store import models, open_store
from store.errors import BoundaryRefused

# 52.0, -106.0 to 52.0072, -105.9882: 649 180.443 m2 = 160.416 ac (geographiclib)
QUARTER = box(-106.0, 52.0, -105.9882, 52.0072)
AREA = 649_180.443


@pytest.fixture
def write(tmp_path):
    """Write a field in any kind of file, by a library that is not ours."""

    def geojson(form, **properties):
        path = tmp_path / "land.geojson"
        feature = {"type": "Feature", "properties": properties, "geometry": mapping(form)}
        path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
        return path

    def gdal(form, suffix, driver, crs="EPSG:4326", name="Home North"):
        pyogrio = pytest.importorskip("pyogrio", reason="pyogrio is not installed")
        import numpy as np

        path = tmp_path / f"land{suffix}"
        pyogrio.raw.write(
            path, np.array([shapely.to_wkb(form)], object), [np.array([name], object)], ["Name"],
            geometry_type=form.geom_type, crs=crs, driver=driver,
        )  # fmt: skip
        return path

    def gpx(ring, name="Home North"):
        made = gpxpy.gpx.GPX()
        points = [gpxpy.gpx.GPXTrackPoint(lat, lon) for lon, lat in ring]
        made.tracks.append(gpxpy.gpx.GPXTrack(name))
        made.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment(points))
        path = tmp_path / "land.gpx"
        path.write_text(made.to_xml())
        return path

    return {"geojson": geojson, "gdal": gdal, "gpx": gpx}


def test_geojson_and_gpx_give_the_quarter(write):
    """A quarter section from GeoJSON and from a walked GPX has geographiclib's area and its name."""
    for path in (write["geojson"](QUARTER, name="Home North"), write["gpx"](QUARTER.exterior.coords)):
        (found,) = read_fields(path)
        assert found.name == "Home North" and found.repaired is None
        assert found.area == pytest.approx(AREA, abs=0.01)


@pytest.mark.parametrize("suffix, driver", [(".kml", "KML"), (".shp", "ESRI Shapefile"), (".gpkg", "GPKG")])
def test_what_gdal_writes_is_read(write, suffix, driver):
    """KML, shapefile and GeoPackage as GDAL writes them give the same ground and name."""
    (found,) = read_fields(write["gdal"](QUARTER, suffix, driver))
    assert found.name == "Home North"
    assert found.area == pytest.approx(AREA, rel=1e-6)


def test_a_shapefile_in_metres_that_says_so_is_turned(write, tmp_path):
    """UTM zone 13 with its .prj, in a zip, is brought to WGS 84 by its own statement."""
    from pyproj import Transformer

    to_utm = Transformer.from_crs("EPSG:4326", "EPSG:32613", always_xy=True).transform
    metres = shapely.transform(QUARTER, lambda xy: np.column_stack(to_utm(*xy.T)))
    write["gdal"](metres, ".shp", "ESRI Shapefile", crs="EPSG:32613")
    with zipfile.ZipFile(tmp_path / "land.zip", "w") as pack:
        for path in tmp_path.glob("land.*"):
            if path.suffix != ".zip":
                pack.write(path, path.name)
    (found,) = read_fields(tmp_path / "land.zip")
    assert found.area == pytest.approx(AREA, rel=1e-5)
    (tmp_path / "land.prj").unlink()
    with pytest.raises(BoundaryRefused, match="projected metres"):
        read_fields(tmp_path / "land.shp")


def test_small_damage_is_mended_and_said(write):
    """A loop of a few metres at a corner, as a walk leaves it, is cut off; the field stays the same."""
    ring = list(QUARTER.exterior.coords)[:-1]
    lon, lat = ring[2]
    looped = [*ring[:2], (lon, lat - 2e-5), (lon - 3e-5, lat), (lon, lat), (lon - 4e-5, lat - 1e-5), *ring[3:]]
    damaged = Polygon(looped)
    assert not damaged.is_valid
    (found,) = read_fields(write["geojson"](damaged, name="Loop"))
    assert found.repaired and found.area == pytest.approx(AREA, rel=1e-3)
    assert shapely.geometry.shape(found.geometry).is_valid


def test_a_walk_past_its_beginning_is_closed(write):
    """A walk that runs on beside its own beginning still gives the field it went round."""
    ring = [*QUARTER.exterior.coords, (-105.9882 + 1e-5, 52.0001)]
    (found,) = read_fields(write["gpx"](ring))
    assert found.area == pytest.approx(AREA, rel=2e-3)


@pytest.mark.parametrize("form, said", [
    (Polygon([(-106, 52), (-105.98, 52.01), (-105.98, 52), (-106, 52.01)]), "crosses itself"),
    (Polygon([(52.0, -106.0), (52.0, -105.9), (52.1, -105.9)]), "latitude before longitude"),
    (Polygon([(431350, 5761510), (432000, 5761510), (432000, 5762000)]), "projected metres"),
    (Polygon([(-106, 52), (-106.00001, 52), (-106, 52.00001)]), "no field is smaller than"),
    (box(-106, 52, -104, 54), "no field is more than"),
])  # fmt: skip
def test_what_cannot_be_a_field_is_refused(write, form, said):
    """A bow tie, latitude first, metres, a speck and a country are refused, each in its own words."""
    with pytest.raises(BoundaryRefused, match=said):
        read_fields(write["geojson"](form))


@pytest.mark.parametrize("name, content, said", [
    ("a.geojson", "{", "damaged"), ("a.gpx", "<gpx", "not GPX"), ("a.txt", "x", "of no kind"),
    ("a.kml", "<kml", "not KML"), ("a.shp", "nothing", "cannot be read"),
    ("a.geojson", '{"type": "FeatureCollection", "features": []}', "no closed area"),
    ("a.geojson", '{"type": "Polygon", "coordinates": [[[0, 0], [1, 0]]]}', "ring of 2 points"),
    ("a.geojson", '{"type": "Polygon", "coordinates": "x"}', "without coordinates|no closed area"),
])  # fmt: skip
def test_a_damaged_file_is_refused_in_words(tmp_path, name, content, said):
    """A file that is no such file is refused by a sentence, never by a traceback."""
    if name.endswith(".shp"):
        pytest.importorskip("pyogrio", reason="pyogrio is not installed")
    (tmp_path / name).write_text(content)
    with pytest.raises(BoundaryRefused, match=said):
        read_fields(tmp_path / name)


def test_an_open_walk_is_no_field(write):
    """A track that ends far from where it begins goes round nothing, and the distance is said."""
    with pytest.raises(BoundaryRefused, match=r"ends 8\d\d m from where it begins"):
        read_fields(write["gpx"](list(QUARTER.exterior.coords)[:4]))


def test_fields_come_into_the_logbook_by_name(write, tmp_path, capsys):
    """A new field is added; the same name again gets its new boundary and keeps target and id."""
    store = str(tmp_path / "logbook.sqlite")
    open_store(store, "office").close()
    path = str(write["geojson"](QUARTER, Name="Home North"))
    assert main(["fields", path, "--target", "3", "--crop", "flax", "--store", store, "--json"]) == 0
    first = json.loads(capsys.readouterr().out)["fields"][0]
    assert first["added"] and first["area_m2"] == pytest.approx(AREA, abs=0.02)
    smaller = str(write["geojson"](box(-106.0, 52.0, -105.99, 52.0072), Name="home north"))
    assert main(["fields", smaller, "--store", store, "--json"]) == 0
    second = json.loads(capsys.readouterr().out)["fields"][0]
    assert second["id"] == first["id"] and not second["added"]
    assert main(["fields", "--rename", "Home North", "Far North", "--store", store]) == 0
    assert main(["fields", "--rename", "Home North", "X", "--store", store]) == 1
    with open_store(store) as book:
        (row,) = book.all(models.Field)
        assert (row.name, row.target, row.crop) == ("Far North", 3, "flax")


def test_two_fields_of_one_name_keep_apart(tmp_path):
    """Names that come twice in a file are numbered; fields without a name get the file's."""
    features = [
        {"type": "Feature", "properties": {"name": name}, "geometry": mapping(QUARTER)} for name in ("A", "a", None)
    ]
    path = tmp_path / "land.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}))
    assert [found.name for found in read_fields(path)] == ["A", "a (2)", "land 3"]
