"""A clock may be set to anything at any moment of a stint: the work counts, hours are never negative, copies agree."""

import random
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabapp.__main__ import main
from cabapp.common.clock import ManualClock
from cabapp.common.message import message
from cabapp.jobs.pass_counts import assembler
from cabapp.jobs.pass_counts.assembler import assemble
from cabapp.jobs.records.corrections import CLOCK, Corrections
from cabapp.jobs.records.dating.event_order import in_order, rising, rising_taps
from cabapp.jobs.records.pending_handovers import pending_handovers
from cabapp.jobs.records.stint_state import TapRefused, stint_state
from cabapp.jobs.records.work_intervals import idle_spans, seconds
from cabapp.reports.job.field_log import field_log
from cabapp.reports.model.job_record import jobs_of, read_job
from cabapp.reports.season.office_build import build
from cabapp.session import Session
from cabapp.session.fault_isolation import FAULT
from store import open_store
from store.models import ClockEra, Correction, HandOver, Job, Stint, Tap
from sync import export_bundle, merge_bundles
from sync.enrolment import pair
from tests.session.conftest import T0, along, key, rows

HOUR, DAY = 3600.0, 86400.0
DRIVE = along(rows([-40], -25, 25), T0 + 6.0)
WAIT = [replace(DRIVE[0], t=T0 + n) for n in range(6)]
END = DRIVE[-1].t
TAPS = {"start": T0 + 6, "stop": T0 + 12, "restart": T0 + 14, "stop ": END, "finish": END + 2}
STEPS = {"2 h back": -2 * HOUR, "60 s back": -60.0, "60 s on": 60.0, "a year back": -365 * DAY}
NIGHTS = {
    "midnight at UTC": datetime(2026, 5, 18, tzinfo=UTC).timestamp(),
    "midnight on the farm": datetime(2026, 5, 18, 6, tzinfo=UTC).timestamp(),
    "clocks go back": datetime(2026, 11, 1, 7, tzinfo=UTC).timestamp(),
    "a new year on the farm": datetime(2027, 1, 1, 6, tzinfo=UTC).timestamp(),
}


class Receiver:
    """Gives the fixes of a drive at their true time, whatever the tablet's clock says, from when it is found."""

    name, ended, status = "a receiver", False, message("A receiver.")

    def __init__(self, clock, found, later):
        self._clock, self._found = clock, found + later
        self._left = [replace(one, t=one.t + later) for one in [*WAIT, *DRIVE]]

    def poll(self, now):
        due = [one for one in self._left if one.t <= self._clock.steady()]
        self._left = self._left[len(due) :]
        return [one for one in due if one.t >= self._found]

    def close(self):
        self._left = []


def drive(store, steps=(), found=T0, fast=0.0, receiver=True, later=0.0, restart=None, operator="ann"):
    """Drive a stint by a clock that is ``fast``, and set at true times; return the cab's areas at its end."""
    clock = ManualClock(T0 + later)
    clock.step(fast)
    source = Receiver(clock, found, later) if receiver else None
    session, steps = Session(store, clock, source), sorted(steps)

    def until(t):
        nonlocal session
        while clock.steady() < t + later:
            clock.advance(1.0)
            while steps and steps[0][0] + later <= clock.steady():
                clock.step(steps.pop(0)[1])
            if restart is not None and clock.steady() == restart + later:
                session = Session(store, clock, source)
            said = session.tick().sentence
            assert said is None or said.words not in (FAULT, FAULT.id)

    session.tick()
    session.take_over(key(operator), key("red"), key("roller"), key("bare"))
    for name, at in TAPS.items():
        until(at)
        session.tap(name.strip())
    job = session.job
    until(END + 3)
    if job is None:
        return None
    job.end()
    return job.areas()


def counted(store):
    """Return the areas, hours and row of the last stint, after reading all jobs as the office does."""
    for job in jobs_of(store):
        record = read_job(store, job)
        assert not record.held
        for stint in record.stints:
            assert stint.ended >= stint.row.at and stint.working_s >= 0
            assert all(end >= begin for begin, end in stint.standing.work(stint.ended))
            assert all(some >= 0 for some in [*stint.stopped.values(), *stint.hours.seconds().values()])
    return record.count.areas(), record.stints[-1].working_s, record.stints[-1].row


@pytest.fixture(scope="module")
def right(tmp_path_factory, stocked):
    """A function that returns areas, hours and stint of the drive by a right clock, by when the receiver is found."""

    @cache
    def driven(found=T0):
        path = tmp_path_factory.mktemp("right") / "logbook.sqlite"
        shutil.copy(stocked, path)
        with open_store(path) as opened:
            drive(opened, found=found)
            return counted(opened)

    return driven


def season_of(store, row):
    return store.get(Job, row.job_id).season


@pytest.mark.parametrize("step", STEPS)
def test_a_clock_set_while_a_receiver_is_heard_changes_nothing(store, right, step):
    """Satellite time is proven: back during work, on during a stop, by minutes or a year, no tap or figure knows."""
    cab = drive(store, [(T0 + 8, STEPS[step]), (T0 + 13, -STEPS[step] / 2)])
    assert counted(store)[:2] == right()[:2]
    assert cab == counted(store)[0] and cab["covered"] > 400
    assert counted(store)[2].at == T0 and not store.all(Correction)


@pytest.mark.parametrize(
    ("found", "fast"), [(T0 + 4, -200 * DAY), (T0 + 9, 2 * HOUR), (T0 + 13, -2 * HOUR), (T0 + 13, 365 * DAY)]
)
def test_what_a_wrong_clock_dated_is_dated_again_when_the_receiver_is_found(store, right, fast, found):
    """Before the start, at work and while stopped: a recorded correction, the season right, the figures those of a right clock."""
    cab = drive(store, found=found, fast=fast)
    areas, hours, row = counted(store)
    assert areas == cab
    expected = right(found=found)
    assert areas == expected[0] and hours == pytest.approx(expected[1], abs=2.0)
    assert row.at == pytest.approx(T0, abs=2.0) and season_of(store, row) == 2026
    (written,) = store.all(Stint)
    assert written.at == T0 + fast
    assert "dated again" in field_log(read_job(store, jobs_of(store)[0]), T0)
    said = [one for one in store.all(Correction) if one.corrects_id == written.id]
    assert said[-1].detail[CLOCK] == pytest.approx(fast, abs=2.0) and "by satellite time" in said[-1].reason


@pytest.mark.parametrize(
    ("step", "at"), [("2 h back", T0 + 8), ("60 s back", T0 + 13), ("60 s on", T0 + 3), ("a year back", END + 1)]
)
def test_a_clock_set_without_a_receiver_dates_the_stint_by_what_it_was_set_to(store, step, at):
    """The last setting is the likeliest; hours are those that passed, whenever it was set."""
    drive(store, [(at, STEPS[step])], receiver=False, fast=-STEPS[step])
    (job,) = jobs_of(store)
    assert assemble(store, job) is None or counted(store)
    record = read_job(store, job)
    assert record.stints[0].row.at == pytest.approx(T0, abs=1.0) and job.season == 2026
    assert record.stints[0].working_s == pytest.approx(6.0 + END - T0 - 14, abs=2.0)


@pytest.mark.parametrize("night", NIGHTS)
def test_a_stint_over_midnight_and_a_change_of_clocks_counts_like_any_other(store, right, night):
    """Also when the tablet's clock is set back there; the season is that of taking over."""
    later = NIGHTS[night] - T0 - 12
    drive(store, [(T0 + 13, -HOUR)], later=later)
    areas, hours, row = counted(store)
    assert areas["covered"] == pytest.approx(right()[0]["covered"]) and hours == pytest.approx(right_hours())
    assert season_of(store, row) == 2026


def right_hours():
    return TAPS["stop"] - TAPS["start"] + TAPS["stop "] - TAPS["restart"]


@pytest.mark.parametrize("found", [T0, T0 + 16])
def test_the_program_begun_again_after_the_clock_was_set_back_counts_on(store, found):
    """The second run finds taps later than now; order is by stamp, so the next operator counts the field too."""
    drive(store, [(T0 + 8, -2 * HOUR)], fast=2 * HOUR, restart=T0 + 9, found=found)
    assert counted(store)[0]["covered"] > 100
    drive(store, later=3 * HOUR, operator="ben")
    assert len(read_job(store, jobs_of(store)[0]).stints) == 2 and counted(store)[0]["covered"] > 400


def test_a_hand_over_is_over_when_somebody_went_on_whatever_the_clocks_said(store, run, ids):
    """Handed over two hours fast, taken over by a right clock: the order is by stamp."""
    day = run(start=T0 + 2 * HOUR)
    day.take_over()
    day.session.hand_over(day.session.prepare_hand_over())
    assert len(pending_handovers(store)) == 1
    job = store.all(Job)[0]
    first = store.all(Stint)[0]
    columns = {
        c.key: getattr(first, c.key) for c in Stint.__table__.columns if c.key not in ("id", "device", "seq", "stamp")
    }
    store.add(Stint(**columns | {"at": T0}))
    assert pending_handovers(store) == [] and len(read_job(store, job).stints) == 2
    sheet = read_job(store, job, store.all(HandOver)[0])
    assert [one.row.id for one in sheet.stints] == [first.id]


def test_a_clock_behind_the_logbook_is_asked_about_once_and_its_stint_moves_to_the_right_season(store):
    """Booted with last autumn's date: said, and let in on a second touch; the receiver puts stint and season right."""
    drive(store)
    clock = ManualClock(T0 + DAY)
    clock.step(-200 * DAY)
    session = Session(store, clock, Receiver(clock, T0 + 10, DAY))
    chosen = key("ben"), key("red"), key("roller"), key("bare")
    with pytest.raises(TapRefused, match=r"year 2025.*work of .*year 2026"):
        session.take_over(*chosen)
    assert len(store.all(Stint)) == 1
    session.take_over(*chosen)
    session.tap("start")
    (job,) = [one for one in store.all(Job) if one.season == 2025]
    assert len(read_job(store, job).stints) == 1
    for _ in range(20):
        clock.advance(1.0)
        session.tick()
    assert [one.id for one in jobs_of(store)] == [session._runner.job.id] != [job.id]
    record = read_job(store, session._runner.job)
    assert [stint.row.at for stint in record.stints] == pytest.approx([T0, T0 + DAY], abs=2.0)
    assert record.job.season == 2026 and record.stints[1].standing.switches[0].t == pytest.approx(T0 + DAY, abs=2.0)


@pytest.mark.parametrize("known", [True, False])
def test_pages_and_office_follow_a_stint_to_its_season(store, tmp_path, known):
    """Booted with last autumn's date, worked, written into last year's job, carried and shown there; then satellites come.

    The stint, its taps and what it covers stand in this year's job of cab and office after the next exchange, and in no
    other; the page of last year is gone. With nothing else in the logbook (``known`` false) nobody is asked.
    """
    if known:
        drive(store, later=-DAY)
    with open_store(tmp_path / "office.sqlite", "office") as office:
        pair(office, store)

        def shown():
            assert merge_bundles(office, [export_bundle(store, tmp_path / "stick")]).refused == []
            build(office, jobs_of(office), tmp_path / "pages", T0 + DAY)
            pages = {page.name: page.read_text("utf-8") for page in (tmp_path / "pages").glob("*-job.html")}
            return {job.season: read_job(office, job) for job in jobs_of(office)}, pages

        clock = booted(T0, "first", fast=-200 * DAY)
        session = Session(store, clock, Receiver(clock, DRIVE[0].t + 4, 0.0))
        chosen = key("ben"), key("red"), key("roller"), key("bare")
        if known:
            with pytest.raises(TapRefused, match="year 2025"):
                session.take_over(*chosen)
        session.take_over(*chosen)
        ticked(session, clock, 6)
        session.tap("start")
        ticked(session, clock, 2)
        wrong, pages = shown()
        assert [stint.operator for stint in wrong[2025].stints] == ["Ben"] and any(
            "2025" in text for text in pages.values()
        )
        while clock.steady() < END:
            ticked(session, clock, 1)
        session.tap("stop")
        job = session.job
        session.tap("finish")
        ticked(session, clock, 3)
        job.end()
        right, pages = shown()
        assert set(right) == {2026} and len(pages) == 1
        assert [one.name for one in (tmp_path / "pages").glob("season-*.html")] == ["season-2026.html"]
        stint = right[2026].stints[-1]
        assert (stint.operator, stint.row.at) == ("Ben", pytest.approx(T0, abs=2.0)) and stint.working_s > 5
        assert len(right[2026].stints) == 1 + known and right[2026].count.areas()["covered"] > 100
        assert job.areas() == right[2026].count.areas()
        begun = [switch.t for switch in stint.standing.switches]
        assert begun[0] == pytest.approx(T0 + 6, abs=2.0) and begun == sorted(begun)
        assert office.all(Correction) and office.check() == store.check() == []
        again, _pages = shown()
        assert again[2026].count.areas() == right[2026].count.areas()


def test_stints_of_the_day_that_no_receiver_was_there_for_are_dated_again_too(store):
    """A stint finished, and the program begun again, before the receiver is found; one with a trace stays."""
    drive(store, later=-3 * HOUR)
    drive(store, receiver=False, fast=2 * HOUR, later=-HOUR)
    drive(store, fast=2 * HOUR, found=T0 + 9)
    (job,) = jobs_of(store)
    began = [stint.row.at for stint in read_job(store, job).stints]
    assert began == pytest.approx([T0 - 3 * HOUR, T0 - HOUR, T0], abs=2.0)


def booted(t, boot, fast=0.0):
    """Return a tablet's clock since a start of the machine."""
    clock = ManualClock(t)
    clock.step(fast)
    clock.boot = boot
    return clock


def ticked(session, clock, seconds):
    for _ in range(seconds):
        clock.advance(1.0)
        session.tick()


def test_what_proved_the_time_is_recorded_and_known_after_the_program_was_begun_again(store):
    """Since when and by what; as long as the machine runs the time stays proven, and no setting of its clock moves it."""
    clock = booted(T0, "first", fast=2 * HOUR)
    session = Session(store, clock, Receiver(clock, T0 + 4, 0.0))
    assert store.now() != pytest.approx(T0, abs=60.0)
    ticked(session, clock, 10)
    (era,) = store.all(ClockEra)
    assert (era.proven, era.boot) == ("satellites", "first") and era.at == pytest.approx(T0 + 7, abs=3.0)
    assert "2 h" in str(session.clock_fault) and store.now() == pytest.approx(T0 + 10, abs=2.0)
    clock.step(-300 * DAY)
    again = Session(store, clock)
    assert again.tick().now == pytest.approx(T0 + 10, abs=2.0) == store.now()
    again.take_over(key("ann"), key("red"), key("roller"), key("bare"))  # asks nothing: the season is known
    assert store.all(Stint)[0].at == pytest.approx(T0 + 10, abs=2.0)
    assert len(store.all(ClockEra)) == 1 and not store.all(Correction)
    assert store.add(Tap(stint_id=store.all(Stint)[0].id, kind="odd", at=T0)).stamp > ""


def test_after_a_start_of_the_machine_the_time_is_not_proven_and_that_is_recorded_before_a_row(store):
    """What was proven stays as it is; only what is written from there on is dated again by the receiver."""
    clock = booted(T0, "first")
    session = Session(store, clock, Receiver(clock, T0, 0.0))
    session.take_over(key("ann"), key("red"), key("roller"), key("bare"))
    ticked(session, clock, 5)
    session.tap("start")
    clock = booted(T0 + HOUR, "second", fast=2 * HOUR)
    session = Session(store, clock, Receiver(clock, T0 + 8, HOUR))
    ticked(session, clock, 3)
    assert [era.proven for era in store.all(ClockEra)] == ["satellites"]
    session.tap("stop")
    session.tap("finish")
    assert [era.proven for era in store.all(ClockEra)] == ["satellites", None]
    clock = booted(clock.steady() + 60, "third", fast=2 * HOUR)  # the receiver is found after one more start only
    session = Session(store, clock, Receiver(clock, T0 + 8, HOUR + 60))
    ticked(session, clock, 12)
    assert [era.proven for era in store.all(ClockEra)] == ["satellites", None, "satellites"]
    (stint,) = read_job(store, jobs_of(store)[0]).stints
    assert stint.row.at == pytest.approx(T0, abs=1.0)
    assert [switch.t for switch in stint.standing.switches][:2] == pytest.approx([T0 + 5, T0 + HOUR + 3], abs=2.0)
    begun = {one.corrects_id for one in store.all(Correction)}
    assert begun == {tap.id for tap in store.all(Tap) if tap.kind in ("stop", "finish")}


def test_a_power_cut_while_rows_are_dated_again_dates_none_twice(store, monkeypatch):
    """All corrections and what proved the time are one transaction: there wholly, or done anew after the start."""
    clock = booted(T0, "first", fast=2 * HOUR)
    session = Session(store, clock, Receiver(clock, T0 + 8, 0.0))
    session.take_over(key("ann"), key("red"), key("roller"), key("bare"))
    for name in ("start", "stop", "restart"):
        ticked(session, clock, 2)
        session.tap(name)
    numbered = store.number

    def cut(session, row, after=""):
        if isinstance(row, ClockEra):
            raise KeyboardInterrupt
        return numbered(session, row, after)

    monkeypatch.setattr(store, "number", cut)
    with pytest.raises(KeyboardInterrupt):
        ticked(session, clock, 6)
    monkeypatch.undo()
    assert not store.all(Correction) and not store.all(ClockEra)
    again = booted(clock.steady() + 60, "second", fast=2 * HOUR)
    session = Session(store, again, Receiver(again, T0 + 8, 70.0))
    ticked(session, again, 20)
    assert len(store.all(Correction)) == 4 and [era.proven for era in store.all(ClockEra)] == ["satellites"]
    record = read_job(store, jobs_of(store)[0])
    assert [switch.t - T0 for switch in record.stints[0].standing.switches] == pytest.approx([2, 4, 6], abs=2.0)


def test_a_person_proves_the_time_too(store):
    """To choose again where the logbook knows later work; recorded as a person's word, and the receiver overrules it."""
    drive(store)
    clock = booted(T0 + DAY, "second", fast=-200 * DAY)
    session = Session(store, clock, Receiver(clock, T0 + 5, DAY))
    chosen = key("ben"), key("red"), key("roller"), key("bare")
    with pytest.raises(TapRefused):
        session.take_over(*chosen)
    session.take_over(*chosen)
    assert [era.proven for era in store.all(ClockEra)] == ["satellites", "person"]
    ticked(session, clock, 12)
    assert store.all(ClockEra)[-1].proven == "satellites" and session._runner.job.season == 2026


class Player(ManualClock):
    """A tablet on which a recording of another day can be played."""

    replaying = False

    def now(self):
        return super().now() - 300 * DAY * self.replaying


def test_a_recording_played_meanwhile_dates_nothing_again(store):
    """Its time is of another day: not while it is played, nor when it is over and the tablet's clock is wrong."""
    clock = Player(T0)
    session = Session(store, clock, Receiver(clock, T0, 0.0))
    session.take_over(key("ann"), key("red"), key("roller"), key("bare"))
    for n in range(12):
        clock.advance(1.0)
        session.tick()
        if n == 4:
            session.tap("start")
    clock.step(2 * HOUR)
    clock.replaying = True
    assert session.tick().now == pytest.approx(clock.now(), abs=1.0)
    assert store.now() == store.wall() or abs(store.now() - store.wall()) < 5.0  # what is written has today's stamps
    clock.replaying = False
    assert session.tick().now == pytest.approx(T0 + 12 + 2 * HOUR, abs=1.0)
    assert not store.all(Correction)


class Sleeper(ManualClock):
    """A machine that falls asleep for an hour right after its clock was read, now and then."""

    readings = 0

    def now(self):
        at = super().now()
        self.readings += 1
        if self.readings % 7 == 3:
            self.advance(HOUR)
        return at


def test_a_machine_asleep_between_two_readings_dates_nothing_again(store):
    """Clock and steady seconds are read again until both are of one moment."""
    clock = Sleeper(T0)
    session = Session(store, clock)
    session.take_over(key("ann"), key("red"), key("roller"), key("bare"))
    for _ in range(20):
        clock.advance(1.0)
        session.tick()
    assert clock.readings > 20 and not store.all(Correction)


def test_a_stint_is_moved_to_another_season_by_command(store, capsys):
    """The same work on the same field, and its fuel and hand-overs with it; the page says so."""
    drive(store)
    drive(store, later=HOUR, operator="ben")
    stint = store.all(Stint)[0].id
    words = ["correct", "stint", stint, "season=2025", "--reason", "the clock was wrong", "--store", str(store.path)]
    assert main(words) == 0
    seasons = {job.season: [one.operator for one in read_job(store, job).stints] for job in jobs_of(store)}
    assert seasons == {2025: ["Ann"], 2026: ["Ben"]}
    (job,) = [job for job in jobs_of(store) if job.season == 2025]
    assert "season: 2025 (was another)" in field_log(read_job(store, job), T0)


def test_a_person_s_correction_stands_before_a_clock_s(store):
    """Whoever wrote last: a person knows when it was."""
    drive(store, receiver=False)
    start = next(tap for tap in store.all(Tap) if tap.kind == "start")
    for detail in ({"at": T0 + 7.0}, {"at": T0 + 5.0, CLOCK: 1.0}):
        store.add(Correction(corrects_table="tap", corrects_id=start.id, at=T0, reason="seen", detail=detail))
    assert Corrections(store).said(start.id) == {"at": T0 + 7.0}
    assert Corrections(store).clocked(start.id) == {"at": T0 + 5.0}


def test_a_stint_that_cannot_be_read_is_held_and_stops_nothing_else(store, tmp_path, monkeypatch):
    """Said on pages, in the cab and by the office; the other stints count, and so do other jobs."""
    drive(store)
    drive(store, later=HOUR, operator="ben")
    alone = counted(store)[1]
    bad = store.all(Stint)[0]
    read = assembler.read_stint

    def faulty(store, row, *more):
        if row.id == bad.id:
            raise ZeroDivisionError("an odd row")
        return read(store, row, *more)

    monkeypatch.setattr(assembler, "read_stint", faulty)
    record = read_job(store, jobs_of(store)[0])
    assert [stint.operator for stint in record.stints] == ["Ben"] and record.stints[0].working_s == alone
    (said,) = record.held
    assert "Ann" in str(said) and bad.id[:8] in str(said) and "correct" in str(said)
    session = Session(store, ManualClock(T0 + 2 * HOUR))
    session.take_over(key("ben"), key("red"), key("roller"), key("bare"))
    if "hitching_ok" in [name for _, name in session.tick().sentence.answers]:
        session.tap("hitching_ok")
    assert session.tick().sentence.words == said
    done = build(store, jobs_of(store), tmp_path, T0 + DAY)
    assert done["written"] == 1 and "left out" in (tmp_path / "index.html").with_name(
        next(tmp_path.glob("*-job.html")).name
    ).read_text("utf-8")


def test_a_job_none_of_whose_stints_can_be_read_is_left_out_and_the_others_are_written(store, tmp_path, monkeypatch):
    """One sentence says which job, and the office goes on."""
    drive(store)
    drive(store, later=400 * DAY)
    bad, read = store.all(Stint)[0], assembler.read_stint
    faulty = lambda store, row, *more: read(store, row, *more) if row.id != bad.id else 1 / 0  # noqa: E731
    monkeypatch.setattr(assembler, "read_stint", faulty)
    done = build(store, jobs_of(store), tmp_path, T0 + 401 * DAY)
    assert done["written"] == done["jobs"] == 1 and len(done["left_out"]) == 1
    assert bad.id[:8] in done["left_out"][0]


times = st.floats(-1e10, 1e12)


@given(st.lists(st.tuples(times, st.booleans())))
def test_rising_times_never_fall_and_keep_what_already_rises(some):
    """Sure times that rise are all kept; as few others as can be are changed (by trying all, up to eight)."""
    at, sure = [t for t, _ in some], [one for _, one in some]
    found = rising(at, sure)
    assert found == sorted(found) and rising(found, sure) == found and set(found) <= set(at)
    known = [t for t, one in some if one]
    if known == sorted(known):
        assert all(new == t for new, t, one in zip(found, at, sure) if one)
    if len(at) <= 8:
        subsets = [[t for k, t in enumerate(at) if n >> k & 1] for n in range(2 ** len(at))]
        most = max(len(one) for one in subsets if one == sorted(one))
        assert any(sure) or sum(a == b for a, b in zip(found, at)) >= most


KINDS = [
    "start", "stop", "restart", "stop_reason", "were_rolling", "stop_counting", "width", "sections", "worked_width",
    "pass_counted", "undo", "finish", "warned", "soil", "odd",
]  # fmt: skip
odd = (
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=4) | st.lists(st.integers(), max_size=2)
)
details = st.dictionaries(st.sampled_from(["from", "wing", "on", "width_m", "passes", "length_m"]), odd | times)


@given(times, st.lists(st.tuples(st.sampled_from(KINDS), times, st.booleans(), details), max_size=12), st.randoms())
def test_any_instants_of_any_taps_count_and_hours_are_never_negative(taken, made, chance):
    """Whatever details say, copies that got the rows in another order agree; no span ends before it begins."""
    taps = [
        Tap(id=str(n), device="d", seq=n, stamp=f"{n:05d}", stint_id="s", kind=kind, at=at, reason=None,
            lat=50.0 if placed else None, lon=None, detail=detail | {"tap": str(n - 1)})
        for n, (kind, at, placed, detail) in enumerate(made)
    ]  # fmt: skip
    shuffled = random.Random(chance.random()).sample(taps, len(taps))
    (began, dated), (other, again) = (rising_taps(taken, False, in_order(some), set()) for some in (taps, shuffled))
    state = stint_state(began, dated)
    assert (began, state) == (other, stint_state(other, again))
    switches = [switch.t for switch in state.switches]
    assert switches == sorted(switches) and all(t >= began for t in switches)
    ended = max([began, *switches])
    idle = idle_spans(began, ended, state.switches, state.stops)
    assert state.working_s(ended) >= 0 and all(end > begin for begin, end, _ in idle)
    assert seconds(state.work(ended)) + sum(b - a for a, b, _ in idle) == pytest.approx(ended - began, rel=1e-9)


@pytest.mark.parametrize("found", [6, 22, 24, 25])
def test_a_receiver_found_late_counts_the_same_in_cab_and_office(tmp_path, stocked, found):
    """The first fixes of a field without boundary are counted, though the disk has not got them yet."""
    shutil.copy(stocked, tmp_path / "logbook.sqlite")
    with open_store(tmp_path / "logbook.sqlite") as opened:
        cab = drive(opened, found=T0 + found)
        assert cab["covered"] > 0 and counted(opened)[0] == cab


@settings(max_examples=3)
@given(
    st.lists(st.tuples(st.integers(0, 30), st.sampled_from([-9e6, -7200.0, -61.0, -3.0, 3.0, 7200.0, 4e7])), max_size=4),
    st.integers(0, 40), st.sampled_from([0.0, -7200.0, 7200.0]),
)  # fmt: skip
def test_any_history_of_a_clock_counts_in_cab_and_office(tmp_path_factory, stocked, steps, found, fast):
    """Cab and office agree on the areas, and no step is a fault."""
    path = tmp_path_factory.mktemp("history") / "logbook.sqlite"
    shutil.copy(stocked, path)
    with open_store(path) as opened:
        cab = drive(opened, [(T0 + t, step) for t, step in steps], T0 + found, fast)
        assert cab is None or counted(opened)[0] == cab


@pytest.mark.parametrize("back", [8.0, 40 * 60.0, 3 * HOUR])
@pytest.mark.parametrize("at", [T0 + 3, T0 + 9, T0 + 13])
def test_a_receiver_s_clock_set_back_changes_nothing(store, right, monkeypatch, at, back):
    """Before the start, at work and while stopped the cab counts on, as if it never was; the office and the hours agree."""
    poll = Receiver.poll

    def behind(self, now):
        return [one if one.t < at else replace(one, t=one.t - back) for one in poll(self, now)]

    monkeypatch.setattr(Receiver, "poll", behind)
    cab = drive(store)
    areas, hours, row = counted(store)
    assert cab == areas
    assert areas["covered"] == pytest.approx(right()[0]["covered"], rel=0.02)
    assert hours == pytest.approx(right()[1], abs=2.0)
    assert row.at == pytest.approx(T0, abs=1.0) and not store.all(Correction)
