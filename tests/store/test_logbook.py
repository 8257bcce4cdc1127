"""Facts stay, reference rows are the sum of their changes, numbers have no holes."""

import threading
import uuid

import pytest
from sqlalchemy import event, text
from sqlalchemy.exc import OperationalError

from store import open_store
from store.db.connection import PRAGMAS
from store.errors import StoreRefused
from store.models import Change, Correction, Farm, Field, Job, Operator, Own, Tap, Tool, job_id


def test_every_connection_is_durable_and_checked(book):
    """WAL, FULL, foreign keys and a busy timeout are set on each of several connections."""
    assert len(PRAGMAS) == 4
    with book.session() as one, book.session() as two, book.writing() as three:
        for session in (one, two, three):
            found = [
                session.execute(text(f"PRAGMA {name}")).scalar()
                for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
            ]
            assert found == ["wal", 2, 1, 5000]  # 2 is FULL, SQLite's PRAGMA synchronous


def test_one_tap_is_one_commit(book, begin_stint, at):
    """A tap costs exactly one transaction, and it is committed before the call returns."""
    stint = begin_stint(book).stint
    commits = []
    event.listen(book._engine, "commit", commits.append)
    tap = book.add(Tap(stint_id=stint.id, kind="start", at=at))
    assert len(commits) == 1
    with open_store(book.path) as other:
        assert other.get(Tap, tap.id).kind == "start"


def test_numbers_have_no_holes_after_failures(book, begin_stint, at):
    """A fact that fails, or a transaction that is rolled back, spends no number."""
    stint = begin_stint(book).stint
    for _ in range(3):
        with pytest.raises(ValueError, match="does not fit"):
            book.add(Tap(stint_id="nobody", kind="start", at=at))
        with pytest.raises(KeyError), book.writing() as session:
            book.number(session, Tap(stint_id=stint.id, kind="x", at=at))
            session.flush()
            raise KeyError
        book.add(Tap(stint_id=stint.id, kind="start", at=at))
    assert book.check() == []
    numbers = [*sorted(r.seq for model in (Change, Tap) for r in book.all(model)), stint.seq]
    assert sorted(numbers) == list(range(1, len(numbers) + 1))


def test_threads_share_the_numbers(book, begin_stint, at):
    """Taps from four threads at once get numbers without holes or doubles."""
    stint = begin_stint(book).stint

    def tap_away():
        for _ in range(10):
            book.add(Tap(stint_id=stint.id, kind="mark", at=at))

    threads = [threading.Thread(target=tap_away) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(book.all(Tap)) == 40
    assert book.check() == []


def test_a_birth_and_an_edit_are_changes(book):
    """A birth records every column, an edit only what differs, and no difference nothing."""
    tool = book.put(Tool, name="roller", operation="rolling", width_m=12.8)
    book.put(Tool, tool.id, width_m=13.0, name="roller")
    book.put(Tool, tool.id, width_m=13.0)
    birth, edit = book.all(Change)
    assert set(birth.columns) == {
        "name", "operation", "width_m", "towed", "grease_every_h", "sections", "gone",
    }  # fmt: skip
    assert edit.columns == {"width_m": 13.0}
    assert book.get(Tool, tool.id).width_m == 13.0
    assert (birth.row_id, birth.seq, birth.stamp) == (tool.id, tool.seq, tool.stamp)


def test_a_column_can_be_emptied(book):
    """Putting None where None may stand empties the column, and the change says so."""
    who = book.put(Operator, name="Ada", phone="1")
    assert book.put(Operator, who.id, phone=None).phone is None
    assert book.all(Change)[-1].columns == {"phone": None}


def test_the_same_job_is_found_again(book, begin_stint):
    """Starting a job that is there returns it, and its id is RFC 4122's name-based UUID."""
    job = begin_stint(book).job
    again = book.put(Job, field_id=job.field_id, operation="rolling", season=2026)
    assert again.id == job.id == job_id(job.field_id, "rolling", 2026)
    assert uuid.UUID(job.id).version == 5
    assert book.put(Job, job.id, target=1).target == 1
    with pytest.raises(ValueError, match="its id"):
        book.put(Job, job.id, season=2027)
    assert len(book.all(Job)) == 1


@pytest.mark.parametrize(
    "columns",
    [
        {"name": "x"},
        {"name": "x", "operation": "rolling", "width_m": float("nan")},
        {"name": "x", "operation": "rolling", "width_m": True},
        {"name": 7, "operation": "rolling", "width_m": 1.0},
        {"name": "x", "operation": "rolling", "width_m": 1.0, "wings": 2},
    ],
)
def test_columns_that_do_not_fit_are_refused(book, columns):
    """A lacking, unknown, mistyped or not finite column is ValueError, and nothing is written."""
    with pytest.raises(ValueError):
        book.put(Tool, **columns)
    assert book.all(Change) == [] and book.all(Tool) == []


def test_facts_and_references_are_not_confused(book):
    """A fact is not put, a reference row not added, and there is one farm."""
    with pytest.raises(ValueError):
        book.put(Tap, kind="x")
    with pytest.raises(ValueError):
        book.add(Operator(name="Ada"))
    book.put(Farm, name="F", timezone="UTC")
    with pytest.raises(ValueError, match="has its farm"):
        book.put(Farm, name="G", timezone="UTC")


def test_a_correction_leaves_the_row_as_it_was(book, begin_stint, at):
    """What is corrected stays; the correction names it."""
    tap = book.add(Tap(stint_id=begin_stint(book).stint.id, kind="fuel", at=at, detail={"litres": 50}))
    book.add(Correction(corrects_table="tap", corrects_id=tap.id, at=at, reason="misread", detail={"litres": 60}))
    assert book.get(Tap, tap.id).detail == {"litres": 50}
    assert book.all(Correction, corrects_id=tap.id)[0].detail == {"litres": 60}


def test_a_read_session_cannot_write(book, begin_stint, at):
    """A write through a reading session fails, and the next tap still goes in."""
    stint = begin_stint(book).stint
    with book.session() as session, pytest.raises(OperationalError):
        session.execute(text("DELETE FROM stint"))
    book.add(Tap(stint_id=stint.id, kind="start", at=at))
    assert len(book.all(Tap)) == 1


def test_a_full_disk_is_a_sentence(book, begin_stint, at):
    """When the disk is full nothing is written, a sentence says so, and it goes on afterwards."""
    stint = begin_stint(book).stint
    with book.writing() as session:
        pages = session.execute(text("PRAGMA page_count")).scalar()
    limit = f"PRAGMA max_page_count={pages}"
    event.listen(book._engine, "begin", lambda c: c.exec_driver_sql(limit), once=False)
    writer = book.trace(stint.id)
    with pytest.raises(StoreRefused, match="full"):
        for _ in range(1000):
            book.add(Tap(stint_id=stint.id, kind="mark", at=at, detail={"note": "x" * 500}))
    writer.append(at, 49.0, -105.0)
    limit = "PRAGMA max_page_count=1000000"
    writer.sync()
    assert book.check() == []
    assert len(book.read_trace(stint.id)) == 1


def test_an_instant_without_end_is_refused(book, begin_stint):
    """A tap at no finite time is refused before it is numbered."""
    stint = begin_stint(book).stint
    with pytest.raises(ValueError):
        book.add(Tap(stint_id=stint.id, kind="start", at=float("inf")))


def test_a_field_list_costs_one_query(book):
    """Listing fields asks the database once, however many there are."""
    for n in range(5):
        book.put(Field, name=f"field {n}")
    asked = []
    event.listen(book._engine, "before_cursor_execute", lambda *a: asked.append(a[2]))
    assert len(book.all(Field)) == 5
    assert len([q for q in asked if q.startswith("SELECT")]) == 1


def test_a_logbook_keeps_its_device(book):
    """Opened again, a logbook is the same device whatever name it is offered."""
    with open_store(book.path, "another name") as again:
        assert (again.device, again.device_name) == (book.device, "tablet 1")
        with again.session() as session:
            assert session.query(Own).count() == 1
