"""Twenty fixes a second through a long day, from bytes to the count."""

import resource
import time

import numpy as np
import pytest

from cabapp.common.clock import ManualClock
from cabapp.jobs.pass_counts.live_count import LiveCount
from cabapp.position.protocols.byte_decoder import ByteDecoder
from cabapp.position.recordings.raw_log import RawLog
from cabapp.session import Session
from store.models import Stint

T0 = 1_779_000_000.0
HZ, SPEED, WIDTH, HALF = 20, 2.5, 12.0, 900.0


def rss():
    """Return the memory in use now, bytes."""
    with open("/proc/self/statm") as file:
        return int(file.read().split()[1]) * resource.getpagesize()


class Wire:
    """A source whose bytes are handed over by the test, through the decoder and into the raw log."""

    name, status, ended = "a wire", "", False

    def __init__(self, raw):
        self.decoder, self._raw, self._fixes = ByteDecoder(), raw, []
        self.given = 0

    def take(self, data, at):
        self._fixes += [heard.fix for heard in self.decoder.feed(data, at)]

    def keep(self, data, at):
        """Keep the bytes, after the fix is on its way as in a receiver's own thread."""
        self._raw.write(data, at)

    def poll(self, now):
        given, self._fixes = self._fixes, []
        self.given += len(given)
        return given

    def close(self):
        self._raw.close()


def lanes(n):
    """Return n places a twentieth of a second apart: lanes north of each other, half circles between."""
    turn = np.pi * WIDTH / 2
    s = np.arange(n) * SPEED / HZ
    lane, along = np.divmod(s, 2 * HALF + turn)
    straight = along < 2 * HALF
    angle = np.clip((along - 2 * HALF) / (WIDTH / 2), 0, np.pi)
    sign = np.where(lane % 2 == 0, 1.0, -1.0)
    x = sign * np.where(straight, along - HALF, HALF + WIDTH / 2 * np.sin(angle))
    y = -HALF + WIDTH * lane + np.where(straight, 0.0, WIDTH / 2 * (1 - np.cos(angle)))
    return np.column_stack([x, y])


@pytest.fixture
def counted_at(monkeypatch):
    """The moments when the count had taken what it was given: on the wall, and of this thread, s."""
    moments, take = [], LiveCount.add_fixes

    def noting(self, fixes):
        done = take(self, fixes)
        moments.append((time.perf_counter(), time.thread_time()))
        return done

    monkeypatch.setattr(LiveCount, "add_fixes", noting)
    return moments


def drive(sea_farm, sea_places, counted_at, told, raw, hours):
    """Drive for so many hours.

    Return for each fix the seconds from its bytes to the count, and to the view; memory each ten
    minutes, bytes.
    """
    clock = ManualClock(T0 - 1.0)
    wire = Wire(raw)
    session = Session(sea_farm.store, clock, wire)
    sea_farm.take_over(session)
    session.tap("start")
    n = int(hours * 3600 * HZ)
    lat, lon = (part.tolist() for part in sea_places(lanes(n)))
    # to the count by the wall and by this thread's own time, to the view by both
    took, memory = np.full((n, 4), np.nan), []
    clock.advance(1.0)
    for k in range(n):
        data = told(T0 + k / HZ, lat[k], lon[k])
        begun = time.perf_counter(), time.thread_time()
        wire.take(data, clock.now())
        session.tick()
        shown = time.perf_counter(), time.thread_time()
        # the very first moment is given with the second
        counted = counted_at[-1] if counted_at else begun
        counted_at.clear()
        took[k] = (*np.subtract(counted, begun), *np.subtract(shown, begun))
        wire.keep(data, clock.now())
        session.take_dirty()
        clock.advance(1 / HZ)
        if k and k % (600 * HZ) == 0:
            memory.append(rss())
            # what only these ten minutes took, so that growing slower shows
            print(
                f"{time.strftime('%H:%M:%S')} {k / HZ / 3600:.2f} h", report(took[k - 600 * HZ : k], memory), flush=True
            )
    session.tap("stop")
    [stint] = sea_farm.store.all(Stint)
    trace = sea_farm.store.read_trace(stint.id)
    tally = session.job.area_totals()
    session.close()
    memory.append(rss())
    print("whole:", report(took, memory), flush=True)
    return wire, trace, tally, took, memory


def report(took, memory):
    parts = []
    for name, seconds in zip(("count, wall", "count, work", "view, wall", "view, work"), took.T):
        p50, p99, worst = np.percentile(seconds * 1e3, [50, 99, 100])
        parts.append(f"byte to {name}: p50 {p50:.2f} p99 {p99:.2f} worst {worst:.0f} ms")
    return f"{len(took):,} fixes; {'; '.join(parts)}; memory {memory[-1] / 1e6:.0f} MB"


@pytest.fixture
def sea_places(sea_place):
    """Many places at once; the plane of the tests' sea."""
    from cabapp.geometry.plane import Plane

    return Plane(47.0, -30.0).to_latlon


def judge(driven, hours):
    wire, trace, tally, took, memory = driven
    n = int(hours * 3600 * HZ)
    assert wire.given == n == len(trace.t)
    assert wire.decoder.rejected == wire.decoder.implausible == 0
    assert np.allclose(np.diff(trace.t), 1 / HZ, atol=0.011)
    assert tally.pass_area == pytest.approx(n * SPEED / HZ * WIDTH, rel=0.03)
    # flat from the first half hour on; the last figure is of the tally, after the drive
    steady = memory[2:-1]
    assert not steady or max(steady) - steady[0] < 3e6 * hours + 10e6
    return np.percentile(took[:, 1], 99)


@pytest.fixture
def through_the_day(sea_farm, sea_places, counted_at, told_by_a_receiver, tmp_path):
    """Drive for so many hours and judge what came of it.

    Return the p99 from byte to count, s, of work alone: how long other programs keep this one
    waiting says nothing about it, and is printed beside.
    """
    raw = RawLog(tmp_path / "raw", "wire")
    return lambda hours: judge(drive(sea_farm, sea_places, counted_at, told_by_a_receiver, raw, hours), hours)


def test_a_minute_at_twenty_a_second(through_the_day):
    """No fix of 1,200 is lost between the bytes and the store, and all ground is counted."""
    assert through_the_day(1 / 60) < 0.005


@pytest.mark.long
@pytest.mark.parametrize("hours", [1, 10])
def test_hours_at_twenty_a_second(through_the_day, hours):
    """No fix of 72,000 an hour is lost; 99 times in 100 a fix is counted by 5 ms of work."""
    assert through_the_day(hours) < 0.005


def test_memory_of_the_reading_stays_flat(tmp_path, told_by_a_receiver):
    """From the 5,000th to the 20,000th moment decoding and keeping take no more than 2 MB."""
    wire, memory = Wire(RawLog(tmp_path / "raw", "wire")), []
    for k in range(20_000):
        wire.take(told_by_a_receiver(T0 + k / HZ, 47.0 + k * 1e-6, -30.0), T0 + k / HZ)
        wire.poll(0.0)
        wire.keep(b"$GPTXT\r\n" * 20, T0 + k / HZ)
        if k % 5_000 == 4_999:
            memory.append(rss())
    assert wire.given == 20_000
    assert max(memory) - memory[0] < 2e6
