"""`rollbook demo` from end to end, headless: the same code as the cab, on two tablets and the office copy."""

import csv
import json
from pathlib import Path

import lxml.html
import pytest

from cabapp.__main__ import main
from cabapp.jobs.fields.season_history import seeded_at
from demo_db import farm
from demo_db.scenario import local
from store import models, open_store


def test_the_demo_does_the_whole_job(short_demo):
    """It ends well, every fault put in is found, and nothing is missing in the office copy."""
    assert short_demo.status == 0
    for row in short_demo.found["put_in"]:
        assert row["found"] > (0.90 if row["passes"] is None else 0.99), row
    assert short_demo.found["merge"]["missing"] == [] and short_demo.found["merge"]["added"] > 40
    assert short_demo.found["unknown_s"] == pytest.approx(45, abs=2)


def test_the_office_counts_what_the_traces_say(short_demo, short_count):
    """Two tablets, two bundles and the office copy end at the areas of the bare traces."""
    tally, found = short_count.area_totals(), short_demo.found["area_m2"]
    assert found["field"] == pytest.approx(tally.field_area, rel=1e-9)
    for n, area in tally.by_count.items():
        assert found["by_count"][str(n)] == pytest.approx(area, abs=1e-4 * tally.field_area)


def test_the_wrong_place_did_not_close_the_hand_over(short_demo):
    """Pointing two laps too far out was refused; the right place closed the hand-over."""
    (one,) = short_demo.found["hand_overs"]
    assert [r["agreed"] for r in one["receipts"]] == [False, True]
    assert one["receipts"][0]["metres_off"] > 10 > one["receipts"][1]["metres_off"]


def test_the_repeated_lane_was_warned_of(short_demo):
    """Tam was told that his pass was finished already, and Oda that reception was lost."""
    oda, tam = (s["sounds"] for s in short_demo.found["stints"])
    assert any("Rolled twice already" in one["words"] for one in tam)
    assert any("I do not know where we are" in one["words"] for one in oda)


def test_stops_and_fuel_are_the_storys(short_demo):
    """Eleven minutes for fuel are not working time, and the tap taken back stopped nothing."""
    oda, _tam = short_demo.found["stints"]
    assert oda["stopped_s"]["fuel"] == pytest.approx(640, abs=1) and "other" not in oda["stopped_s"]
    assert oda["working_s"] + sum(oda["stopped_s"].values()) == pytest.approx(oda["ended"] - oda["taken_over"])
    assert [s["operator"] for s in short_demo.found["stints"]] == ["Oda Bracken", "Tam Willet"]


def test_ground_without_position_cannot_be_told(short_demo):
    """The gap where reception was lost is on the list, as one nobody can tell."""
    doubted = [g for g in short_demo.found["gaps"] if g["certainty"] == "cannot tell"]
    assert max(g["area_m2"] for g in doubted) > 500


def test_the_pages_are_there_and_small(short_demo):
    """Log, sheet, map and files lie where the demo says, each page under a megabyte with the office's figures."""
    paths = [Path(p) for group in short_demo.found["pages"].values() for p in group]
    assert {p.suffix for p in paths} == {".html", ".gpx", ".geojson", ".svg", ".png"}
    assert all(0 < p.stat().st_size < 1_000_000 for p in paths if p.suffix != ".gpx")
    page = lxml.html.fromstring(Path(short_demo.found["pages"]["log"][0]).read_text("utf-8"))
    shown = page.xpath('//b[@data-figure="field"]')[0].text_content()
    assert shown == f"{short_demo.found['area_m2']['field'] / 4046.8564224:.1f} ac"


def test_the_tablets_agree_about_the_first_operator(short_demo):
    """Tablet 2 holds tablet 1's trace and taps exactly, and every logbook is whole."""
    rows = []
    for name in ("tablet-1", "tablet-2", "office"):
        with open_store(short_demo.out / name / "logbook.sqlite") as book:
            assert book.check() == []
            rolled = book.all(models.Job, operation="rolling")[0]
            first = min(book.all(models.Stint, job_id=rolled.id), key=lambda one: one.at)
            trace = book.read_trace(first.id)
            rows.append(
                (
                    first.id,
                    trace.t.tolist(),
                    trace.lat.tolist(),
                    [t.id for t in book.all(models.Tap, stint_id=first.id)],
                )
            )
    assert rows[0] == rows[1] == rows[2] and len(rows[0][1]) > 1000


@pytest.fixture(scope="module")
def office_pages(short_demo, tmp_path_factory):
    """The folder of the office's pages."""
    out, book = tmp_path_factory.mktemp("office"), short_demo.out / "office" / "logbook.sqlite"
    assert main(["office", "--store", str(book), "--out", str(out)]) == 0
    return out


def test_work_without_a_position_is_no_bare_ground(office_pages):
    """The drill had no receiver: its pages give hours and cost, and say that its ground is not known, never 0 %; so does
    every page and table of all jobs."""
    (log,), (job,) = (list(office_pages.glob(f"heron-flat-seeding-2026-????{end}.html")) for end in ("", "-job"))
    for path, keys in ((log, ("reached", "none", "pass_area")), (job, ("proof", "pass_area"))):
        page = lxml.html.fromstring(path.read_text("utf-8"))
        for key in keys:
            assert page.xpath(f'//b[@data-figure="{key}"]')[0].text_content() == "not known", (path.name, key)
        assert "0 %" not in [cell.text_content() for cell in page.xpath("//tbody//td")]
    sheet = lxml.html.fromstring((office_pages / job.name.replace("-job.html", "-custom.html")).read_text("utf-8"))
    assert [sheet.xpath(f'//b[@data-figure="{key}"]')[0].text_content() for key in ("net", "pass_area")] == [
        "not known"
    ] * 2
    assert "position unknown" in sheet.xpath('//table[@data-table="passes"]/tbody')[0].text_content()
    for path in office_pages.glob("*.html"):
        page = lxml.html.fromstring(path.read_text("utf-8"))
        assert "0.00 ac" not in [cell.text_content().strip() for cell in page.xpath("//td")], path.name
        rows = [[cell.text_content().strip() for cell in row.xpath("td|th")] for row in page.xpath("//tr")]
        rows = [row for row in rows if any(cell.startswith("seeding") for cell in row)]
        assert not any("0 %" in row for row in rows), path.name
        assert len(rows) >= 3 or path.name not in ("index.html", "season-2026.html", "day-book.html")
    with (office_pages / "jobs.csv").open(encoding="utf-8-sig", newline="") as file:
        jobs = [row for row in csv.DictReader(file) if row["operation"] == "seeding"]
    assert len(jobs) == 3
    assert {row[key] for row in jobs for key in ("covered_net_ac", "at_target_ha", "never_ha", "pass_area_ac")} == {""}


def test_the_plan_has_days_of_seeding_and_closing(short_demo, office_pages):
    """The drill's operator wrote down when each field was seeded, so the season plan says when each was, and
    when the crop closes it; every device knows it."""
    for name in ("tablet-1", "tablet-2", "office"):
        with open_store(short_demo.out / name / "logbook.sqlite") as book:
            for key, row in farm.FIELDS.items():
                (field,) = [one for one in book.all(models.Field) if one.name == row["name"]]
                assert seeded_at(book, field.id, farm.YEAR) == local(farm.YEAR, *row["seeded"], 8, 0), key
    rows = lxml.html.fromstring((office_pages / "plan.html").read_text("utf-8")).xpath("//table[1]//tbody/tr")
    days = {cells[0]: cells[3:5] for cells in ([c.text_content() for c in row] for row in rows)}
    assert days["Kettle Quarter"][0] == "Wednesday 13 May" and days["Long Thumb"][0] == "Wednesday 6 May"
    assert "–" not in [day for pair in days.values() for day in pair], days


def test_a_folder_with_other_things_is_left_alone(tmp_path, capsys):
    """The demo never writes into a folder that holds something else."""
    (tmp_path / "harvest.xlsx").write_text("mine")
    assert main(["demo", "--headless", "--out", str(tmp_path)]) == 1
    assert "left alone" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["harvest.xlsx"]


def test_wrong_speed_is_wrong_usage(capsys):
    """A speed no replay has ends with status 2."""
    with pytest.raises(SystemExit) as ended:
        main(["demo", "--speed", "500"])
    assert ended.value.code == 2 and "1 to 60" in capsys.readouterr().err


def test_expected_results_are_written_beside(short_demo):
    """What was put in lies beside the farm as JSON, with both operators' taps."""
    expected = json.loads((short_demo.out / "expected.json").read_text("utf-8"))
    assert {"missed lanes", "lane driven twice", "rocks", "reception lost"} <= {f["name"] for f in expected["planted"]}
    assert set(expected["operators"]) == {"oda", "tam"}
