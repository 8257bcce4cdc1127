"""One job, counted by cab, report and command: equal cells and equal areas."""

import ast
from pathlib import Path

import numpy as np
import pytest

from cabapp.jobs.pass_counts.assembler import assemble
from cabapp.reports.model.job_record import read_job
from cabapp.session.advice.seeder_progress import FieldSamples, SeederFromBundles
from store.models import Correction, Field, Job, Operator, Stint

ROOT = Path(__file__).resolve().parents[2]


def work(run, fixes, operator="ann", until=None, stop=True, **more):
    """Drive a stint with one tap taken back; leave it open where ``stop`` is False."""
    day = run(fixes, start=fixes[0].t - 5, tick=5.0)
    day.take_over(operator, **more)
    day.until(fixes[0].t)
    day.session.tap("start")
    day.until(fixes[len(fixes) // 2].t)
    day.session.tap("stop", reason="a slip")
    day.on(3.0)
    day.session.tap("undo")
    day.until(fixes[-1].t if until is None else until)
    if stop:
        day.session.tap("stop")
        day.session.tap("finish")
        day.on(15.0)
    return day


@pytest.mark.parametrize("field", ["field", "bare"])
def test_cab_report_and_command_give_equal_cells_and_areas(run, store, ids, drive_rows, field):
    """With a correction, a seeding, an undone tap, and with or without a boundary, down to the cell."""
    seeding = work(run, drive_rows([-40, -28], start=1_779_000_000.0), operation="seeding", field=field)
    first = work(run, drive_rows([-40, -28, -16], start=1_779_010_000.0), field=field)
    assert seeding.session.view.state == first.session.view.state == "idle"
    job = next(one for one in store.all(Job) if one.operation == "rolling")
    stint = next(one for one in store.all(Stint) if one.job_id == job.id)
    store.add(
        Correction(
            corrects_table="stint", corrects_id=stint.id, operator_id=ids.ben, at=stint.at + 500,
            reason="seen later", detail={"width_m": 9.0},
        )
    )  # fmt: skip
    second = work(run, drive_rows([-16, -4, 8], start=1_779_020_000.0), "ben", field=field, stop=False)
    cab = second.session.job
    cab.end()
    report, command = read_job(store, job).count, assemble(store, job).count
    assert cab.plane.lat0 == report.plane.lat0 == command.plane.lat0
    assert cab.plane.lon0 == report.plane.lon0 == command.plane.lon0
    places = np.stack(np.meshgrid(np.arange(-150, 150, 0.5), np.arange(-150, 150, 0.5)), -1).reshape(-1, 2)
    cells, reported, commanded = (one.grid.at(places) for one in (cab, report, command))
    assert np.array_equal(cells, reported) and np.array_equal(reported, commanded)
    assert (cells > 0).any() and (cells > 1).any()
    assert cab.areas() == report.areas() == command.areas()
    assert cab.area_totals().by_count == report.area_totals().by_count
    # the correction is in it: 9 m lanes at 12 m leave bare ground between
    assert {stint.row.width_m for stint in read_job(store, job).stints} == {9.0, 12.0}


def test_passes_before_the_seeding_are_void_in_all_three(run, store, drive_rows):
    """A lane rolled, then seeded, then read: no pass stands, whoever counts."""
    work(run, drive_rows([-40], start=1_779_000_000.0))
    work(run, drive_rows([-40], start=1_779_010_000.0), operation="seeding")
    job = next(one for one in store.all(Job) if one.operation == "rolling")
    assert assemble(store, job).count.areas()["covered"] == 0.0
    assert read_job(store, job).count.areas()["covered"] == 0.0
    later = run(drive_rows([60], start=1_779_020_000.0), start=1_779_019_990.0)
    later.take_over("ben")
    assert later.session.job.areas()["covered"] == 0.0


def test_the_plane_of_a_field_without_boundary_is_laid_at_the_first_usable_fix_of_its_job(
    run, store, drive_rows, place
):
    """Also where the newest stint lies elsewhere, and where the job begins with fixes that are no place."""
    fixes = drive_rows([0], start=1_779_000_000.0)
    bad = [type(fixes[0])(fixes[0].t - 1, 0.0, 0.0, 0.1, 4)]
    work(run, [*bad, *fixes], field="bare")
    work(run, drive_rows([400], start=1_779_010_000.0), field="bare")
    (job,) = store.all(Job)
    plane = assemble(store, job).count.plane
    assert (plane.lat0, plane.lon0) == pytest.approx((fixes[0].lat, fixes[0].lon), abs=1e-7)


def test_a_job_without_boundary_or_fix_has_no_count_until_a_place_is_given(run, store):
    """Nothing says where it lies, so None; a place given lays the plane there."""
    day = run()
    day.take_over(field="bare")
    (job,) = store.all(Job)
    assert assemble(store, job) is None
    assert assemble(store, job, place=(47.0, -30.0)).count.plane.lat0 == 47.0


def test_the_seeder_is_read_through_the_assembler_with_the_office_s_corrections(run, store, ids, drive_rows):
    """A seeding corrected to half its width seeds half the ground."""
    work(run, drive_rows([-40, -28], start=1_779_000_000.0), operation="seeding")
    work(run, drive_rows([-40], start=1_779_001_000.0), "ben")
    job = next(one for one in store.all(Job) if one.operation == "rolling")
    field = store.get(Field, job.field_id)

    def unseeded():
        return SeederFromBundles(store, field, job, FieldSamples(assemble(store, job).count))._unseeded

    before = unseeded()
    stint = next(s for s in store.all(Stint) if s.job_id != job.id)
    store.add(
        Correction(
            corrects_table="stint", corrects_id=stint.id, operator_id=store.all(Operator)[0].id, at=stint.at,
            reason="a section was shut", detail={"width_m": 6.0},
        )
    )  # fmt: skip
    assert unseeded() == pytest.approx(before + 2 * 120 * 6, rel=0.01)


def test_only_the_assembler_adds_stints_and_seedings():
    """No other module of the program calls ``add_stint`` or ``add_seeding``."""
    calls = {}
    for package in ("cabapp", "store", "sync", "demo_db"):
        for path in (ROOT / package).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.Attribute) and node.attr in ("add_stint", "add_seeding"):
                    calls.setdefault(path.relative_to(ROOT).as_posix(), set()).add(node.attr)
    assert calls == {"cabapp/jobs/pass_counts/assembler.py": {"add_stint", "add_seeding"}}
