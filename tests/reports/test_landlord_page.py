"""Landlords: ground split by parcels exactly, money by the lease, and what lies in no parcel said."""

import json
from types import SimpleNamespace

import lxml.html
import pytest
import shapely
from shapely.geometry import Polygon, box

from cabapp.__main__ import main
from cabapp.geometry.plane import Plane
from cabapp.reports.model.job_record import jobs_of, read_job
from cabapp.reports.model.parcel_split import ParcelShare, apportion, money_of, split_by_parcel
from cabapp.reports.season.office_build import build
from store import models

PLANE = Plane(47.64, -87.46)
START = 1778780400.0
# The three lanes of the small logbook, m on its plane, and what the second lost without reception.
LANES = [box(-100, -30, 100, -20), box(-100, -25, 100, -15) - box(5, -25, 35, -15), box(-100, -20, 100, -10)]
SLANTED = Polygon([(-100, -30), (20, -30), (-60, 30), (-100, 30)])
BESIDE = Polygon([(20, -30), (70, -30), (70, 30), (-60, 30)])
STAR = Polygon([(-90, -28), (0, -16), (80, -29), (10, -12), (95, 25), (0, -5), (-95, 20), (-20, -14)])


def geometry(form) -> dict:
    """A form on the plane as GeoJSON."""
    lat, lon = PLANE.to_latlon(form.exterior.coords)
    return {"type": "Polygon", "coordinates": [[list(p) for p in zip(lon.tolist(), lat.tolist())]]}


def overlay(form) -> dict[int, float]:
    """Area by count of a form under the lanes, by exact overlay of polygons."""
    found = {0: form.area}
    for chosen in range(1, 8):
        inside = form
        for k, lane in enumerate(LANES):
            inside = inside & lane if chosen >> k & 1 else inside - lane
        n = chosen.bit_count()
        found[n] = found.get(n, 0.0) + inside.area
        found[0] -= inside.area
    return found


@pytest.fixture
def farm(write_small, page_names, tmp_path):
    """The small logbook with two parcels, and a landlord who bears a third by lease."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    put = made.book.put
    put(
        models.Parcel,
        field_id=made.field.id,
        name="West",
        landlord="Ida Marsh",
        boundary=geometry(SLANTED),
        share=1 / 3,
        rule="a third",
    )
    put(models.Parcel, field_id=made.field.id, name="Middle", landlord="Old Mill Trust", boundary=geometry(BESIDE))
    put(models.Farm, made.book.all(models.Farm)[0].id, currency="$")
    yield SimpleNamespace(**vars(made), path=str(made.book.path))
    made.book.close()


@pytest.mark.parametrize("form", [SLANTED, BESIDE, STAR, box(-300, -12, 300, 400), box(4, -26, 36, -14)])
def test_a_parcel_s_ground_is_the_exact_overlay(small_log, form):
    """By count, ground in a parcel is shapely's exact overlay of parcel, field and lanes."""
    row = models.Parcel(id="p", name="x", landlord="y", boundary=geometry(form))
    from cabapp.reports.model.parcel_split import outline

    (part, *_rest) = split_by_parcel([(row, outline(row, small_log.count))], small_log.count).parts
    inside = form & small_log.count.field.polygon
    want = overlay(inside)
    assert part.area == pytest.approx(inside.area, rel=3e-5)
    near = {"abs": 1.5e-3 * part.area + 0.5}
    assert part.none == pytest.approx(want[0], **near)
    for n in (1, 2, 3):
        assert part.by_count.get(str(n), 0.0) == pytest.approx(want.get(n, 0.0), **near)
    assert part.pass_area == pytest.approx(sum(n * a for n, a in want.items()), **near)


def test_parcels_and_the_rest_add_up_to_the_field(farm):
    """Both parcels and the ground in none add up to the field's areas by count."""
    log = read_job(farm.book, farm.job)
    parts = split_by_parcel(log.parcels, log.count).parts
    assert [part.name for part in parts] == ["Middle", "West", "in no parcel"]
    assert parts[2].area == pytest.approx(30 * 60, rel=1e-3)
    assert sum(part.area for part in parts) == pytest.approx(log.totals.field_area, rel=1e-6)
    assert sum(part.none for part in parts) == pytest.approx(log.totals.none, abs=1)
    assert sum(part.pass_area for part in parts) == pytest.approx(log.totals.pass_area, rel=1e-3)


def test_money_follows_passes_and_only_the_lease_moves_it(farm, tmp_path):
    """Worked by hand: 100.00 of fuel; of 5 700 m2 of passes 3 173.96 lie in West, so 55.68, and a
    third of that, 18.56, is its landlord's; the others bear nothing, for no lease is written.

    The line from (20, -30) to (-60, 30) crosses y = -25, -20, -15 at x = 40/3, 20/3, 0: a lane 10 m
    high about y is in West for 120 - 4/3 (y + 30) on the mean, together 3 200 m2. Of lane 2 what lies
    between x = 5 and the line was lost: a triangle 6.25 m high and 25/3 m long, 26.04 m2. (Places
    are kept to 1e-7 degree, 1 cm: some hundredths.)
    """
    build(farm.book, jobs_of(farm.book), tmp_path / "out", START + 9000)
    page = lxml.html.parse(str(tmp_path / "out" / "landlords-2026.html"))
    rows = {r[1]: r for r in cells(page, "field-0")}
    cost = float(rows["West"][10].strip("$"))
    assert cost == pytest.approx(100 * (3200 - 6.25 * 25 / 3 / 2) / 5700, abs=0.04)
    assert float(rows["West"][12].strip("$")) == pytest.approx(cost / 3, abs=0.00501)
    assert rows["West"][11] == "1/3" and "“a third”" in page.find(".//footer").text_content()
    assert rows["Middle"][11:] == ["–", "–"] and rows["in no parcel"][2] == "–"
    spent = [float(r[10].strip("$")) for r in rows.values()]
    assert round(sum(spent), 2) == 100.00
    ledger = lxml.html.parse(str(tmp_path / "out" / "season-2026.html"))
    owners = {r[0]: r for r in cells(ledger, "by-landlord")}
    assert owners["Ida Marsh"][-1] == rows["West"][12] and owners["in no parcel"][-1] == "–"
    assert "landlords-2026.html" in (tmp_path / "out" / "index.html").read_text("utf-8")
    assert "in no parcel" in page.find(".//main").text_content()


@pytest.mark.parametrize(("beside", "spent"), [(0.3, 10000), (1000.0, 8507)])
def test_parts_that_are_the_whole_bear_the_whole(beside, spent):
    """What two measures of the same ground differ by costs nobody anything; ground in no part bears its own (by hand)."""
    parts = [ParcelShare("", name, "", area, 0.0, {}, area) for name, area in (("a", 2000.0), ("b", 3700.0))]
    assert sum(cost for cost, _ in money_of(parts, 10000, 5700.0 + beside)) == spent


def cells(page, key) -> list[list[str]]:
    """The cells of a table of a page, row by row."""
    rows = page.xpath(f"//table[@data-table='{key}']/tbody/tr")
    return [[cell.text_content().strip() for cell in row] for row in rows]


@pytest.mark.parametrize("cents", [0, 1, 99, 100, 12_345_677])
def test_no_hundredth_is_lost_in_dividing(cents):
    """Parts add up to the whole and none is a hundredth or more from its exact share."""
    weights = [3.0, 1.0, 0.0, 2.5, 1e-9]
    parts = apportion(cents, weights)
    assert sum(parts) == cents
    assert all(abs(p - cents * w / sum(weights)) < 1 for p, w in zip(parts, weights))


def test_without_cost_or_lease_no_money_is_said(small_log):
    """Not known stays not known: no cost gives no split, no lease gives no landlord's money."""
    row = models.Parcel(id="p", name="x", landlord="y", boundary=geometry(SLANTED))
    from cabapp.reports.model.parcel_split import outline

    parts = split_by_parcel([(row, outline(row, small_log.count))], small_log.count).parts
    assert money_of(parts, None, 1.0) == [(None, None)] * 2
    assert money_of(parts, 10000, sum(p.pass_area for p in parts))[0][1] is None


@pytest.mark.parametrize("boundary", [
    {}, {"type": "Point", "coordinates": [0, 0]}, {"type": "Polygon", "coordinates": "no"},
    {"type": "Polygon", "coordinates": [[[0, 0], [1, 1], [1, 0], [0, 1], [0, 0]]]},
    {"type": "Polygon", "coordinates": [[[0, 0], [None, 1], [1, 0], [0, 0]]]},
])  # fmt: skip
def test_a_parcel_that_is_no_area_is_left_out_and_said(farm, boundary, tmp_path):
    """Whatever a bundle brings for a boundary, the pages are made and say what was left out."""
    farm.book.put(models.Parcel, field_id=farm.field.id, name="Odd", landlord="Nobody", boundary=boundary)
    build(farm.book, jobs_of(farm.book), tmp_path / "out", START + 9000)
    assert "the outline of Odd is no area" in (tmp_path / "out" / "landlords-2026.html").read_text("utf-8")


def test_parcels_come_from_a_file_and_leases_from_an_edit(farm, tmp_path, capsys):
    """A file gives ground and landlord, an edit the lease; an overlap of a hand's breadth is cut
    back, a deep one refused; a parcel elsewhere is refused."""

    def call(form, name, *words):
        path = tmp_path / f"{name}.geojson"
        one = {"type": "Feature", "properties": {"name": name}, "geometry": geometry(form)}
        path.write_text(json.dumps({"type": "FeatureCollection", "features": [one]}))
        code = main(["parcels", str(path), "--field", "square", "--store", farm.path, *words])
        return code, "".join(capsys.readouterr())

    code, said = call(box(69.5, -30, 110, 30), "East", "--landlord", "Wren & Sons")
    assert code == 0 and "cut back by" in said and "no lease written" in said
    assert main(["edit", "parcel", "East", "share=40%", "rule=two fifths of rolling", "--store", farm.path]) == 0
    assert main(["edit", "parcel", "Square East", "share=2/5", "--store", farm.path]) == 0
    capsys.readouterr()
    (row,) = farm.book.all(models.Parcel, name="East")
    assert (row.share, row.landlord, row.rule) == (0.4, "Wren & Sons", "two fifths of rolling")
    log = read_job(farm.book, farm.job)
    assert split_by_parcel(log.parcels, log.count).overlap < 0.1
    assert not [p for p in split_by_parcel(log.parcels, log.count).parts if not p.parcel]
    code, said = call(box(-50, -30, 110, 30), "Wide")
    assert code == 1 and "of its ground in" in said
    code, said = call(shapely.affinity.translate(SLANTED, 5000), "Far")
    assert code == 1 and "lies nowhere in Square" in said
    assert main(["edit", "parcel", "East", "share=1.2", "--store", farm.path]) == 1
    assert main(["parcels", "--field", "Square", "--remove", "East", "--store", farm.path]) == 0
    assert not farm.book.all(models.Parcel, name="East")


def test_a_lease_asks_for_that_field_s_pages_anew(farm, tmp_path):
    """A new share is a reason to write the job's pages anew; nothing new is none."""
    jobs = jobs_of(farm.book)
    assert build(farm.book, jobs, tmp_path / "out", START)["written"] == 1
    assert build(farm.book, jobs, tmp_path / "out", START)["written"] == 0
    (row,) = farm.book.all(models.Parcel, name="Middle")
    farm.book.put(models.Parcel, row.id, share=0.5)
    assert build(farm.book, jobs, tmp_path / "out", START)["written"] == 1
