"""One process at a time writes a logbook; others may read it."""

import os
import subprocess
import sys
from contextlib import contextmanager
from pathlib import Path
from unittest.mock import patch

import pytest

from store import open_store
from store.durability import process_lock
from store.errors import BundleRefused, StoreRefused
from store.models import Field, Operator, Tap
from sync import export_bundle
from sync.folder_exchange import FolderWatcher

HERE = Path(__file__).parent


@contextmanager
def held(path):
    """Another process has the logbook open."""
    child = subprocess.Popen(
        [sys.executable, HERE / "child_holds.py", path],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(HERE.parents[1])},
    )  # fmt: skip
    with child:
        assert child.stdout.readline() == "open\n"
        yield child
        child.stdin.close()


def test_a_second_process_reads_and_writes_nothing(tmp_path, begin_stint):
    """While one process has a logbook another cab is refused, a command reads, and whatever it writes is refused."""
    path = tmp_path / "logbook.sqlite"
    with open_store(path) as store:
        begin_stint(store)
    with held(path) as child:
        with pytest.raises(StoreRefused, match="open in another program"):
            open_store(path, carry_on=True)
        with open_store(path) as reader:
            assert reader.reads_only and reader.check() == []
            assert [o.name for o in reader.all(Operator)] == ["Ada"]
            for write in (
                lambda: reader.put(Operator, name="Bo"),
                lambda: reader.backup(tmp_path / "second"),
                lambda: export_bundle(reader, tmp_path / "out"),
            ):
                with pytest.raises(StoreRefused, match="Close that first"):
                    write()
        child.kill()
        child.wait()
        with open_store(path, carry_on=True) as cab:  # the lock ended with its process
            cab.put(Operator, name="Bo")
    with open_store(path) as store:
        assert len(store.all(Operator)) == 2


def test_no_lock_is_left_where_there_was_no_logbook(tmp_path):
    """What is no logbook is refused, and no lock lies beside it."""
    path = tmp_path / "notes.sqlite"
    path.write_text("not a logbook at all\n" * 20)
    with pytest.raises(StoreRefused):
        open_store(path)
    assert list(tmp_path.iterdir()) == [path]
    assert process_lock.acquire(path)
    process_lock.release(path)


def test_memory_mode_exports_nothing(tmp_path, begin_stint, at):
    """While nothing is being saved no bundle and no backup leaves, for its numbers may be given again."""
    with open_store(tmp_path / "logbook.sqlite", carry_on=True) as book:
        stint = begin_stint(book).stint
        book.enter_memory_mode("database or disk is full")
        book.add(Tap(stint_id=stint.id, kind="start", at=at))
        with pytest.raises(BundleRefused, match="nothing is being saved"):
            export_bundle(book, tmp_path)
        with pytest.raises(StoreRefused, match="NOTHING IS BEING SAVED"):
            book.backup(tmp_path / "second")
        (tmp_path / "stick").mkdir()
        assert FolderWatcher(book, [tmp_path / "stick"]).look() == []
        assert not list(tmp_path.rglob("rollbook-*"))


def test_an_interrupt_while_memory_is_written_back_is_one(tmp_path, begin_stint, at):
    """Ctrl-C in the middle of a statement ends the program, and is not taken for a disk that is full still."""
    with open_store(tmp_path / "logbook.sqlite", carry_on=True) as book:
        stint = begin_stint(book).stint.id
        book.enter_memory_mode("database or disk is full")
        book.add(Tap(stint_id=stint, kind="start", at=at))
        with (
            patch("sqlalchemy.engine.default.DefaultDialect.do_execute", side_effect=KeyboardInterrupt),
            pytest.raises(KeyboardInterrupt),
        ):
            book.leave_memory_mode()
        assert book.trouble and book.leave_memory_mode()
        assert [tap.kind for tap in book.all(Tap)] == ["start"] and book.check() == []


def test_memory_mode_keeps_what_others_wrote(tmp_path, begin_stint, at):
    """What another writer put into the file meanwhile stays, and the numbers of both are given once."""
    path = tmp_path / "logbook.sqlite"
    with open_store(path, carry_on=True) as book, open_store(path) as other:
        found = begin_stint(book)
        book.enter_memory_mode("database or disk is full")
        book.add(Tap(stint_id=found.stint.id, kind="start", at=at))
        book.put(Field, found.field.id, crop="lentils")
        other.put(Field, found.field.id, name="North forty")
        other.add(Tap(stint_id=found.stint.id, kind="mark", at=at))
        book.put(Operator, found.operator.id, phone="12")
        assert book.leave_memory_mode()
        field = book.get(Field, found.field.id)
        assert (field.crop, field.name) == ("lentils", "North forty")
        assert book.get(Operator, found.operator.id).phone == "12"
        assert {t.kind for t in book.all(Tap)} == {"start", "mark"}
        assert book.check() == []
        export_bundle(book, tmp_path)
