"""A clock may be set to anything at any moment of a stint: the work counts, hours are never negative, copies agree."""

from dataclasses import replace

import pytest

from cabapp.common.clock import ManualClock
from cabapp.common.message import message
from cabapp.reports.model.job_record import jobs_of, read_job
from cabapp.session import Session
from cabapp.session.fault_isolation import FAULT
from store.models import Correction
from tests.session.conftest import T0, along, key, rows

HOUR, DAY = 3600.0, 86400.0
DRIVE = along(rows([-40, -28]), T0 + 20.0)
WAIT = [replace(DRIVE[0], t=T0 + n) for n in range(20)]
END = DRIVE[-1].t
MOMENTS = {"take over": T0, "start": DRIVE[0].t, "slip": T0 + 60, "again": T0 + 66, "stop": END, "finish": END + 5}
STEPS = {"2 h back": -2 * HOUR, "60 s back": -60.0, "60 s on": 60.0, "2 h on": 2 * HOUR, "a year on": 365 * DAY}
NIGHTS = {"noon": 0.0, "midnight": 1_779_084_000.0 - T0 - 60, "clocks changed": 1_793_523_600.0 - T0 - 60,
          "new year": 1_798_783_200.0 - T0 - 60}  # fmt: skip
"""What is added to the drive, s, so that it goes on over midnight, 2026-11-01 02:00 CDT and 2027-01-01 at UTC-6."""


class Receiver:
    """A receiver that gives the fixes of a drive at their true time, whatever the tablet's clock says."""

    name, ended = "a receiver", False

    def __init__(self, clock, found, later):
        self._clock, self._found, self._later = clock, found, later
        self._left = [type(one)(one.t + later, one.lat, one.lon, one.sigma, one.quality) for one in [*WAIT, *DRIVE]]
        self.status = message("A receiver.")

    def poll(self, now):
        at = self._clock.steady()
        given = [one for one in self._left if one.t <= at]
        self._left = self._left[len(given) :]
        return [one for one in given if one.t >= self._found + self._later]

    def close(self):
        self._left = []


def drive(store, steps=(), found=T0, fast=0.0, receiver=True, later=0.0, restart=None, field="field", operator="ann"):
    """Drive a stint by a clock that is fast and set at true times; return the clock and what the cab said."""
    clock = ManualClock(T0 + later)
    clock.step(fast)
    source = Receiver(clock, found, later) if receiver else None
    session = Session(store, clock, source)
    steps, said = sorted(steps), []

    def until(t):
        nonlocal session
        while clock.steady() < t + later:
            clock.advance(1.0)
            while steps and steps[0][0] + later <= clock.steady():
                clock.step(steps.pop(0)[1])
            if restart is not None and clock.steady() == restart + later:
                session = Session(store, clock, source)
            said.append(session.tick().sentence)

    session.tick()
    session.take_over(key(operator), key("red"), key("roller"), key(field))
    for name, more in (("start", {}), ("stop", {"reason": "slip"}), ("restart", {}), ("stop", {}), ("finish", {})):
        until(MOMENTS[{"restart": "again"}.get(name, "slip" if more else name)])
        session.tap(name, **more)
    job = session.job
    until(END + 20)
    job.end()
    return clock, [one.words for one in said if one is not None], job.areas()


def counted(store):
    """Return the areas, hours and stint of the newest job, after reading all as the office does."""
    for job in jobs_of(store):
        record = read_job(store, job)
        for stint in record.stints:
            assert stint.ended >= stint.row.at and stint.working_s >= 0
            assert all(end >= begin for begin, end in stint.standing.work(stint.ended))
            assert all(seconds >= 0 for seconds in [*stint.stopped.values(), *stint.hours.seconds().values()])
    return record.count.areas(), record.stints[-1].working_s, record.stints[-1].row


@pytest.fixture(scope="module")
def right(tmp_path_factory, stocked):
    """Areas and hours of the drive with a right clock."""
    import shutil

    from store import open_store

    path = tmp_path_factory.mktemp("right") / "logbook.sqlite"
    shutil.copy(stocked, path)
    with open_store(path) as opened:
        drive(opened)
        areas, hours, row = counted(opened)
    assert areas["covered"] > 2000 and row.at == T0
    return areas, hours


@pytest.mark.parametrize("moment", ["start", "slip", "again", "stop"])
@pytest.mark.parametrize("step", STEPS)
def test_a_clock_set_while_a_receiver_is_heard_changes_nothing(store, right, step, moment):
    """Satellite time is proven, so no tap and no figure knows of it."""
    _, said, cab = drive(store, [(MOMENTS[moment] - 3, STEPS[step])])
    assert FAULT not in said
    areas, hours, row = counted(store)
    assert (areas, hours, row.at) == (right[0], pytest.approx(right[1], abs=1e-6), T0)
    assert cab == areas
    assert not store.all(Correction)
