"""What the office writes is read back by other libraries, and made anew only where it must be."""

import csv
import json
import os
import sqlite3
import urllib.error
import urllib.request
from datetime import datetime
from threading import Thread

import numpy as np
import openpyxl
import pytest

from cabapp.__main__ import main
from cabapp.common.units import ACRE
from cabapp.reports.export import gis_files
from cabapp.reports.model.job_record import jobs_of
from cabapp.reports.season.job_digest import fingerprints
from cabapp.reports.season.local_server import server
from cabapp.reports.season.office_build import KEPT, build
from store import models
from sync import export_bundle, merge_bundles
from sync.enrolment import pair

START = 1778780400.0


@pytest.fixture(scope="module")
def office(small_office):
    """The office's folder of the small logbook."""
    return small_office()


def rows_of(path):
    with open(path, encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv_and_workbook_hold_the_store_s_totals(office, small_log):
    """CSV and XLSX, read back, hold the same areas, litres and hours as the count, and real dates."""
    job = rows_of(office / "jobs.csv")[0]
    assert float(job["field_area_ac"]) == pytest.approx(small_log.totals.field_area / ACRE, abs=1e-6)
    assert float(job["pass_area_ha"]) == pytest.approx(small_log.totals.pass_area / 1e4, abs=1e-6)
    stints = rows_of(office / "stints.csv")
    assert [float(r["fuel_l"]) for r in stints] == [100.0, 0.0]
    assert [float(r["all_h"]) for r in stints] == pytest.approx([560 / 3600, 98 / 3600], abs=1e-6)
    book = openpyxl.load_workbook(office / "rollbook.xlsx")
    assert book.sheetnames == ["jobs", "stints", "days", "fuel"]
    sheet = book["stints"]
    row = {head.value: cell for head, cell in zip(sheet[1], sheet[2], strict=True)}
    assert row["began"].is_date and row["began"].value == datetime(2026, 5, 14, 12, 39)
    assert row["fuel_l"].value == 100 and isinstance(row["pass_area_ha"].value, float)


def test_pandas_reads_both_alike(office):
    """pandas reads the same numbers and the same days from CSV and from XLSX."""
    pd = pytest.importorskip("pandas", reason="pandas is not installed")
    for name in ("jobs", "stints", "days"):
        flat = pd.read_csv(office / f"{name}.csv", parse_dates=[0] if name == "days" else None)
        book = pd.read_excel(office / "rollbook.xlsx", sheet_name=name)
        assert list(flat.columns) == list(book.columns) and len(flat) == len(book) > 0
        numbers = flat.select_dtypes("number").columns
        assert len(numbers) and np.allclose(flat[numbers], book[numbers], equal_nan=True)
        if name == "days":
            assert pd.api.types.is_datetime64_any_dtype(book["day"]) and (flat["day"] == book["day"]).all()


def test_no_name_becomes_a_formula(write_small, page_names, tmp_path):
    """A name that begins like a formula stays text in CSV and XLSX."""
    from types import SimpleNamespace

    names = SimpleNamespace(**{**vars(page_names.plain), "first": "=1+1", "tool": "@SUM(A1)"})
    made = write_small(tmp_path / "logbook.sqlite", names=names)
    build(made.book, jobs_of(made.book), tmp_path / "out", START)
    made.book.close()
    assert rows_of(tmp_path / "out/stints.csv")[0]["operator"] == "'=1+1"
    sheet = openpyxl.load_workbook(tmp_path / "out/rollbook.xlsx")["stints"]
    cells = [cell for row in sheet.iter_rows() for cell in row]
    assert not [cell for cell in cells if cell.data_type == "f"]
    assert {"=1+1", "@SUM(A1)"} <= {cell.value for cell in cells}


def test_the_geopackage_is_one(office, small_log):
    """The GeoPackage is sound as SQLite, says that it is one, and its boxes hold its geometries."""
    path = next(office.glob("*.gpkg"))
    book = sqlite3.connect(path)
    assert book.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert not book.execute("PRAGMA foreign_key_check").fetchall()
    assert book.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
    layers = dict(book.execute("SELECT table_name, data_type FROM gpkg_contents"))
    assert layers == {
        "field": "features",
        "gap": "features",
        "mark": "features",
        "swath": "features",
        "trace": "features",
    }
    assert book.execute("SELECT count(*) FROM gap").fetchone() == (len(small_log.gaps),)
    book.close()


def test_gdal_reads_the_geopackage(office, small_log):
    """Read by GDAL in WGS 84, every layer has its rows and the field its boundary and areas."""
    pyogrio = pytest.importorskip("pyogrio", reason="pyogrio is not installed")
    import shapely

    path = next(office.glob("*.gpkg"))
    assert sorted(pyogrio.list_layers(path)[:, 0]) == ["field", "gap", "mark", "swath", "trace"]
    meta, _, shapes, columns = pyogrio.raw.read(path, layer="field")
    assert meta["crs"] == "EPSG:4326" and meta["geometry_type"] == "MultiPolygon"
    told = dict(zip(meta["fields"], (column[0] for column in columns), strict=True))
    assert told["pass_area_m2"] == pytest.approx(small_log.totals.pass_area, abs=0.01)
    form = shapely.from_wkb(shapes[0])
    assert form.symmetric_difference(shapely.from_geojson(json.dumps(small_log.field.boundary))).area < 1e-12


def test_geopandas_measures_the_same_field(office, small_log):
    """geopandas, by its own equal-area projection, finds the field area of the count."""
    gpd = pytest.importorskip("geopandas", reason="geopandas is not installed")
    for path in (next(office.glob("*.gpkg")), next(office.glob("*.geojson"))):
        frame = gpd.read_file(path, layer="field") if path.suffix == ".gpkg" else gpd.read_file(path)
        field = frame[frame["name"].notna()]
        area = float(field.to_crs("EPSG:6933").area.iloc[0])
        assert area == pytest.approx(small_log.totals.field_area, rel=1e-3)


def test_a_gis_reads_the_counts_in_their_place(office, small_log):
    """rasterio reads the picture of counts: its reference system, its place, and the count's areas."""
    rasterio = pytest.importorskip("rasterio", reason="rasterio is not installed")
    from pyproj import Transformer

    with rasterio.open(next(office.glob("*-counts.png"))) as raster:
        values, nodata, crs = raster.read(1), raster.nodata, raster.crs
        cell = raster.res[0] * raster.res[1]
        to_plane = Transformer.from_crs("EPSG:4326", crs.to_wkt(), always_xy=True)
        spot = {y: [raster.index(*to_plane.transform(*place))] for y, place in places_on(small_log).items()}
    assert nodata == gis_files.OUTSIDE
    assert (values != nodata).sum() * cell == pytest.approx(small_log.totals.field_area, rel=0.002)
    for passes, area in small_log.totals.by_count.items():
        assert (values == passes).sum() * cell == pytest.approx(area, rel=0.03)
    # lanes 10 m wide about y = -25, -20, -15: once at -28, twice at -22, never at 20
    assert [int(values[spot[y][0]]) for y in (-28, -22, 20)] == [1, 2, 0]


def places_on(log):
    """Longitude and latitude of places so far north of the field's middle, m."""
    _, south, _, north = log.count.field.polygon.bounds
    middle = (south + north) / 2
    lat, lon = log.count.plane.to_latlon([[-60.0, middle + y] for y in (-28.0, -22.0, 20.0)])
    return {y: (float(b), float(a)) for y, a, b in zip((-28, -22, 20), lat, lon)}


def test_a_build_that_changed_nothing_counts_nothing(office, small_job):
    """A second build of the same logbook writes no job's page anew."""
    before = {path.name: path.stat().st_mtime_ns for path in office.iterdir()}
    assert build(small_job.book, jobs_of(small_job.book), office, START + 9999)["written"] == 0
    after = {path.name: path.stat().st_mtime_ns for path in office.iterdir()}
    assert {name for name in before if before[name] != after[name]} <= {"plan.html"}


def test_pages_of_all_jobs_follow_the_farm(write_small, page_names, tmp_path):
    """A new currency is on the season's page as soon as on the job's, though no figure changed."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    made.book.put(models.Operator, made.first.operator_id, rate_per_h=30.0)
    (farm,), out = made.book.all(models.Farm), tmp_path / "out"
    for sign in ("$", "£"):
        made.book.put(models.Farm, farm.id, currency=sign)
        build(made.book, jobs_of(made.book), out, START)
        assert sign in (out / "season-2026.html").read_text("utf-8")
    made.book.close()


def test_one_merged_bundle_touches_one_job(write_small, page_names, tmp_path):
    """After a bundle about one field is merged, the files of the other field are not touched."""

    made = write_small(tmp_path / "tablet.sqlite", names=page_names.plain)
    other = made.book.put(models.Field, name="Other", target=2, boundary=made.field.boundary)
    job = made.book.put(models.Job, field_id=other.id, operation="rolling", season=2026, target=2)
    first = made.first
    stint = made.book.add(
        models.Stint(job_id=job.id, operator_id=first.operator_id, tractor_id=first.tractor_id,
                     tool_id=first.tool_id, width_m=10.0, at=START + 4000)
    )  # fmt: skip
    made.book.add(models.Tap(stint_id=stint.id, kind="start", at=START + 4001))
    from store import open_store

    copy = open_store(tmp_path / "office.sqlite", "office")
    pair(copy, made.book)
    merge_bundles(copy, [export_bundle(made.book, tmp_path / "one")])
    out = tmp_path / "out"
    assert build(copy, jobs_of(copy), out, START)["written"] == 2
    stood = {path.name: path.read_bytes() for path in out.iterdir()}
    made.book.add(models.Tap(stint_id=stint.id, kind="finish", at=START + 4100))
    merge_bundles(copy, [export_bundle(made.book, tmp_path / "two")])
    done = build(copy, jobs_of(copy), out, START)
    changed = {name for name, was in stood.items() if (out / name).read_bytes() != was}
    copy.close(), made.book.close()
    assert done == {"written": 1, "jobs": 2}
    assert not [name for name in changed if name.startswith("square")]
    assert "day-book.html" in changed and [name for name in changed if name.startswith("other")]


def test_everything_a_page_is_made_of_changes_its_fingerprint(write_small, page_names, tmp_path):
    """A tap, a mark, a correction, a rate, a name and a target each ask for the page anew."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    book, job = made.book, made.job
    acts = [
        lambda: book.add(models.Tap(stint_id=made.second.id, kind="caution", at=START)),
        lambda: book.add(models.Mark(field_id=made.field.id, kind="well", lat=47.64, lon=-87.46, at=START)),
        lambda: book.add(models.Correction(corrects_table="mark", corrects_id=made.rock.id, at=START,
                                           reason="no", detail={"void": True})),
        lambda: book.put(models.Operator, made.first.operator_id, rate_per_h=30.0),
        lambda: book.put(models.Field, made.field.id, name="Round"),
        lambda: book.put(models.Job, job.id, field_id=job.field_id, operation="rolling", season=2026, target=1),
    ]  # fmt: skip
    seen = []
    for act in [lambda: None, *acts]:
        act()
        seen.append(fingerprints(book, jobs_of(book))[job.id])
    book.put(models.Operator, name="Somebody else", rate_per_h=99.0)
    unchanged = fingerprints(book, jobs_of(book))[job.id]
    book.close()
    assert len(set(seen)) == len(seen) and unchanged == seen[-1]


def test_an_interrupted_build_goes_on_where_it_was(small_job, tmp_path, monkeypatch):
    """Ctrl-C in the middle of writing leaves whole files only, and the next build finishes."""
    import cabapp.reports.season.office_build as office_module

    def stop(*_):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(office_module, "harvest_sheet", stop)
        out = tmp_path / "out"
        assert main(["office", "--store", str(small_job.book.path), "--out", str(out)]) == 1
    assert not list(out.glob("*.part")) and not (out / "index.html").exists()
    assert main(["office", "--store", str(small_job.book.path), "--out", str(out)]) == 0
    assert (out / "index.html").exists() and json.loads((out / KEPT).read_text())


def test_a_renamed_field_leaves_no_old_pages(write_small, page_names, tmp_path):
    """After a field is renamed its pages have the new name alone, and other files are left in peace."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    out = tmp_path / "out"
    build(made.book, jobs_of(made.book), out, START)
    (out / "square-notes.txt").write_text("mine")
    made.book.put(models.Field, made.field.id, name="Round")
    build(made.book, jobs_of(made.book), out, START)
    made.book.close()
    assert [path.name for path in out.glob("square*")] == ["square-notes.txt"]
    assert len(list(out.glob("round*.html"))) == 5


def test_pages_are_served_to_this_machine_alone(office):
    """The server hands out the home page on loopback; no listing, no way up, no other host's name."""
    pages = server(office)
    Thread(target=pages.serve_forever, daemon=True).start()
    host, port = pages.server_address[:2]
    assert host == "127.0.0.1"

    def fetch(path, name="127.0.0.1"):
        ask = urllib.request.Request(f"http://127.0.0.1:{port}{path}", headers={"Host": f"{name}:{port}"})
        try:
            with urllib.request.urlopen(ask, timeout=5) as answer:
                return answer.status, answer.read()
        except urllib.error.HTTPError as error:
            return error.code, b""

    try:
        status, page = fetch("/")
        assert status == 200 and page == (office / "index.html").read_bytes()
        assert fetch("/", "evil.example")[0] == 403
        assert fetch("/%00")[0] == fetch("/a%00.html")[0] == 404, "no file has such a name"
        assert fetch("/../../etc/passwd")[0] == 404 and fetch("/%2e%2e/%2e%2e/etc/passwd")[0] == 404
        os.makedirs(office / "folder", exist_ok=True)
        assert fetch("/folder/")[0] == 404
    finally:
        pages.shutdown(), pages.server_close()


def test_corrections_count_and_are_shown(write_small, page_names, tmp_path, capsys):
    """A corrected width and fuel change the figures; the page shows what was written and why."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    path, stint = str(made.book.path), made.second.id
    fuel = made.book.all(models.FuelEntry)[0]
    made.book.close()
    assert main(["office", "--store", path, "--out", str(tmp_path / "a")]) == 0
    assert (
        main(
            ["correct", "stint", stint, "width_m=5m", "--reason", "other roller", "--by", "Ada Stone", "--store", path]
        )
        == 0
    )
    assert main(["correct", "fuel", fuel.id[:8], "litres=80", "--reason", "misread", "--store", path]) == 0
    assert main(["edit", "job", "Square", "agreed_area_m2=3ac", "--store", path]) == 0
    assert main(["office", "--store", path, "--out", str(tmp_path / "b")]) == 0
    (was, now) = (rows_of(tmp_path / folder / "stints.csv") for folder in "ab")
    assert float(now[1]["pass_area_ha"]) == pytest.approx(float(was[1]["pass_area_ha"]) / 2, rel=0.02)
    assert [r["fuel_l"] for r in was] == ["100.0", "0.0"] and now[0]["fuel_l"] == "80.0"
    assert now[0]["fuel_cost"] == "80.0" and now[0]["corrections"] == "1"
    page = next((tmp_path / "b").glob("*-job.html")).read_text("utf-8")
    assert "width: 16 ft (was 33 ft)" in page and "other roller" in page and "(was 26 gal)" in page
    assert "3.00 ac" in next((tmp_path / "b").glob("*-custom.html")).read_text("utf-8")


def test_a_correction_from_elsewhere_cannot_do_what_it_likes(small_job, monkeypatch):
    """A correction that names another column, no number or an unknown person is passed over."""
    from cabapp.jobs.records.corrections import Corrections

    corrected = Corrections(small_job.book)
    said = {"at": "noon", "width_m": -1.0, "operator_id": "nobody", "id": "x", "job_id": "y", "sections": "wide"}
    row = models.Correction(corrects_table="stint", corrects_id=small_job.first.id, detail=said)

    every = small_job.book.all
    rows_and = lambda model, **some: [row] if model is models.Correction else every(model, **some)  # noqa: E731
    monkeypatch.setattr(small_job.book, "all", rows_and)
    assert Corrections(small_job.book).said(small_job.first.id) == {}
    assert corrected.apply(small_job.first) is small_job.first


@pytest.mark.parametrize("words, said", [
    (["correct", "stint", "zzz", "width_m=5", "--reason", "x"], "; 0 do"),
    (["correct", "stint", "{stint}", "width_m=5"], "says why"),
    (["correct", "stint", "{stint}", "width_m=0", "--reason", "x"], "cannot be 0"),
    (["correct", "stint", "{stint}", "season=soon", "--reason", "x"], "no season"),
    (["correct", "stint", "{stint}", "device=5", "--reason", "x"], "corrects nothing"),
    (["correct", "stint", "{stint}", "sections=1,2", "--reason", "x"], "together"),
    (["correct", "stint", "{stint}", "void", "--reason", "x"], "recorded in the cab cannot be taken back"),
    (["correct", "fuel", "{fuel}", "restore", "--reason", "x"], "nothing to restore"),
    (["correct", "tap", "{tap}", "void", "--reason", "x"], "A tap cannot be taken back"),
    (["correct", "tap", "{tap}", "at=noon", "--reason", "x"], "no time"),
    (["correct", "fuel", "{fuel}", "litres=5ft", "--reason", "x"], "with gal or l"),
    (["edit", "job", "Square", "agreed_area_m2=5ft"], "is a number"),
    (["edit", "farm", "currency=dollars"], "4 letters on one line"),
    (["edit", "operator", "Nobody", "rate_per_h=3"], "In this logbook: Ada Stone, Bo Reed."),
    (["edit", "operator", "Ada Stone", "rate_per_h=lots"], "is a number"),
    (["edit", "operator", "Ada Stone", "name=Bo Reed"], "called 'Bo Reed' already"),
    (["edit", "field", "Square", "target=0"], "1 to 9"),
    (["edit", "farm", "timezone=Mars/Base"], "a time zone such as America/Chicago"),
])  # fmt: skip
def test_wrong_edits_are_refused_in_words(small_job, capsys, words, said):
    """What cannot be corrected or edited is refused by a sentence, and nothing is added."""
    book = small_job.book
    tap = book.all(models.Tap)[0]
    before = len(book.all(models.Correction)) + len(book.all(models.Change))
    fuel = book.all(models.FuelEntry)[0]
    words = [w.format(stint=small_job.first.id, tap=tap.id, fuel=fuel.id) for w in words]
    assert main([*words, "--store", str(book.path)]) == 1
    assert said in capsys.readouterr().err
    assert len(book.all(models.Correction)) + len(book.all(models.Change)) == before


def test_office_edits_reach_the_cab(write_small, page_names, tmp_path):
    """A rate, a target, a currency, an agreed area and a lease set in the office are in the tablet's
    logbook after one bundle."""
    from store import open_store

    made = write_small(tmp_path / "tablet.sqlite", names=page_names.plain)
    copy = open_store(tmp_path / "office.sqlite", "office")
    pair(copy, made.book)
    merge_bundles(copy, [export_bundle(made.book, tmp_path / "out")])
    copy.close()
    path = str(tmp_path / "office.sqlite")
    assert main(["edit", "operator", "Bo Reed", "rate_per_h=31.5", "--store", path]) == 0
    assert main(["edit", "field", "Square", "target=3", "--store", path]) == 0
    assert main(["edit", "farm", "fuel_price_per_l=0.95", "currency=$", "--store", path]) == 0
    assert main(["edit", "job", "Square", "agreed_area_m2=3ac", "--store", path]) == 0
    with open_store(path) as copy:
        whole = made.book.get(models.Field, made.field.id).boundary
        copy.put(models.Parcel, field_id=made.field.id, name="All", landlord="Ida Marsh", boundary=whole, share=0.25)
        bundle = export_bundle(copy, tmp_path / "back")
    merge_bundles(made.book, [bundle])
    assert {row.name: row.rate_per_h for row in made.book.all(models.Operator)}["Bo Reed"] == 31.5
    assert made.book.get(models.Field, made.field.id).target == 3
    (farm,) = made.book.all(models.Farm)
    assert (farm.fuel_price_per_l, farm.currency) == (0.95, "$")
    assert made.book.get(models.Job, made.job.id).agreed_area_m2 == pytest.approx(3 * ACRE)
    assert [(row.name, row.landlord, row.share) for row in made.book.all(models.Parcel)] == [("All", "Ida Marsh", 0.25)]
    made.book.close()
