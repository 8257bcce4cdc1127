"""Whether a receiver is silent is told by steady seconds: no setting of the tablet's clock makes or hides a silence."""

import queue

import pytest

from cabapp.common.clock import ManualClock
from cabapp.position.fix import Fix
from cabapp.position.receivers.receiver_group import ReceiverGroup
from cabapp.position.receivers.receiver_thread import ReceiverThread
from cabapp.session import Session
from store import open_store
from store.errors import message

HOUR = 3600.0
BEGUN = 1_777_000_000.0


class Wire:
    """A connection that gives what is put into it."""

    name = "wire"

    def __init__(self):
        self.bytes = queue.Queue()

    def open(self):
        pass

    def read(self):
        try:
            return self.bytes.get(timeout=0.01)
        except queue.Empty:
            return b""

    def close(self):
        pass


@pytest.mark.parametrize("step", [-2 * HOUR, -60.0, 60.0, 2 * HOUR, -400 * 24 * HOUR])
def test_a_clock_set_while_a_receiver_talks_changes_no_state(told_by_a_receiver, sea_place, until, step):
    """Talking it is good, and three seconds after its last byte silent, whatever the clock was set to meanwhile."""
    clock, wire = ManualClock(BEGUN), Wire()
    receiver = ReceiverThread(wire, clock=clock)
    try:
        for n in range(6):
            clock.advance(1.0)
            wire.bytes.put(told_by_a_receiver(clock.steady(), *sea_place(5.0 * n, 0.0)))
            until(lambda n=n: len(receiver.recent) >= n)
            if n == 3:
                clock.step(step)
        assert receiver.state == "good"
        arrivals = [one.at for one in receiver.recent]
        assert arrivals == sorted(arrivals) and arrivals[-1] - arrivals[0] <= 6.0
        clock.advance(4.0)
        assert receiver.state == "silent"
        clock.step(-step)
        assert receiver.state == "silent"
    finally:
        receiver.close()


class Antenna:
    """A receiver that gives a place a second until it falls silent."""

    ended, status = False, message("A receiver.")

    def __init__(self, name, clock, lat):
        self.name, self._clock, self._lat, self.silent = name, clock, lat, False

    def poll(self, now):
        return [] if self.silent else [Fix(self._clock.steady(), self._lat, 10.0, 0.1)]

    def close(self):
        pass


@pytest.mark.parametrize("step", [-2 * HOUR, 2 * HOUR])
def test_a_silent_receiver_gives_way_though_the_clock_was_set(tmp_path, step):
    """The second one is taken after two seconds of silence, not at once and not hours later."""
    clock = ManualClock(BEGUN)
    roof, hood = Antenna("roof", clock, 50.0), Antenna("hood", clock, 51.0)
    group = ReceiverGroup([roof, hood])
    with open_store(tmp_path / "logbook.sqlite") as store:
        session = Session(store, clock, group)

        def ticked(seconds):
            for _ in range(seconds):
                clock.advance(1.0)
                session.tick()

        ticked(5)
        roof.silent = True
        clock.step(step)
        ticked(1)
        assert group.name == "roof"
        ticked(3)
        assert group.name == "hood"
