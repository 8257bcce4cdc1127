"""What a damaged logbook lost of a trace comes back from the raw log, once, and from nowhere else."""

import random
import shutil
from types import SimpleNamespace

import numpy as np
import pytest
from sqlalchemy import delete

from cabapp.__main__ import main
from cabapp.common.clock import ManualClock
from cabapp.counting.job_count import JobCount
from cabapp.jobs.imports.trace_recovery import after_mending, refill
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.stint_reader import tool_of
from cabapp.jobs.records.tap_log import taps_of
from cabapp.position.protocols.byte_decoder import ByteDecoder
from cabapp.position.recordings.raw_log import RawLog
from cabapp.session import Session, fix_recorder
from store import open_store
from store.models import Field, Stint, TraceChunk, TraceTail
from store.traces.trace_codec import cut, pack, unpack

T0 = 1_779_000_000.0
PAGE = 4096


class Cable:
    """A source as the cab has one: what it says is kept raw, decoded, and given as fixes."""

    ended, status, name = False, "", "wire"

    def __init__(self, raw):
        self._raw, self._decoder, self._given = raw, ByteDecoder(), []

    def say(self, data, at):
        if self._raw is not None:
            self._raw.write(data, at)
        self._given += [heard.fix for heard in self._decoder.feed(data, at)]

    def poll(self, now):
        given, self._given = self._given, []
        return given

    def close(self):
        if self._raw is not None:
            self._raw.close()


def to_and_fro(n, chance):
    """Return metres east and north at second n: 400 m passes 11 m apart at 4 m/s."""
    lap, along = divmod(n * 4.0, 400.0)
    east = along if lap % 2 == 0 else 400.0 - along
    return east + chance.gauss(0, 0.1), 11.0 * lap + chance.gauss(0, 0.1)


@pytest.fixture(scope="module")
def evening(sea_farm_at, sea_place, told_by_a_receiver, tmp_path_factory):
    """A tablet's folder after 25 minutes of rolling, its copy kept at the start, and the field's id."""
    folder, clock, chance = tmp_path_factory.mktemp("evening"), ManualClock(T0), random.Random(5)
    # written every ten seconds instead of every second: what is lost and comes back is the same
    with pytest.MonkeyPatch.context() as patch, sea_farm_at(folder) as farm:
        patch.setattr(fix_recorder, "SYNC_S", 10.0)
        cable = Cable(RawLog(folder / "receiver", "wire"))
        session = Session(farm.store, clock, cable)

        def go(first, last):
            for n in range(first, last):
                cable.say(told_by_a_receiver(T0 + n, *sea_place(*to_and_fro(n, chance))), clock.now())
                clock.advance(1.0)
                if n % 5 == 4:
                    session.tick()

        go(0, 20)
        farm.take_over(session)
        session.tap("start")
        farm.store.keep()
        go(20, 1520)
        session.tap("stop")
        session.tap("finish")
        go(1520, 1560)  # on the way home: part of no stint, but for the seconds in which a tap is undone
        session.close()
    return folder, farm.field


@pytest.fixture
def damaged(evening, tmp_path):
    """A function that destroys pieces of trace of that evening; it gives what was there before."""

    def make(which, signed=False, raw=True):
        shutil.copytree(evening[0], tmp_path, dirs_exist_ok=True)
        if not raw:
            shutil.rmtree(tmp_path / "receiver")
        with open_store(tmp_path / "logbook.sqlite") as store:
            if signed:
                store.seal_pages()
            [stint] = store.all(Stint)
            chunks = store.all(TraceChunk)
            before = SimpleNamespace(
                stint=stint, chunks=chunks, trace=store.read_trace(stint.id),
                tally=counted(store, evening[1], stint), path=store.path,
            )  # fmt: skip
        damage(store.path, [chunk.packed for chunk in chunks[which]])
        return before

    return make


def counted(store, field, stint):
    trace = store.read_trace(stint.id)
    count = JobCount(store.get(Field, field).boundary, 1)
    count.begin(stint.id, stint.at, tool_of(stint))
    switches = stint_state.stint_state(stint.at, taps_of(store, stint.id)).switches
    count.rebuild(trace.t, trace.lat, trace.lon, trace.sigma, switches, trace.quality, trace.hdop)
    return count.area_totals()


def damage(path, pieces):
    """Overwrite the page that holds the middle of each of these bytes."""
    data = bytearray(path.read_bytes())
    for packed in pieces:
        place = data.find(packed[40:80])
        if place >= 0:
            page = place // PAGE * PAGE
            data[page : page + PAGE] = random.Random(1).randbytes(PAGE)
    path.write_bytes(data)


@pytest.mark.parametrize(
    ("which", "signed"),
    [
        (slice(0, 1), False), (slice(2, 3), True), (slice(-1, None), False), (slice(None), True),
        *(pytest.param(*one, marks=pytest.mark.long) for one in (
            (slice(0, 1), True), (slice(2, 3), False), (slice(-1, None), True), (slice(None), False),
        )),
    ],
)  # fmt: skip
def test_lost_pieces_come_back_and_the_count_is_as_before(evening, damaged, tmp_path, which, signed):
    """With the page of the first, a middle, the last or every piece of trace destroyed, the mended logbook
    filled from the raw log has the very same fixes, hence areas; signed pieces are the very same records."""
    before = damaged(which, signed)
    with open_store(before.path) as mended:
        assert "has been mended" in str(mended.mended)
        left = len(mended.read_trace(before.stint.id))
        assert left < len(before.trace)
        after_mending(mended, tmp_path / "receiver")
        said = str(mended.mended).partition("is missing. ")[2]
        after = mended.read_trace(before.stint.id)
        for column, was in zip(vars(after).values(), vars(before.trace).values(), strict=True):
            np.testing.assert_array_equal(column, was)
        assert counted(mended, evening[1], before.stint) == before.tally and before.tally.covered > 30_000
        assert said.startswith(f"{len(after) - left:,} positions") and "are lost" not in said
        if signed:
            assert {row.id for row in mended.all(TraceChunk)} == {row.id for row in before.chunks}
            assert mended.check() == []
        assert refill(mended, tmp_path / "receiver") is None, "nothing is put back twice"


def test_what_the_raw_log_does_not_hold_is_said_to_be_lost(damaged, tmp_path):
    """Without a raw log, as after a replay, nothing is filled, and how much is missing is said."""
    before = damaged(slice(1, 2), raw=False)
    with open_store(before.path) as mended:
        left = len(mended.read_trace(before.stint.id))
        lost = len(before.trace) - left
        assert str(refill(mended, tmp_path / "receiver")).startswith(f"{lost:,} positions are lost")
        assert len(mended.read_trace(before.stint.id)) == left and lost > 0
        numbers = [chunk.n for chunk in mended.all(TraceChunk)]
        writer = mended.trace(before.stint.id)
        writer.append(T0 + 2000, 47.0, -30.0)
        writer.seal()
        assert mended.all(TraceChunk)[-1].n == len(before.trace) not in numbers, "no place is taken twice"


def test_an_open_trace_with_a_hole_is_filled_in_its_place(evening, damaged, tmp_path):
    """Where seconds of a trace that was not sealed yet are destroyed, they come back in between."""
    before = damaged(slice(0, 0))
    *_, last = [chunk for chunk in before.chunks if chunk.count > 100]
    with open_store(before.path) as store, store.writing() as session:
        for chunk in before.chunks:
            if chunk.n >= last.n:
                session.execute(delete(TraceChunk).filter_by(id=chunk.id))
                tail = unpack(chunk.packed)
                for i in range(0, chunk.count, 10):
                    piece = pack(cut(tail, i, i + 10))
                    session.add(TraceTail(stint_id=chunk.stint_id, n=chunk.n + i, packed=piece))
    damage(before.path, [pack(cut(unpack(last.packed), 150, 160))])
    with open_store(before.path) as mended:
        assert 0 < len(mended.read_trace(before.stint.id)) < len(before.trace)
        assert "came back" in str(refill(mended, tmp_path / "receiver"))
        np.testing.assert_array_equal(mended.read_trace(before.stint.id).t, before.trace.t)
        assert counted(mended, evening[1], before.stint) == before.tally


def test_a_log_of_another_drive_fills_nothing(damaged, sea_place, told_by_a_receiver, tmp_path):
    """A raw log of the same minutes whose fixes are not those of the trace is another tractor's."""
    before = damaged(slice(1, 2), raw=False)
    other = RawLog(tmp_path / "receiver", "wire")
    for n in range(1560):
        other.write(told_by_a_receiver(T0 + n, *sea_place(-500.0 + n / 9, 40.0)), T0 + n)
    other.close()
    with open_store(before.path) as mended:
        left = len(mended.read_trace(before.stint.id))
        assert "came back" not in str(refill(mended, tmp_path / "receiver"))
        assert len(mended.read_trace(before.stint.id)) == left


def test_check_mends_fills_and_says_so(damaged, capsys):
    """The check of a damaged logbook says that it was mended, and what came back of the trace."""
    before = damaged(slice(1, 2), signed=True)
    assert main(["check", "--store", str(before.path)]) == 0
    said = capsys.readouterr()
    assert "has been mended" in said.err and "came back from what the receiver had said" in said.err
    with open_store(before.path) as again:
        assert len(again.read_trace(before.stint.id)) == len(before.trace)
