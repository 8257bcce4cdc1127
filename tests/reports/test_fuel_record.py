"""Fuel that no stint has is in the tables and in the ledger, and in no job's cost."""

import csv

import lxml.html
import openpyxl

from cabapp.reports.model.job_record import jobs_of
from cabapp.reports.season.office_build import build
from store import models

START = 1778780400.0


def test_fuel_of_no_job_is_listed_and_borne_by_none(write_small, page_names, tmp_path):
    """Filled at the yard: 50 L at the farm's 1.00 is 50.00, in the ledger, CSV and XLSX; the job's
    100.00 stays; and it alone has the pages of all jobs made anew, but no job's."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    book, out = made.book, tmp_path / "out"
    build(book, jobs_of(book), out, START)
    assert "Fuel of no job" not in (out / "season-2026.html").read_text("utf-8")
    (tractor,) = book.all(models.Tractor)
    book.add(models.FuelEntry(tractor_id=tractor.id, at=START + 5000, litres=50.0))
    assert build(book, jobs_of(book), out, START)["written"] == 0
    page = lxml.html.parse(str(out / "season-2026.html"))
    (row, total) = page.xpath("//table[@data-table='loose-fuel']/tbody/tr")
    assert [c.text_content().strip() for c in row] == ["14 May 14:03", "Grey", "13 gal", "50.00"]
    assert total[3].text_content().strip() == "50.00"
    fields = page.xpath("//table[@data-table='fields']/tbody/tr")[0]
    assert fields[8].text_content().strip() == "100.00"
    with open(out / "fuel.csv", encoding="utf-8", newline="") as text:
        rows = list(csv.DictReader(text))
    assert [(r["fuel_l"], r["cost"], r["field"]) for r in rows] == [("100.0", "100.0", "Square"), ("50.0", "50.0", "")]
    sheet = openpyxl.load_workbook(out / "rollbook.xlsx")["fuel"]
    assert [cell.value for cell in sheet["F"]][1:] == [100, 50]
    book.close()


def test_what_changes_no_figure_touches_the_job_s_pages_alone(write_small, page_names, tmp_path):
    """A mark put on a field changes its maps and files; ledger, day book, tables and counts stay untouched."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    book, out = made.book, tmp_path / "out"
    build(book, jobs_of(book), out, START)
    before = {path.name: path.stat().st_mtime_ns for path in out.iterdir()}
    book.add(models.Mark(field_id=made.field.id, kind="rock", lat=47.64, lon=-87.46, at=START))
    assert build(book, jobs_of(book), out, START + 60)["written"] == 1
    touched = {path.name for path in out.iterdir() if path.stat().st_mtime_ns != before.get(path.name)}
    assert touched and all(name.startswith("square-") or name in ("pages.json", "plan.html") for name in touched)
    assert not any("-counts." in name for name in touched)
    book.close()
