"""Far from the field: recording goes on, nothing is counted, and one steady sentence says it."""

import itertools
import time
from dataclasses import replace

import pytest

from cabapp.common.farm_format import FarmFormat
from cabapp.common.rendering import render
from cabapp.common.units import Units
from cabapp.position.fix import Fix
from cabapp.reports.export.job_export import job_geojson
from cabapp.reports.job.field_log import field_log
from cabapp.reports.model.job_record import read_job
from cabapp.screens.stint.sheet_text import sheet_lines
from cabapp.session.warnings.situation import Situation
from cabapp.session.warnings.warning_evaluator import BACK_S, CHANGE_FIELD, FAR_S, WarningEvaluator
from store.models import Field, Job

FAR = Situation(now=0.0, state="working", since=-100.0, width=12.0, position="good", field="Home North", away=6500.0)


def feed(judge, start, seconds, **known):
    """Feed a situation twice a second; return what was said each time."""
    results = [judge.feed(replace(FAR, now=start + k / 2, **known)).sentence for k in range(round(2 * seconds))]
    return [said and str(said.words) for said in results]


def test_it_is_said_after_it_settles_with_a_key_to_change_the_field():
    """After ten seconds, in the farm's units, at the rank of a recording, with one sound."""
    judge = WarningEvaluator()
    words = "You are 4.0 mi from Home North. Recording goes on; it is not counted here. Change field?"
    said = feed(judge, 0.0, FAR_S + 20)
    assert said == [None] * round(2 * FAR_S) + [words] * 40
    sentence = judge.feed(replace(FAR, now=31.0)).sentence
    assert (sentence.rank, sentence.act_now, sentence.sound) == (2, True, 1)
    assert [key for _, key in sentence.answers] == [CHANGE_FIELD]
    assert render(sentence.words, farm=FarmFormat("UTC", Units("metric"))).startswith("You are 6.5 km from Home North.")


def test_along_the_edge_of_what_is_counted_it_does_not_flicker():
    """One second near and one far, for a minute: said once, and withdrawn once."""
    judge, said = WarningEvaluator(), []
    for second in range(60):
        said += feed(judge, float(second), 1.0, away=220.0 if second % 2 else None)
    said += feed(judge, 60.0, 2 * BACK_S, away=None)
    changes = sum(a != b for a, b in itertools.pairwise(said))
    assert changes == 2
    assert said[-1] is None


def test_the_distance_is_said_anew_when_it_is_another_by_a_tenth():
    """Driving a kilometre in 5 m steps changes the words twice, not two hundred times."""
    judge, said = WarningEvaluator(), []
    feed(judge, 0.0, FAR_S + 1, away=6000.0)
    for k in range(200):
        said += feed(judge, 20.0 + k, 0.5, away=6000.0 + 5 * k)
    assert len(set(said)) == 2


@pytest.mark.parametrize("state", ["ready", "stopped", "finished"])
def test_on_the_way_to_the_field_nothing_is_said(state):
    """Before the start, and once stopped, being elsewhere is no fault."""
    assert set(feed(WarningEvaluator(), 0.0, 60.0, state=state)) == {None}


@pytest.mark.parametrize("bare", [False, True])
@pytest.mark.parametrize("km", [20.0, 1770.0])
def test_a_drive_far_away_is_recorded_and_said_and_not_counted(run, store, ids, drive_along, place, bare, km):
    """The trace holds every fix; area, grid and unknown time are those of before; back again it counts on."""
    if bare:
        store.put(Field, ids.field, boundary=None)
    near = drive_along([(-60.0, 0.0), (60.0, 0.0)], 1_770_000_000.0 + 10)
    lat, lon = place(0.0, 0.0)
    away = [Fix(near[-1].t + 1 + k, lat + km / 111.2, lon + k * 3e-5, sigma=0.1, quality=4) for k in range(120)]
    back = drive_along([(60.0, 20.0), (-60.0, 20.0)], away[-1].t + 1)
    day = run([*near, *away, *back], start=1_770_000_000.0)
    day.take_over()
    day.on(8)
    day.session.tap("start")
    day.until(near[-1].t + 0.5)
    before, shape = day.session.view.done_area, day.session.job.grid.counts.shape
    views = day.until(away[-1].t + 0.5)
    words = [str(view.sentence.words) for view in views if view.sentence]
    assert any(one.startswith("You are ") and "Change field?" in one for one in words)
    assert day.session.view.done_area == pytest.approx(before, abs=60.0)
    assert day.session.view.speed is not None
    assert day.session.job.grid.counts.shape == shape
    day.until(back[-1].t + BACK_S + 1)
    assert day.session.view.sentence is None or "Change field?" not in str(day.session.view.sentence.words)
    assert day.session.job.unknown_s == 0.0
    assert day.session.job.areas()["pass_area"] > 1.8 * 120 * 12
    day.session.close()
    [stint] = store.all(type(day.session._runner.stint))
    trace = store.read_trace(stint.id)
    assert len(trace.t) == len(near) + len(away) + len(back)


def test_a_stint_that_counted_nothing_says_why(run, store, drive_along):
    """Worked 150 m beside the field: said once stopped and on the hand-over sheet; work in the field withdraws it."""
    beside = drive_along([(-60.0, 350.0), (60.0, 350.0)], 1_770_000_000.0 + 10)
    inside = drive_along([(60.0, 0.0), (-60.0, 0.0)], beside[-1].t + 120)
    day = run([*beside, *inside], start=1_770_000_000.0)
    day.take_over()
    day.on(8)
    assert day.session.why_nothing() is None  # nothing moved
    day.session.tap("start")
    day.until(beside[-1].t + 1)
    assert day.session.view.sentence is None
    day.session.tap("stop", reason="fuel")
    words = str(day.session.why_nothing())
    assert words.startswith("Nothing was counted: it came no closer to the field than ")
    assert [str(view.sentence.words) for view in day.on(2)][-1] == words
    sheet = day.session.prepare_hand_over("fine").sheet
    assert any(str(said) == words for point, lines in sheet_lines(sheet) for said in lines)
    day.session.tap("restart")
    day.until(inside[-1].t + 1)
    day.session.tap("stop", reason="fuel")
    assert day.session.why_nothing() is None
    assert not any(view.sentence and "Nothing" in str(view.sentence.words) for view in day.on(2))


@pytest.mark.parametrize(
    "boundary",
    [
        {"type": "Polygon", "coordinates": [[[-180, -90], [180, -90], [180, 90], [-180, -90]]]},
        {"type": "Polygon", "coordinates": [[[0, 0], "x"]]},
        {"a": [1, None]},
    ],
    ids=["world", "no ring", "no geometry"],
)
def test_a_boundary_that_came_with_a_bundle_and_no_field_can_have_counts_as_none(
    run, store, ids, drive_along, boundary, tmp_path
):
    """The field is shown as odd, worked as one without boundary, and its page says so; nothing is raised."""
    store.put(Field, ids.field, boundary=boundary)
    fixes = drive_along([(-60.0, 0.0), (60.0, 0.0)], 1_770_000_000.0 + 10)
    day = run(fixes, start=1_770_000_000.0)
    day.on(2)
    assert [one.odd for one in day.session.choices().fields if one.id == ids.field] == [True]
    day.session.season()
    day.take_over()
    day.on(8)
    day.session.tap("start")
    day.until(fixes[-1].t + 1)
    assert day.session.job.field is None
    assert day.session.job.areas()["covered"] > 100 * 12
    assert day.session.view.sentence is None or "fault" not in str(day.session.view.sentence.words).lower()
    day.session.tap("finish")
    day.session.close()
    [job] = store.all(Job)
    log = field_log(read_job(store, job), time.time())
    assert "was left aside" in log
    (tmp_path / "job.geojson").write_text(job_geojson(read_job(store, job)))
