"""Backups are whole and become devices of their own; check finds what is broken."""

import shutil
import sqlite3
import uuid
from contextlib import closing

import numpy as np
import pytest

from cabapp.__main__ import main
from store import open_store
from store.durability.atomic_file import write_atomically
from store.errors import StoreRefused
from store.facts.hybrid_clock import CEILING_MS, write_stamp
from store.facts.reference_changes import apply_changes
from store.models import Change, Field, Mark, Operator, Own, Peer, Stint, Tap, TraceChunk, TraceTail


@pytest.fixture(scope="module")
def worked_file(tmp_path_factory, begin_stint, drive, at):
    """A logbook file with a tap, a sealed and an unsealed stretch of trace; copied, not used."""
    path = tmp_path_factory.mktemp("worked") / "logbook.sqlite"
    with open_store(path, "tablet 1") as book:
        stint = begin_stint(book).stint
        writer = book.trace(stint.id)
        for n, fix in enumerate(zip(*drive(3200), strict=True)):
            writer.append(*fix, sigma=0.5, quality=4)
            if n % 10 == 9:
                writer.sync()
        book.add(Tap(stint_id=stint.id, kind="start", at=at))
    return path


@pytest.fixture
def worked(worked_file, tmp_path, stands_for):
    """A fresh copy of that logbook, open, and its stint."""
    with open_store(stands_for(shutil.copy(worked_file, tmp_path))) as book:
        yield book, book.all(Stint)[0]


def test_trace_is_sealed_every_five_minutes(worked, drive):
    """After 5 min 20 s at 10 Hz there is a chunk of 5 minutes, a tail, and nothing lost."""
    book, stint = worked
    (chunk,) = book.all(TraceChunk)
    assert chunk.last_at - chunk.first_at == pytest.approx(300, abs=1.01)
    with book.session() as session:
        assert session.query(TraceTail).count() == (3200 - chunk.count) / 10
    trace = book.read_trace(stint.id)
    t, lat, _lon = drive(3200)
    np.testing.assert_allclose(trace.t, t, atol=0.005)
    np.testing.assert_allclose(trace.lat, lat, atol=0.51e-7)
    assert set(trace.quality) == {4} and set(trace.sigma) == {0.5}


def test_a_writer_goes_on_where_the_last_one_ended(worked, at):
    """A new writer picks up a tail that was never sealed, and sealing leaves no hole."""
    book, stint = worked
    writer = book.trace(stint.id)
    assert writer.appended == 3200
    writer.append(at + 400, None, None, quality=0)
    writer.seal()
    trace = book.read_trace(stint.id)
    assert len(trace) == 3201
    assert np.isnan(trace.lat[-1]) and np.isnan(trace.sigma[-1]) and trace.quality[-1] == 0
    with book.session() as session:
        assert session.query(TraceTail).count() == 0
    assert book.check() == []


def test_an_hour_given_at_once_is_kept(book, begin_stint, drive):
    """More fixes at once than one piece holds are cut into pieces and come back in order."""
    stint = begin_stint(book).stint
    t, lat, lon = drive(61_000)
    writer = book.trace(stint.id)
    for fix in zip(t, lat, lon, strict=True):
        writer.append(*fix)
    writer.seal()
    assert len(book.all(TraceChunk)) == 3
    np.testing.assert_allclose(book.read_trace(stint.id).t, t, atol=0.005)
    assert book.check() == []


def test_a_fix_that_is_none_is_refused_at_once(worked):
    """An impossible fix is refused when appended, and the next sync goes through."""
    book, stint = worked
    writer = book.trace(stint.id)
    for bad in ((float("nan"), 1, 1), (0, 91, 1), (0, 1, -181), (0, 1, 1, -1), (0, 1, 1, 1, -2)):
        with pytest.raises(ValueError):
            writer.append(*bad)
    writer.sync()
    assert writer.appended == 3200


def test_a_backup_is_whole_and_a_device_of_its_own(worked, tmp_path):
    """A backup holds every record, no signing key, and opens as another device."""
    book, stint = worked
    copy = book.backup(tmp_path / "backups")
    assert list((tmp_path / "backups").iterdir()) == [copy]
    with book.session() as session:
        secret = session.query(Own).one().private_key
    assert secret not in copy.read_bytes()
    with open_store(copy, "spare tablet") as other:
        assert other.device != book.device and other.device_name == "spare tablet"
        for model in (Tap, TraceChunk):
            assert [(r.device, r.seq) for r in other.all(model)] == [(r.device, r.seq) for r in book.all(model)]
        assert len(other.read_trace(stint.id)) == 3200
        other.add(Tap(stint_id=stint.id, kind="stop", at=1.0))
        assert other.check() == []
        with other.session() as session:
            assert session.get(Peer, book.device).name == "tablet 1"


def test_a_backup_of_a_damaged_logbook_is_not_kept(worked, tmp_path):
    """A copy that does not pass the check is not left lying as if it were a backup."""
    book, _stint = worked
    with closing(sqlite3.connect(book.path)) as raw:
        raw.execute("UPDATE trace_chunk SET packed = x'00'")
        raw.commit()
    with pytest.raises(StoreRefused, match="not whole"):
        book.backup(tmp_path / "backups")
    assert list((tmp_path / "backups").iterdir()) == []


def test_a_hole_is_no_reason_for_no_backup(worked, tmp_path, capsys):
    """What another device has not brought yet is missing from the backup too, which is made and says so."""
    book, _stint = worked
    device = str(uuid.uuid4())
    mark = Mark(id=str(uuid.uuid4()), device=device, seq=5, stamp=write_stamp(0, 0, device), kind="rock")
    mark.field_id, mark.lat, mark.lon, mark.at = book.all(Field)[0].id, 49.0, -105.0, 0.0
    book.durably(lambda session: session.add(mark))
    (fault,) = book.check()
    assert "Records 1 to 4" in str(fault)
    book.close()
    assert main(["backup", str(tmp_path / "backups"), "--store", str(book.path)]) == 0
    assert str(fault) in capsys.readouterr().err
    with open_store(next((tmp_path / "backups").iterdir())) as copy:
        assert [str(one) for one in copy.check()] == [str(fault)] and copy.get(Mark, mark.id) is not None


def test_a_value_that_cannot_be_is_replaced_by_the_newest_that_counts(book):
    """A change stamped too late counts as the oldest, for what stands in place of an odd value too."""
    ada, device = book.put(Operator, name="Ada", rate_per_h=20.0), str(uuid.uuid4())
    book.put(Operator, ada.id, rate_per_h=25.0)
    late, soon = write_stamp(CEILING_MS + 10**9, 0, device), write_stamp(1_900_000_000_000, 0, device)
    odd = [Change(id=str(uuid.uuid4()), device=device, seq=n, stamp=stamp, table="operator", row_id=ada.id,
                  columns={"rate_per_h": rate}) for n, (stamp, rate) in enumerate(((late, 99.0), (soon, -1.0)), 1)]  # fmt: skip

    def taken(session):
        session.add_all(odd)
        session.flush()
        apply_changes(session, Operator, [ada.id])

    book.durably(taken)
    assert book.get(Operator, ada.id).rate_per_h == 25.0


def test_a_change_stamped_too_late_is_checked_as_it_counts(book, tmp_path):
    """A change from beyond the last stamp counts first, whatever it is stamped; check and backup go by that too."""
    ada, device = book.put(Operator, name="Ada", phone="1"), str(uuid.uuid4())
    late = write_stamp(CEILING_MS + 10**9, 0, device)
    change = Change(id=str(uuid.uuid4()), device=device, seq=1, stamp=late, table="operator", row_id=ada.id)
    change.columns = {"phone": "2"}

    def taken(session):
        session.add(change)
        session.flush()
        apply_changes(session, Operator, [ada.id])

    book.durably(taken)
    assert book.get(Operator, ada.id).phone == "1"
    assert [str(fault) for fault in book.check()] == []
    assert book.backup(tmp_path / "backups").exists()


def test_a_backup_to_nowhere_is_a_sentence(worked, tmp_path):
    """If the folder cannot be made, a sentence says so."""
    (tmp_path / "taken").write_text("")
    with pytest.raises(StoreRefused, match="could not be written"):
        worked[0].backup(tmp_path / "taken" / "here")


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        ("DELETE FROM tap", "are missing here"),
        ("DELETE FROM tap", "tablet 1, "),
        ("UPDATE tap SET stint_id = 'x'", "names a row of stint"),
        ("UPDATE tap SET seq = 1", "name two records each"),
        ("UPDATE tap SET stamp = 'noon'", "stamp that cannot be read"),
        ("UPDATE trace_chunk SET packed = substr(packed, 1, 500)", "cannot be read"),
        ("UPDATE trace_chunk SET count = 5", "as many fixes"),
        ("UPDATE trace_chunk SET n = 5", "does not follow"),
        ("UPDATE trace_tail SET packed = x'00'", "open trace"),
        ("UPDATE operator SET name = 'Eve'", "not what its changes say in name"),
        ("DELETE FROM operator", "names a row of operator"),
    ],
)
def test_check_finds(worked, harm, words):
    """Each kind of damage, done behind the program's back, is named in a sentence."""
    book, _stint = worked
    assert book.check() == []
    with closing(sqlite3.connect(book.path)) as raw:
        raw.execute(harm)
        raw.commit()
    assert any(words in str(sentence) for sentence in book.check())


def test_check_finds_a_damaged_page(worked):
    """A page overwritten on the disk is found by SQLite's own check or on opening."""
    book, _stint = worked
    book.close()
    with closing(sqlite3.connect(book.path)) as raw:
        root = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = 'ix_tap_stint_id'").fetchone()[0]
        size = raw.execute("PRAGMA page_size").fetchone()[0]
    with open(book.path, "r+b") as file:
        file.seek((root - 1) * size)
        file.write(bytes(size))
    assert any("damaged" in str(sentence) for sentence in book.check())


def test_a_file_is_there_whole_or_not_at_all(tmp_path):
    """If writing fails, the old file stays as it was and no half file lies beside it."""
    path = tmp_path / "thing"
    with write_atomically(path) as beside:
        beside.write_text("one")
    with pytest.raises(KeyboardInterrupt), write_atomically(path) as beside:
        beside.write_text("tw")
        raise KeyboardInterrupt
    assert path.read_text() == "one"
    assert list(tmp_path.iterdir()) == [path]
