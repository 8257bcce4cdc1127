"""The day around the pass in a real session: taps in, sentences out, facts from other stints."""

import numpy as np
import pytest

from cabapp.common.farm_format import FarmFormat
from cabapp.common.rendering import render
from cabapp.common.units import Units
from cabapp.counting.job_count import JobCount
from cabapp.jobs.fields import season_history
from cabapp.jobs.records.stint_reader import work_of
from cabapp.jobs.records.stint_state import TapRefused
from cabapp.planning.emergence import CROPS, closes
from cabapp.planning.sun import CIVIL_DUSK, evening
from cabapp.session import fix_recorder
from cabapp.session.advice.day_reader import DayReader
from cabapp.session.advice.seeder_progress import FieldSamples, SeederFromBundles
from store.models import Correction, Field, Job, Stint, Tap, Tool, Tractor

T0 = 1_779_000_000.0
ROWS = [-140.0 + 6 * k for k in range(40)]
DAY = 86400.0


def lines(day):
    farm = FarmFormat("Etc/GMT+6", Units("us"))
    return {name: render(line, farm=farm) for name, line in day.session.day()}


@pytest.fixture(autouse=True)
def seldom_written(monkeypatch):
    """Write the trace each minute: with a tick each ten seconds a quarter of the time went there."""
    monkeypatch.setattr(fix_recorder, "SYNC_S", 60.0)


@pytest.fixture
def half_an_hour(run, drive_rows):
    """Work for 35 minutes on good half-laps with a fix each 2 s, so that the pace is known."""

    def make(before=lambda day: None, minutes=35, hz=0.5, **how):
        fixes = drive_rows(ROWS, hz=hz, west=-180.0, east=180.0)
        day = run(fixes, tick=10.0, **how)
        day.take_over()
        before(day)
        day.until(T0 + 10.0)
        day.session.tap("start")
        day.until(T0 + 10 + 60 * minutes)
        return day

    return make


def test_a_new_stint_knows_the_light_and_asks_nothing(run, store, drive_rows, place):
    """Sunset and dusk of the field's own place are there from the first minute; no sentence is."""
    day = run(drive_rows([-100, -94]))
    day.take_over()
    day.on(61.0)
    at = evening(*place(0, 0), T0, CIVIL_DUSK)
    clock = np.array([at % DAY // 3600, at % 3600 // 60]) - (6, 0)  # Etc/GMT+6
    assert lines(day)["Daylight"].endswith(f"dark from {clock[0] % 24:02.0f}:{clock[1]:02.0f}")
    assert all(view.sentence is None for view in day.views)


def test_the_finish_is_in_the_day_once_the_pace_is_known(half_an_hour):
    """After half an hour at 2.5 m/s and 12 m the likely finish is that of the view."""
    day = half_an_hour()
    early, likely, late = day.session.view.finish_at
    assert T0 + 2100 < early <= likely <= late
    assert lines(day)["Finish"].startswith("likely ")


def test_rain_she_enters_is_said_when_it_comes_before_the_finish(half_an_hour, store):
    """Two hours of work are left; rain in an hour asks, rain in five hours and none do not."""
    day = half_an_hour()
    assert day.session.view.finish_at[1] - T0 - 2100 > 3600
    day.session.tap("rain", hours=1)
    words = str(day.on(5.0)[-1].sentence.words)
    assert words.startswith("Rain at ") and words.endswith("Do the heavy ground first.")
    day.session.tap("undo")
    assert day.on(10.0)[-1].sentence is None
    day.session.tap("rain", hours=5)
    assert day.on(10.0)[-1].sentence is None and "as you said" in lines(day)["Rain"]
    day.session.tap("rain", hours=1)
    day.on(10.0)
    day.session.tap("rain", hours=None)
    assert day.on(10.0)[-1].sentence is None and "Rain" not in lines(day)
    assert [t.detail["at"] and round(t.detail["at"] - t.at) for t in store.all(Tap, kind="rain")] == [
        3600, 18000, 3600, None,
    ]  # fmt: skip
    with pytest.raises(TapRefused, match="how many hours"):
        day.session.tap("rain", hours=-1)


def test_grease_falls_due_by_hours_at_work_over_all_stints(half_an_hour, store, ids, run):
    """A tool greased every half hour: due after 30 min of work, whoever worked; a tap begins anew."""
    store.put(Tool, id=ids.roller, grease_every_h=0.5)
    day = half_an_hour(minutes=29)
    assert day.session.view.sentence is None and lines(day)["Grease"] in ("in 1 min of work", "in 2 min of work")
    day.session.tap("stop", reason="meal")
    day.session.tap("finish")
    day.on(11.0)
    day.take_over("ben")
    day.session.tap("start")
    day.on(130.0)
    assert str(day.session.view.sentence.words) == "Grease the Roller at the next stop: it was due."
    day.session.tap("stop")
    day.session.tap("grease")
    assert day.on(10.0)[-1].sentence is None and lines(day)["Grease"] == "in 30 min of work"


def test_a_tank_filled_twice_tells_its_acres(half_an_hour, store):
    """60 l for 20 min at work: 400 l less a tenth last 2 h from the fill on."""

    def fill(day):
        day.session.tap("fuel", litres=50.0)

    day = half_an_hour(before=fill, minutes=34)
    day.session.tap("stop")
    day.session.tap("fuel", litres=102.0)  # 34 min: 0.05 l/s
    day.session.tap("restart")
    day.on(120.0)
    hours = (400 * 0.9 - 0.05 * 120) / 0.05 / 3600
    assert lines(day)["Fuel"].endswith(f"{hours:.1f} h of work")
    assert day.session.view.sentence is None


def test_fuel_for_less_than_is_left_is_said(half_an_hour, store, ids):
    """A small tank nearly empty: said in acres, twice, with what is left to do."""
    store.put(Tractor, id=ids.red, tank_l=60.0)

    def fill(day):
        day.session.tap("fuel", litres=50.0)

    day = half_an_hour(before=fill, minutes=34)
    day.session.tap("stop")
    day.session.tap("fuel", litres=51.0)  # 0.025 l/s: 54 l last 36 min
    day.session.tap("restart")
    words = str(day.on(70.0)[-1].sentence.words)
    assert words.startswith("Fuel for about ") and "ac twice, and " in words
    day.session.tap("i_know")
    assert day.on(70.0)[-1].sentence is None


def test_a_crop_seeded_long_enough_ago_stops_the_work(run, store, ids, drive_rows):
    """Chickpea seeded 22 days ago in soil of 15 deg C now: up, so stop and dig; looking ends it."""
    store.put(Field, id=ids.field, crop="Chickpea")
    day = run(drive_rows([-100], west=-150, east=150))
    day.take_over()
    day.session.tap("seeded", days_ago=22)
    day.session.tap("soil", celsius=15.0)
    day.until(T0 + 10)
    day.session.tap("start")
    sentence = day.on(5.0)[-1].sentence
    assert sentence.rank == 3
    assert str(sentence.words).startswith("Chickpea may be just under the surface by now (an estimate).")
    day.session.tap("look_first", shoots=False)
    assert day.on(5.0)[-1].sentence is None
    day.session.tap("look_first", shoots=True)
    assert str(day.on(5.0)[-1].sentence.words).startswith("Shoots are just below the surface.")
    with pytest.raises(TapRefused, match="how many days ago"):
        day.session.tap("stop")
        day.session.tap("seeded")
    with pytest.raises(TapRefused, match="how warm"):
        day.session.tap("soil", celsius=80.0)


def test_a_field_seeded_in_this_logbook_needs_no_telling(run, store, ids, drive_rows):
    """The seeding's own start taps begin the crop's clock, in the list of fields too."""
    store.put(Field, id=ids.field, crop="lentil")
    day = run(drive_rows([-100], start=T0 - 3600, west=-150, east=150), start=T0 - 3605)
    day.take_over(operation="seeding")
    day.on(10.0)
    day.session.tap("start")
    day.on(60.0)
    day.session.tap("stop")
    day.session.tap("finish")
    day.on(60.0)
    begun = store.all(Tap, kind="start")[0].at
    field = next(f for f in day.session.choices().fields if f.id == ids.field)
    assert field.closes == pytest.approx(closes(begun, CROPS["lentil"]))
    day.take_over()
    day.on(70.0)
    assert lines(day)["Crop"].startswith("lentil: closes ")
    assert "again once up, until the 4th node" in lines(day)["Crop"]


def test_the_sentences_of_the_seeder_come_from_its_own_tablet(half_an_hour, store, ids, drive_rows, run):
    """Its bundle says what is seeded; with a strip left that lasts a quarter of an hour, she is told
    that she runs out, and the day says how much is seeded and not finished."""
    store.put(Tool, id="drill", name="Drill", operation="seeding", width_m=12.0, towed=False)
    # seeded long ago from the south edge up to y = -20, by a drill that stands since
    ys = [-144.0 + 12 * k for k in range(11)]
    ahead = drive_rows(ys, start=T0 - 3000.0, west=-194.0, east=194.0)
    drilled = run(start=ahead[0].t - 5.0)
    drilled.session.take_over(ids.ben, ids.blue, "drill", ids.field, operation="seeding")
    drilled.session.tap("start")
    stint = store.all(Stint)[0]
    writer = store.trace(stint.id)
    for fix in ahead:
        writer.append(fix.t, fix.lat, fix.lon, fix.sigma, fix.quality)
    writer.seal()
    drilled.clock.advance(ahead[-1].t - drilled.clock.now())
    drilled.session.tap("stop", reason="seed")
    drilled.session.tap("finish")
    day = half_an_hour(minutes=46, hz=1.0)
    seeder = lines(day)["Seeder"]
    assert "seeded and not finished; you catch up in" in seeder
    sentences = {str(view.sentence.words) for view in day.views if view.sentence}
    assert any(words.startswith("The seeder stands: seeded ground for") for words in sentences)
    assert {view.sentence.rank for view in day.views if view.sentence} == {4}


def test_a_fault_in_the_day_stops_neither_count_nor_taps(half_an_hour, monkeypatch, store):
    """When the day cannot be looked at, the count goes on and no sentence is made up."""

    def fault(self, now):
        raise ZeroDivisionError

    monkeypatch.setattr(DayReader, "update", fault)
    day = half_an_hour(minutes=3)
    assert day.session.view.sentence is None
    assert day.session.job.areas()["covered"] > 0.9 * 12 * 2.5 * 180 / 2
    day.session.tap("stop")


def test_a_fault_found_walking_round_is_carried_to_the_next_person(run, store):
    """What one operator found wrong stands on the next one's sheet until a walk round finds it fine."""
    day = run()
    day.take_over()
    day.session.tap("walk_round", fine=["tyres"], fault=["hitch pin"])
    day.session.tap("finish")
    day.on(11.0)
    day.take_over("ben", skip_check=None)

    def faults():
        return day.session.prepare_hand_over().sheet["machine"]["faults"]

    assert faults() == ["hitch pin"]
    day.session.tap("walk_round", fine=["tyres", "hitch pin"])
    assert faults() == []


def test_a_working_seeder_is_reckoned_on_from_its_last_news(store, ids, drive_rows):
    """12 m at 2.5 m/s is 30 m2/s less the turns: between two looks the lead grows by just that, what
    is left to seed shrinks by it, and news older than two hours says nothing."""
    store.put(Tool, id="drill", name="Drill", operation="seeding", width_m=12.0, towed=False)
    jobs = [
        store.put(Job, field_id=ids.field, operation=what, season=2026, target=target)
        for what, target in (("seeding", 1), ("rolling", 2))
    ]
    stint = store.add(
        Stint(job_id=jobs[0].id, operator_id=ids.ben, tractor_id=ids.blue, tool_id="drill", width_m=12.0, at=T0)
    )
    store.add(Tap(stint_id=stint.id, kind="start", at=T0))
    ahead = drive_rows([-144.0 + 12 * k for k in range(6)], west=-200.0, east=200.0)
    writer = store.trace(stint.id)
    for fix in ahead:
        writer.append(fix.t, fix.lat, fix.lon, fix.sigma, fix.quality)
    writer.seal()
    field = store.get(Field, ids.field)
    seeder = SeederFromBundles(store, field, jobs[1], FieldSamples(JobCount(field.boundary, 2)))
    end = ahead[-1].t
    now, later = seeder.look(end), seeder.look(end + 600.0)
    assert now.lead == pytest.approx(6 * 12 * 400, rel=0.03)
    assert now.lead + now.left == pytest.approx(400 * 300, rel=0.01)
    # the turns are within the time, and swept ground in them within the rate
    assert 24.0 < now.rate < 31.0
    assert later.lead - now.lead == pytest.approx(600 * now.rate)
    assert now.left - later.left == pytest.approx(600 * now.rate)
    assert seeder.look(end + 7300.0) is None


def test_hours_of_sheet_and_grease_follow_the_office_s_corrections(run, store, ids, drive_rows):
    """A stop corrected to ten minutes earlier takes ten minutes off the tool's hours and off its grease."""
    store.put(Tool, id=ids.roller, grease_every_h=10.0)
    day = run(drive_rows(ROWS, hz=0.5, west=-180.0, east=180.0), tick=10.0)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    day.until(T0 + 10 + 1200)
    day.session.tap("stop")
    day.session.tap("finish")
    day.on(20.0)
    (first,) = store.all(Stint)
    day.take_over("ben")

    def hours():
        return day.session.prepare_hand_over().sheet["machine"]["tool_hours"], season_history.grease_in(
            store, store.get(Tool, ids.roller), T0 + 1e5
        )

    assert hours() == (pytest.approx(0.33), pytest.approx(36000 - 1200))
    stop = next(tap for tap in store.all(Tap, stint_id=first.id) if tap.kind == "stop")
    store.add(
        Correction(
            corrects_table="tap", corrects_id=stop.id, operator_id=ids.ann, at=stop.at, reason="forgot",
            detail={"at": stop.at - 600.0},
        )
    )  # fmt: skip
    assert hours() == (pytest.approx(0.17), pytest.approx(36000 - 600))


def test_an_open_stint_of_another_tablet_is_worked_until_its_last_fix_and_no_longer(
    run, store, ids, drive_rows, tmp_path
):
    """Left open a week ago it does not go on to be worked: grease falls due by what is known."""
    store.put(Tool, id=ids.roller, grease_every_h=10.0)
    day = run(drive_rows([-100, -94], west=-180.0, east=180.0), tick=10.0)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    day.until(T0 + 10 + 200)
    day.session.close()
    (left,) = store.all(Stint)
    last = float(store.read_trace(left.id).t[-1])
    assert work_of(store, [left]) == [(pytest.approx(T0 + 10), pytest.approx(last))]
    due = season_history.grease_in(store, store.get(Tool, ids.roller), T0 + 7 * DAY)
    assert due == pytest.approx(36000 - (last - T0 - 10))
