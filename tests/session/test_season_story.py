"""Days in the field with a real logbook and a replayed drive, told from take-over to hand-over."""

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest

from cabapp.__main__ import main
from cabapp.common.farm_format import FarmFormat
from cabapp.common.message import message
from cabapp.common.rendering import render
from cabapp.common.units import Units
from cabapp.counting.job_count import JobCount
from cabapp.jobs.imports.trace_measurement import measure
from cabapp.jobs.records.pending_handovers import messages_of
from cabapp.jobs.records.stint_reader import read_stint
from cabapp.jobs.records.stint_state import TapRefused
from cabapp.jobs.records.tool_parts import part_words
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.reports.export.job_export import job_gpx
from cabapp.reports.job.field_log import field_log
from cabapp.reports.model.job_record import read_job
from cabapp.track.tool import ToolGeometry
from store import open_store
from store.models import Correction, Field, FuelEntry, HandOver, HandOverReceipt, Job, Mark, Stint, Tap, Tool, TraceTail

T0 = 1_779_000_000.0
FARM = FarmFormat("Etc/GMT+6", Units("us"))
# three passes half a width apart bring y -100..-88 to twice; the fourth strays 4 m south
STRAY = [-100, -94, -88, -86]


@pytest.fixture
def stray(run, drive_rows):
    """A drive of four passes with the last one straying onto finished ground."""
    fixes = drive_rows(STRAY)
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10.0)
    day.session.tap("start")
    day.end = fixes[-1].t
    return day


@pytest.mark.parametrize(("operation", "often"), [("rolling", 2), ("seeding", 1), ("harrowing", 1)])
def test_only_rolling_goes_over_a_field_as_often_as_the_field_says(run, store, operation, often):
    """On a field rolled twice a job of rolling aims at two passes, any other work at one."""
    day = run()
    day.take_over(operation=operation)
    (job,) = store.all(Job)
    assert (job.operation, job.target, store.get(Field, job.field_id).target) == (operation, often, 2)


def test_taking_over_opens_a_job_and_a_stint_with_its_hitching(run, store, ids):
    """Job, stint and the snapshot of the hitching are in the store before the view shows ready."""
    day = run()
    assert day.session.view.state == "idle"
    day.session.take_over(ids.ann, ids.red, ids.roller, ids.field)
    (job,), (stint,) = store.all(Job), store.all(Stint)
    assert (job.field_id, job.operation, job.target) == (ids.field, "rolling", 2)
    assert (stint.operator_id, stint.width_m, stint.at) == (ids.ann, 12.0, T0)
    view = day.session.view
    assert (view.state, view.operator, view.field, str(view.target)) == ("ready", "Ann", "North", "twice")


def test_the_hitching_is_asked_for_a_new_pair_and_a_swapped_tractor_and_no_more(run, ids):
    """New pair: asked. Same pair again: not. After another tractor: asked again."""
    asked = []
    day = run()
    for tractor in ("red", "red", "blue", "red"):
        day.session.take_over(ids.ann, getattr(ids, tractor), ids.roller, ids.field)
        day.on(1.0)
        sentence = day.session.view.sentence
        asked.append(str(sentence.words) if sentence else None)
        if sentence:
            assert sentence.answers == ((message("It is right"), "hitching_ok"),)
            day.session.tap("hitching_ok")
            assert day.on(1.0)[-1].sentence is None
        day.session.tap("finish")
        day.on(1.0)
    assert asked[0].startswith("Check the hitching: Red with Roller for the first time.")
    assert asked[1] is None
    assert "Blue with Roller for the first time. No distances are written down" in asked[2]
    assert "Red with Roller after another tractor." in asked[3]


def test_straying_onto_finished_ground_is_said_with_side_and_distance(stray):
    """On the fourth pass, westward, the finished ground lies left: move right 13 ft."""
    stray.until(stray.end)
    said = [(v.now, v.sentence) for v in stray.views if v.sentence and v.sentence.rank == 5]
    assert said
    assert {s.side for _, s in said} == {1}
    words = {str(s.words) for _, s in said}
    assert "Rolled twice already. Move right 13 ft." in words
    assert words <= {f"Rolled twice already. Move right {ft} ft." for ft in (12, 13, 14, 15)}
    # the fourth pass begins after three of 120 m and three turns; not before, not in the turn
    assert said[0][0] > T0 + 10 + 3 * 120 / 2.5
    assert max(v.sentence.sound for v in stray.views if v.sentence) == 2  # and one repeat


def test_nothing_is_said_on_good_passes_and_in_turns(run, drive_rows):
    """Five passes with exact half-laps, four turns over finished ground: not one word."""
    fixes = drive_rows([-100, -94, -88, -82, -76])
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10.0)
    day.session.tap("start")
    views = day.until(fixes[-1].t)
    assert [v.sentence for v in views if v.sentence] == []


def test_the_warning_is_in_the_log_with_its_figures(stray, store):
    """A warning raised is a tap with e, threshold and that she did not move."""
    stray.until(stray.end)
    stray.session.tap("stop")
    (warned,) = store.all(Tap, kind="warned")
    assert warned.detail["what"] == "recover" and warned.detail["acted"] is False
    assert warned.detail["e"] == pytest.approx(4.0, abs=0.8)
    assert 12.0 / 10 <= warned.detail["threshold"] <= 12.0 / 3
    assert warned.detail["e"] >= warned.detail["threshold"]


def test_i_know_silences_this_pass(stray, store):
    """After "I know" the line is free to the end of the pass, and the tap is kept."""
    while not (stray.session.view.sentence and stray.session.view.sentence.rank == 5):
        stray.on(0.5)
    stray.session.tap("i_know")
    assert all(v.sentence is None for v in stray.until(stray.end))
    assert len(store.all(Tap, kind="i_know")) == 1
    with pytest.raises(TapRefused, match="no warning to silence"):
        stray.session.tap("i_know")


def test_the_tool_strip_shows_what_each_twelfth_will_leave(stray):
    """On the straying pass the left third will be above target and the rest not."""
    stray.until(stray.end - 15.0)
    view = stray.session.view
    assert len(view.strip) == 12 and view.strip_over == (True,) * 4 + (False,) * 8
    assert view.strip[:4] == (3, 3, 3, 3) and view.strip[-1] == 1


def test_areas_grow_as_the_ground_is_covered(stray):
    """A pass of 120 m by 12 m is 1440 m2 covered, and nothing is done before the second."""
    stray.until(T0 + 10 + 120 / 2.5)
    assert stray.session.job.areas()["covered"] == pytest.approx(1440, rel=0.03)
    assert stray.session.view.done_area == pytest.approx(0, abs=5)
    stray.until(T0 + 10 + 2 * 120 / 2.5 + 11)
    view = stray.session.view
    assert view.done_area == pytest.approx(720, rel=0.1)
    assert view.field_area == pytest.approx(400 * 300, rel=1e-6)
    assert stray.session.job.areas()["left_pass_area"] == pytest.approx(2 * 120000 - 2880, rel=0.005)


def test_undo_of_a_stop_gives_the_count_back(stray, store):
    """A wrong stop undone within 10 s loses nothing: the count equals that of never stopping."""
    stray.until(T0 + 50.0)
    stray.session.tap("stop", reason="fuel")
    assert stray.session.view.undo_label == message("stop")
    assert stray.session.view.undo_left == pytest.approx(10.0)
    stray.until(T0 + 56.0)
    stray.session.take_dirty()
    stray.session.tap("undo")
    view = stray.session.view
    assert (view.state, view.stop_reason, view.working_s) == ("working", None, 46.0)
    assert stray.session.take_dirty() == "all"
    assert stray.session.job.areas()["covered"] == pytest.approx(12 * 2.5 * 45, rel=0.02)
    assert [t.kind for t in store.all(Tap)] == ["hitching_ok", "start", "stop", "undo"]


def test_after_ten_seconds_undo_is_refused(stray):
    """Too late is said, not ignored."""
    stray.until(T0 + 30.0)
    assert stray.session.view.undo_label is None
    with pytest.raises(TapRefused, match="10 seconds"):
        stray.session.tap("undo")


def test_a_mark_is_one_tap_and_can_be_taken_back(stray, store, place):
    """It lies where the tractor is, is seen at once, and undo lays a correction on it."""
    stray.until(T0 + 10 + 40.0)
    stray.session.tap("mark", kind="rock")
    (mark,) = stray.session.marks
    assert (mark.lat, mark.lon) == pytest.approx(place(40.0, -100.0), abs=1e-5)
    assert (mark.x, mark.y) == pytest.approx((40.0, -100.0), abs=2.0)
    stray.session.tap("undo")
    assert stray.session.marks == ()
    assert len(store.all(Mark)) == 1
    assert store.all(Correction)[0].corrects_id == mark.id
    with pytest.raises(TapRefused, match="no mark called"):
        stray.session.tap("mark", kind="ufo")


def test_a_danger_marked_earlier_is_said_on_the_way_to_it(run, store, ids, drive_rows, place):
    """A pole marked in the field by anyone is named before it is reached, with the side."""
    lat, lon = place(30.0, -103.0)
    store.add(Mark(field_id=ids.field, kind="pole", lat=lat, lon=lon, at=T0 - 1e6))
    fixes = drive_rows([-100])
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    views = day.until(fixes[-1].t)
    said = [v for v in views if v.sentence]
    assert {v.sentence.rank for v in said} == {1}
    feet = [int(str(v.sentence.words).removeprefix("Pole ahead on the right, ")[:-4]) for v in said]
    assert 47 <= feet[0] <= 52 and feet[-1] < 9 and feet == sorted(feet, reverse=True)
    assert said[0].pose.x == pytest.approx(30 - 15.9, abs=2) and said[-1].pose.x < 30.0
    assert store.all(Tap, kind="warned")[0].detail == {"what": "danger", "acted": False}


def test_a_wing_up_counts_two_thirds(run, drive_rows):
    """From the tap on, only what works is counted."""
    fixes = drive_rows([-100])
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    day.session.tap("width", wing="left up")
    day.until(fixes[-1].t)
    assert day.session.view.on == (False, True, True)
    assert day.session.job.areas()["covered"] == pytest.approx(120 * 8, rel=0.03)
    with pytest.raises(TapRefused, match="which wing"):
        day.session.tap("width", wing="middle")


def test_sections_switched_by_tap_are_counted_live_and_by_the_report(run, store, ids, drive_rows, tmp_path):
    """A tool of 6, 2 and 4 m with its middle off covers 10 m in two strips; strip, log, sheet and report say so."""
    store.put(Tool, id=ids.roller, sections="6,2,4")
    fixes = drive_rows([-100])
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    day.session.tap("sections", on="101")
    view = day.until(fixes[-1].t)[-1]
    assert (view.on, view.sections) == ((True, False, True), 3)
    assert view.strip_works == (True,) * 6 + (False,) * 2 + (True,) * 4
    assert [count for count, works in zip(view.strip, view.strip_works) if not works] == [0, 0]
    assert day.session.job.areas()["covered"] == pytest.approx(120 * 10, rel=0.03)
    with pytest.raises(TapRefused, match="The tool has 3 sections"):
        day.session.tap("sections", on="1010")
    with pytest.raises(TapRefused, match="each section"):
        day.session.tap("sections", on="1-1")
    day.session.tap("stop", reason="rain")
    odd = day.session.prepare_hand_over(state="stopped", left=True).sheet["odd"]
    assert odd["part_now"] == {"on": "101"} and odd["part_width"][0]["on"] == "101"
    assert str(part_words(odd["part_now"])) == "Sections off: 2."
    day.session.tap("finish")
    exported = tmp_path / "job.gpx"
    (job,) = store.all(Job)
    exported.write_text(job_gpx(read_job(store, job)), encoding="utf-8")
    tool = ToolGeometry(12.0, sections=(6.0, 2.0, 4.0))
    measured = measure([read_recording(exported)], tool, boundary=store.get(Field, ids.field).boundary)
    assert measured["area_m2"]["covered"] == pytest.approx(120 * 10, rel=5e-3)
    assert measured["stints"][0]["why"] == "as the recording states"
    page = field_log(read_job(store, job), T0 + 1000.0)
    assert "sections from the left: 20 ft, 7 ft, 13 ft" in page and "Sections off: 2" in page
    (stint,) = store.all(Stint)
    read = read_stint(store, stint)
    whole = JobCount(store.get(Field, ids.field).boundary)
    whole.add_stint(start=stint.at, **read.inputs)
    assert whole.area_totals().covered == pytest.approx(120 * 10, rel=1e-3)


def test_sections_entered_wrong_are_corrected(run, store, ids, drive_rows, capsys):
    """With its middle of 4 m off, not 2, the tool covered 8 m; widths that its taps do not switch are refused."""
    store.put(Tool, id=ids.roller, sections="5,2,5")
    fixes = drive_rows([-100])
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    day.session.tap("sections", on="101")
    day.until(fixes[-1].t)
    day.session.tap("finish")
    [stint], [job] = store.all(Stint), store.all(Job)
    assert read_job(store, job).totals.covered == pytest.approx(120 * 10, rel=5e-3)
    words, more = ["correct", "stint", stint.id], ["--reason", "measured", "--store", str(store.path)]
    assert main([*words, "sections=6,6", *more]) == 1
    assert "switch 3 sections" in capsys.readouterr().err
    assert main([*words, "sections=4,4,4", *more]) == 0
    record = read_job(store, job)
    assert record.totals.covered == pytest.approx(120 * 8, rel=5e-3)
    assert "sections: 13 ft, 13 ft, 13 ft (was 16 ft, 7 ft, 16 ft)" in field_log(record, T0 + 1000.0)


def test_fuel_is_written_with_the_tap(run, store, ids):
    """Litres go to the tractor; nothing is not an amount."""
    day = run()
    day.take_over()
    day.session.tap("fuel", litres=180.0, price_per_l=1.1)
    (entry,) = store.all(FuelEntry)
    assert (entry.tractor_id, entry.litres, entry.price_per_l) == (ids.red, 180.0, 1.1)
    with pytest.raises(TapRefused, match="more than nothing"):
        day.session.tap("fuel", litres=0)


def test_a_bad_look_at_the_ground_is_a_stop_rule(run, drive_rows):
    """Mud on the drum, said by her at the start, stands while she works until she knows."""
    day = run(drive_rows([-100]))
    day.take_over()
    day.session.tap("look_first", mud=True)
    day.until(T0 + 10)
    day.session.tap("start")
    sentence = day.on(5.0)[-1].sentence
    assert (sentence.rank, str(sentence.words)[:22]) == (3, "Mud sticks to the tool")
    day.session.tap("i_know")
    assert day.on(5.0)[-1].sentence is None


def test_a_seeder_pointed_out_close_is_said(run, drive_rows):
    """Thin: a seeder seen here lately is near, until she has left it behind."""
    day = run(drive_rows([-100], west=-150, east=150))
    day.take_over()
    day.until(T0 + 20)
    day.session.tap("seeder")
    day.session.tap("start")
    assert str(day.on(2.0)[-1].sentence.words).startswith("The seeder was ")
    assert day.on(60.0)[-1].sentence is None


def test_the_forgotten_start_is_counted_when_she_says_yes(run, store, drive_rows):
    """Two minutes of work without a start: one question, and yes counts from its beginning."""
    fixes = drive_rows([-100, -94], west=-150, east=150)
    day = run(fixes)
    day.take_over()
    day.until(T0 + 140.0)
    sentence = day.session.view.sentence
    assert (sentence.rank, render(sentence.words, farm=FARM)) == (2, "Were you rolling since 00:40?")
    assert day.session.job.areas()["covered"] == 0
    day.session.tap("were_rolling")
    view = day.session.view
    assert view.state == "working" and view.since == pytest.approx(T0 + 11, abs=2)
    day.until(T0 + 145.0)
    assert day.session.view.sentence is None
    assert day.session.job.areas()["covered"] > 0.98 * 12 * 2.5 * 120
    assert day.session.view.working_s == pytest.approx(134, abs=2)


def test_no_driving_is_kept_and_not_asked_again(run, store, drive_rows):
    """ "No, driving" is in the log and the question is gone."""
    fixes = drive_rows([-100, -94], west=-150, east=150)
    day = run(fixes)
    day.take_over()
    day.until(T0 + 140.0)
    day.session.tap("not_rolling")
    assert all(v.sentence is None for v in day.until(fixes[-1].t))
    assert day.session.view.state == "ready"
    assert len(store.all(Tap, kind="not_rolling")) == 1


def test_standing_with_recording_on_is_asked_and_taken_back(run, drive_along):
    """Standing two minutes: "Stop counting from ...?", and yes stops at that moment."""
    fixes = drive_along([(-150, -100), (-50, -100)], T0 + 1.0)
    last = fixes[-1]
    fixes += [replace(last, t=last.t + k) for k in range(1, 200)]
    day = run(fixes)
    day.take_over()
    day.session.tap("start")
    day.until(last.t + 130.0)
    assert render(day.session.view.sentence.words, farm=FARM).startswith("Stop counting from 00:")
    day.session.tap("stop_counting")
    view = day.session.view
    assert view.state == "stopped" and view.since == pytest.approx(last.t + 3, abs=4)
    assert view.working_s == pytest.approx(last.t + 3 - T0, abs=4)


def test_an_early_start_mark_width_and_stop_all_survive_in_order(stray, store):
    """Each tap is in the store, in order, with the time it was made."""
    stray.until(T0 + 20.0)
    stray.session.tap("width", wing="right up")
    stray.until(T0 + 30.0)
    stray.session.tap("stop", reason="rain")
    kinds = [(t.kind, t.at - T0) for t in store.all(Tap)]
    assert kinds == [("hitching_ok", 0.0), ("start", 10.0), ("width", 20.0), ("stop", 30.0)]
    assert store.all(Tap, kind="stop")[0].reason == "rain"


def test_the_trace_is_whole_and_sealed_at_stop(stray, store):
    """Every fix given is in the store, driving or not; at a stop nothing is left unsealed."""
    stray.until(T0 + 60.0)
    stray.session.tap("stop")
    with store.session() as session:
        assert session.query(TraceTail).count() == 0
    stray.until(T0 + 80.0)
    stray.session.tap("finish")
    stint = store.all(Stint)[0]
    assert len(store.read_trace(stint.id)) == 71  # one a second from T0 + 10 to T0 + 80


def test_finish_can_be_undone_and_then_the_tablet_is_free(stray):
    """For 10 s a finish can be taken back; after that the session is idle."""
    stray.until(T0 + 60.0)
    stray.session.tap("finish")
    assert stray.session.view.state == "finished"
    stray.on(5.0)
    stray.session.tap("undo")
    assert stray.session.view.state == "working"
    stray.session.tap("finish")
    stray.on(11.0)
    assert stray.session.view.state == "idle" and stray.session.view.operator is None
    with pytest.raises(TapRefused, match="Nobody has taken over"):
        stray.session.tap("start")


def test_handing_over_is_closed_only_at_the_right_place(stray, store, place, ids):
    """Pointed 60 m off: not closed. Pointed within 10 m: closed, and the receiver goes on."""
    stray.until(T0 + 10 + 24.0)
    with pytest.raises(TapRefused, match="engine off"):
        stray.session.prepare_hand_over()
    stray.session.tap("stop", reason="tired")
    sheet = stray.session.prepare_hand_over(state="watch")
    # in the middle of the first pass the next one is this one, from where the tool stands
    assert (sheet.next_lat, sheet.next_lon) == pytest.approx(place(0.0, -100.0), abs=2e-5)
    assert sheet.sheet["where"]["next"] == {"from": "here", "side": None, "lap_m": None}
    given = stray.session.hand_over(sheet)
    view = stray.session.view
    assert (view.state, view.hand_over_id) == ("handed over", given)
    with pytest.raises(TapRefused, match="show the next pass"):
        stray.session.take_over(ids.ben, ids.red, ids.roller, ids.field)
    wrong = stray.session.receive(given, ids.ben, *place(60.0, -100.0))
    assert not wrong.agreed and wrong.metres_off == pytest.approx(60, abs=3)
    assert "point again" in str(wrong.words) and stray.session.view.state == "handed over"
    right = stray.session.receive(given, ids.ben, *place(4.0, -96.0))
    assert right.agreed and stray.session.view.state == "idle"
    assert [r.agreed for r in store.all(HandOverReceipt)] == [False, True]
    assert stray.session.choices().last == (ids.ben, ids.red, ids.roller, ids.field)
    with pytest.raises(TapRefused, match="closed already"):
        stray.session.receive(given, ids.ben, *place(4.0, -96.0))
    before = stray.session.choices().fields[0].share_done
    assert before == 0.0  # one pass: nothing at target yet
    stray.session.take_over(ids.ben, ids.red, ids.roller, ids.field)
    assert stray.session.job.areas()["covered"] == pytest.approx(12 * 60, rel=0.04)


def test_the_sheet_has_nine_points_of_what_the_log_knows(run, drive_rows):
    """Nothing typed: state, place, oddities, marks, machine, seeder, what if, to do, who."""
    stray = run(drive_rows([-100], west=-150, east=150))
    stray.take_over()
    stray.until(T0 + 10.0)
    stray.session.tap("start")
    stray.until(T0 + 100.0)
    stray.session.tap("mark", kind="well")
    stray.session.tap("width", wing="left up")
    stray.on(10.0)
    stray.session.tap("fuel", litres=100.0)
    stray.session.tap("stop", reason="rain")
    sheet = stray.session.prepare_hand_over(state="stopped", left=True).sheet
    assert list(sheet) == [
        "state", "where", "odd", "marks", "machine", "seeder", "if_then", "to_do", "closing",
    ]  # fmt: skip
    assert sheet["state"] == {"word": "stopped", "why": "rain"}
    assert [m["kind"] for m in sheet["marks"]] == ["well"]
    assert sheet["odd"]["part_width"] == [{"wing": "left up", "from": T0 + 100, "to": T0 + 110}]
    assert sheet["machine"]["last_fuel"]["litres"] == 100.0
    assert sheet["machine"]["tool_hours"] == pytest.approx(101 / 3600, abs=0.01)
    assert sheet["where"]["share"]["none"] == pytest.approx(1 - (12 * 225 + 8 * 25) / 120000, abs=0.01)
    assert sheet["seeder"] is None and "555 0100" in str(messages_of(sheet["if_then"])[1])
    assert sheet["to_do"][0]["kind"] == "none"
    assert sheet["closing"]["left_for"] and sheet["closing"]["outgoing"] == "Ann"
    assert json.loads(json.dumps(sheet)) == sheet
    with pytest.raises(TapRefused, match="fine, watch, or stopped"):
        stray.session.prepare_hand_over(state="so-so")


def test_at_a_row_s_end_the_next_pass_lies_beside_on_the_side_with_more_to_do(run, drive_rows):
    """Two passes northward done: back at the west end the next lies half a width north."""
    fixes = drive_rows([-100, -94], west=-190.0, east=-70.0)
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    day.until(fixes[-1].t + 1)
    day.session.tap("stop")
    sheet = day.session.prepare_hand_over()
    x, y = day.session.job.plane.to_xy(sheet.next_lat, sheet.next_lon)[0]
    assert (x, y) == pytest.approx((-190, -88), abs=1.5)
    # westward, north is right; 12 m wide, 6 m over: lap 6 m
    assert sheet.sheet["where"]["next"] == {"from": "this end", "side": "right", "lap_m": 6.0}


def test_left_for_somebody_the_check_comes_first_or_is_skipped_in_the_open(run, store, ids):
    """Nobody there: the next operator checks first, or a reason is in the log for the office."""
    day = run()
    day.take_over()
    day.session.tap("start")
    day.session.tap("stop")
    day.session.hand_over(day.session.prepare_hand_over(left=True))
    again = run(start=T0 + 3600)
    assert again.session.view.state == "handed over"
    (waits,) = again.session.choices().hand_overs
    assert (waits.outgoing, waits.left_for, waits.field) == ("Ann", True, "North")
    with pytest.raises(TapRefused, match="Ann handed this field over"):
        again.session.take_over(ids.ben, ids.red, ids.roller, ids.field)
    again.session.take_over(ids.ben, ids.red, ids.roller, ids.field, skip_check="no time")
    (skipped,) = store.all(Tap, kind="check_skipped")
    assert skipped.reason == "no time" and skipped.detail == {"hand_over": waits.id}
    assert again.session.choices().hand_overs == ()


def test_without_a_place_on_the_sheet_the_receiver_agrees_by_word(run, store, ids):
    """No receiver, no place: the receipt says so and closes the sheet."""
    day = run()
    day.take_over()
    day.session.tap("start")
    day.session.tap("stop")
    sheet = day.session.prepare_hand_over()
    assert (sheet.next_lat, sheet.sheet["where"]["next"]) == (None, None)
    received = day.session.receive(day.session.hand_over(sheet), ids.ben, None, None)
    assert received.agreed and received.metres_off is None
    assert store.all(HandOver)[0].next_lat is None


def test_a_day_without_a_receiver_is_recorded_just_as_well(run, store):
    """Taps, hours and a tally of passes; an area only once the length was told."""
    day = run()
    day.take_over()
    day.session.tap("start")
    day.on(600.0)
    day.session.tap("pass_counted")
    view = day.session.view
    assert (view.position, view.pass_tally, view.tally_area) == ("none", 1, None)
    assert (view.working_s, view.speed, view.strip, view.sentence) == (600.0, None, None, None)
    day.session.tap("undo")
    assert day.session.view.pass_tally == 0
    day.session.tap("pass_counted", length_m=500.0)
    day.session.tap("pass_counted")
    assert (day.session.view.pass_tally, day.session.view.tally_area) == (2, 2 * 500 * 12)
    day.session.tap("mark", kind="rock")
    day.session.tap("stop", reason="fuel")
    day.session.tap("finish")
    assert store.all(Mark)[0].lat is None
    assert store.all(Stint)[0].receiver is None
    assert len(store.read_trace(store.all(Stint)[0].id)) == 0


def test_a_field_without_boundary_is_counted_from_the_first_fix(run, drive_rows):
    """No outline: ground covered is known, the field's area and what is left are not."""
    fixes = drive_rows([-100])
    day = run(fixes)
    day.take_over(field="bare")
    day.until(T0 + 10)
    day.session.tap("start")
    day.until(fixes[-1].t)
    areas = day.session.job.areas()
    assert day.session.view.field_area is None and areas["left_pass_area"] is None
    assert areas["covered"] == pytest.approx(1440, rel=0.03)


def test_a_lost_position_is_said_and_the_stretch_is_not_covered(run, store, drive_rows):
    """40 s without a fix: said since when, taps go on, and the ground stays uncounted."""
    fixes = drive_rows([-100], west=-150, east=150)
    gone = [f for f in fixes if not T0 + 50 < f.t < T0 + 90]
    day = run(gone)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    day.until(T0 + 53.0)
    assert day.session.view.position == "good"
    day.until(T0 + 55.0)
    view = day.session.view
    assert (view.position, view.lost_since, view.speed) == ("lost", T0 + 50.0, None)
    assert render(view.sentence.words, farm=FARM).startswith("I do not know where we are since 00:40.")
    assert view.sentence.rank == 2 and view.strip is None
    day.session.tap("width", wing="all")
    day.until(T0 + 91.0)
    assert day.session.view.position == "good" and day.session.view.sentence is None
    day.until(fixes[-1].t)
    assert day.session.view.working_s == pytest.approx(fixes[-1].t - T0 - 10)
    assert day.session.job.areas()["covered"] == pytest.approx(12 * (300 - 100), rel=0.03)
    assert day.session.job.unknown_s == pytest.approx(40, abs=1)


def test_a_receiver_that_says_no_fix_is_lost_at_once(run, drive_rows):
    """Quality 0 counts as lost without waiting, and those fixes are kept as what they are."""
    fixes = drive_rows([-100])
    said = [replace(f, lat=None, lon=None, quality=0) if f.t > T0 + 50 else f for f in fixes]
    day = run(said)
    day.take_over()
    day.session.tap("start")
    day.until(T0 + 51.0)
    assert day.session.view.position == "lost"


def test_a_poor_receiver_keeps_warnings_about_laps_quiet(run, drive_rows):
    """At 3 m of error no lap of a 12 m tool can be judged: shown as poor, nothing claimed."""
    fixes = drive_rows(STRAY, sigma=3.0, quality=1)
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    views = day.until(fixes[-1].t)
    assert views[-1].position == "poor"
    assert [v.sentence for v in views if v.sentence] == []


def test_a_fault_in_counting_never_stops_the_writing(each_second, stray, store, monkeypatch):
    """Counting raises: one sentence, every fix still written, and the count is made again."""
    stray.until(T0 + 30.0)

    def broken(*_):
        raise RuntimeError("made to fail")

    with monkeypatch.context() as patch:
        patch.setattr(type(stray.session._runner.count), "add_fixes", broken)
        stray.until(T0 + 55.0)
        assert str(stray.session.view.sentence.words).startswith("A fault in the program")
    assert len(store.read_trace(store.all(Stint)[0].id)) >= 45
    stray.session.tap("stop")
    assert stray.session.view.sentence is None
    assert stray.session.job.areas()["covered"] == pytest.approx(12 * 2.5 * 45, rel=0.03)


def test_sixty_times_as_fast_gives_the_same_count(run, tmp_path, drive_rows, stocked):
    """Ticks of 12 s with 12 fixes each count what ticks of a second count."""
    fixes = drive_rows(STRAY)
    counts = []
    for name, tick in (("slow", 1.0), ("fast", 12.0)):
        shutil.copy(stocked, tmp_path / f"{name}.sqlite")
        with open_store(tmp_path / f"{name}.sqlite") as own:
            day = run(fixes, store=own, tick=tick)
            day.take_over()
            day.until(T0 + 12.0)
            day.session.tap("start")
            day.until(fixes[-1].t + 1)
            counts.append((day.session.job.grid.counts.copy(), own.all(Tap, kind="warned")))
    assert np.array_equal(counts[0][0], counts[1][0])
    assert len(counts[0][1]) == len(counts[1][1]) == 1


def test_an_unknown_tap_is_a_mistake_in_the_program(run):
    """What is not a tap raises ValueError, and acts with their own method are not taps."""
    for what in ("explode", "take_over", "hand_over", "receive"):
        with pytest.raises(ValueError, match="no such tap"):
            run().session.tap(what)


def test_choices_offer_the_nearest_field_and_same_as_last_time(run, drive_rows, ids):
    """Nearest first with metres, unknown last; cautions until acknowledged, once a day."""
    day = run(drive_rows([-100]))
    assert [f.metres for f in day.session.choices().fields] == [None, None]
    day.until(T0 + 11)
    offered = day.session.choices()
    assert [(f.name, f.metres) for f in offered.fields] == [("North", 0.0), ("Bare", None)]
    assert offered.last is None and len(offered.cautions) == 3
    day.session.tap("caution")
    assert day.session.choices().cautions == ()
    day.take_over()
    day.session.tap("finish")
    later = run(start=T0 + 600)
    assert later.session.choices().cautions == ()
    assert later.session.choices().last == (ids.ann, ids.red, ids.roller, ids.field)
    assert len(run(start=T0 + 86400).session.choices().cautions) == 3


def test_the_likely_finish_comes_after_half_an_hour_of_her_own_pace(run, drive_rows):
    """Three spans of ten minutes: before, nothing; then left pass area over her pace."""
    fixes = drive_rows([-140 + 6 * k for k in range(16)], hz=0.5, west=-150, east=150)
    day = run(fixes, tick=20.0)
    day.take_over()
    day.until(T0 + 20)
    day.session.tap("start")
    day.until(T0 + 1700)
    assert day.session.view.finish_at is None
    day.until(T0 + 2060)
    view = day.session.view
    early, likely, late = view.finish_at
    assert view.now < early <= likely <= late
    areas = day.session.job.areas()
    pace = areas["pass_area"] / view.working_s
    assert likely - view.now == pytest.approx(areas["left_pass_area"] / pace, rel=0.1)


def test_where_once_is_enough_a_second_pass_is_said_as_such(run, store, ids, drive_rows, box):
    """In a once-only area the sentence says once, and the ground is done after one pass."""
    store.put(Field, id=ids.field, once_only=box(-60, -120, 60, -80))
    fixes = drive_rows([-100, -94])
    day = run(fixes)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    views = day.until(fixes[-1].t)
    assert views[45].done_area == pytest.approx(12 * 2.5 * 44, rel=0.1)
    words = {str(v.sentence.words) for v in views if v.sentence}
    assert words and all(w.startswith("Rolled once already") for w in words)
