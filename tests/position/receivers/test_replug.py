"""A receiver unplugged and plugged in again and again while somebody rolls."""

import gc
import os
import threading
import time

import numpy as np
import pytest

from cabapp.common.clock import WallClock
from cabapp.position.receivers import receiver_thread
from cabapp.position.receivers.connections import SerialConnection
from cabapp.position.receivers.receiver_thread import ReceiverThread
from cabapp.position.recordings.raw_log import RawLog
from cabapp.session import Session
from store.models import Stint

SPEED = 10.0


def handles():
    """Return what this process holds open, sorted."""
    gc.collect()
    return len(os.listdir("/proc/self/fd"))


class Driver:
    """Drives east at 10 m/s by the wall, whether or not anybody hears of it."""

    def __init__(self, port, told, place):
        self._port, self._told, self._place = port, told, place
        self._begun = self._next = time.time()
        self.said = []

    def x(self, t):
        return (t - self._begun) * SPEED

    def catch_up(self, heard=True):
        """Say every moment that has come since the last call, 20 a second; note those that somebody hears."""
        while self._next <= time.time():
            t = round(self._next, 2)
            if self._port.plugged:
                self._port.say(self._told(t, *self._place(self.x(t) - 900.0, 0.0)))
                self.said += [t] if heard else []
            self._next += 0.05


@pytest.fixture
def quick_reconnection(monkeypatch):
    """Try again after at most a tenth of a second, so that a hundred times fit into a test."""
    monkeypatch.setattr(receiver_thread, "FIRST_WAIT_S", 0.02)
    monkeypatch.setattr(receiver_thread, "LONGEST_WAIT_S", 0.1)


@pytest.mark.skipif(not os.path.isdir("/proc/self/fd"), reason="needs /proc to count open handles")
@pytest.mark.parametrize("times", [4, pytest.param(100, marks=pytest.mark.long)])
def test_unplugged_again_and_again(
    quick_reconnection, serial_port, sea_farm, sea_place, told_by_a_receiver, tmp_path, times
):
    """Recording goes on each time, nothing false is covered, no thread and no handle is left over."""
    port = serial_port()
    raw = RawLog(tmp_path / "raw", "test")
    receiver = ReceiverThread(SerialConnection(port.path), raw)
    session = Session(sea_farm.store, WallClock(), receiver)
    driver = Driver(port, told_by_a_receiver, sea_place)

    def drive(seconds, until=lambda: True):
        """Drive for a time, and on until something is true, which it is within a minute."""
        ends = time.time() + seconds
        while time.time() < ends or not until():
            assert time.time() < ends + 60, "it did not come about"
            driver.catch_up(receiver.state == "good")
            session.tick()
            time.sleep(0.01)

    try:
        drive(0.5, lambda: receiver.state == "good")
        sea_farm.take_over(session)
        session.tap("start")
        started = time.time()
        drive(0.3, lambda: session.view.position == "good")
        held, threads = handles(), threading.active_count()
        for n in range(times):
            port.unplug()
            drive(0.01 + 0.01 * (n % 3))
            if n == times // 2:
                # once for so long that the ground between is unknown
                drive(5.8, lambda: session.view.position == "lost" and "not there" in str(receiver.status))
            opened = receiver.times_opened
            port.plug()
            drive(0.12, lambda opened=opened: receiver.times_opened > opened)
        drive(0.6, lambda: session.view.position == "good")
        assert threading.active_count() == threads
        assert abs(handles() - held) <= 2  # the database may keep one more page file open
        [stint] = sea_farm.store.all(Stint)
        session.tap("stop")
        trace = sea_farm.store.read_trace(stint.id)
    finally:
        session.close()
    assert receiver.times_opened > times
    assert len(trace.t) > 0.5 * len(driver.said)
    east = np.array([driver.x(t) - 900.0 for t in trace.t])
    truth = np.array([sea_place(x, 0.0) for x in east])
    # 1e-6 degree is 11 cm: at 10 m/s the hundredths of a second of the store alone are 10 cm
    assert np.abs(trace.lat - truth[:, 0]).max() < 1e-6
    assert np.abs(trace.lon - truth[:, 1]).max() < 2e-6
    assert (np.diff(trace.t) > 0).all()
    tally = session.job.area_totals()
    driven = east.max() - (driver.x(started) - 900.0)
    unknown = sum(b - a for a, b in zip(trace.t, trace.t[1:]) if b - a > 5.0)
    assert unknown > 5.0
    assert set(tally.by_count) == {1}
    # a metre or two of direction is learnt at the start and after the unknown ground
    assert tally.covered <= (driven - unknown * SPEED + 1.0) * 12
    assert tally.covered >= 0.95 * (driven - unknown * SPEED - 10.0) * 12
    assert not [one.name for one in threading.enumerate() if one.name.startswith("receiver")]
