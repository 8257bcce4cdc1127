"""Mending at opening, memory mode on a full or read-only disk, and pruning of backups."""

import random
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import event

from store import open_store
from store.durability import repair
from store.errors import StoreRefused
from store.models import FACTS, Field, Peer, Stint, Tap, TraceTail

ROOT = Path(__file__).resolve().parents[2]
PAGE = 4096


@pytest.fixture(scope="module")
def kept_file(tmp_path_factory, begin_stint, drive, at):
    """A folder with a logbook of 60 taps and a minute of trace, its kept copy, and 60 taps more."""
    folder = tmp_path_factory.mktemp("kept")
    with open_store(folder / "logbook.sqlite", "tablet 1") as book:
        stint = begin_stint(book).stint
        writer = book.trace(stint.id)
        for n, fix in enumerate(zip(*drive(1200), strict=True)):
            writer.append(*fix, sigma=0.5, quality=4)
            if n % 10 == 9:
                writer.sync()
                book.add(Tap(stint_id=stint.id, kind="mark", at=at, detail={"n": n // 10}))
            if n == 600:
                writer.seal()
                book.seal_pages()
                book.keep()
    return folder


@pytest.fixture
def damaged(kept_file, tmp_path, stands_for):
    """A function that copies that folder anew and returns the logbook's path."""

    def copied(name):
        shutil.copytree(kept_file, tmp_path / name)
        return stands_for(tmp_path / name / "logbook.sqlite")

    return copied


def taps(store):
    return {t.detail["n"] for t in store.all(Tap)}


@pytest.mark.parametrize("every", [pytest.param(1, marks=pytest.mark.long, id="all"), pytest.param(7, id="some")])
def test_any_damaged_page_is_mended(damaged, every, capsys):
    """Whichever page is overwritten, it opens, with all the copy had and most of the rest.

    Of the 60 taps after the kept copy at most those of one page are lost (a page holds some 24). At
    worst, on 6 of 114 pages, all 60 are: where the page leads to others, the first of the taps or one
    of the list of tables. Nothing of the kept copy is lost even then, and the logbook says that it was
    mended and what a bundle of another tablet brings back.
    """
    pages = damaged("size").stat().st_size // PAGE
    with closing(sqlite3.connect(damaged("roots"))) as raw:
        query = "SELECT pageno - 1 FROM dbstat WHERE name = 'sqlite_schema' OR (name = 'tap' AND path = '/')"
        leading = {page for (page,) in raw.execute(query)}
    assert 3 <= len(leading) <= 8
    chance, kept, mended = random.Random(3), {}, 0
    for page in sorted({*range(0, pages, every), *sorted(leading)[-2:]}):
        path = damaged(f"page{page}")
        with open(path, "r+b") as file:
            file.seek(page * PAGE)
            file.write(chance.randbytes(PAGE))
        with open_store(path) as store:
            assert set(range(60)) <= taps(store)
            kept[page] = len(taps(store))
            mended += store.mended is not None
            assert store.mended is None or "A bundle of another tablet" in str(store.mended)
            assert [s for s in store.check() if "missing here" not in str(s)] == []
            (stint,) = store.all(Stint)
            assert len(store.read_trace(stint.id)) >= 600
            store.add(Tap(stint_id=stint.id, kind="mark", at=1.0, detail={"n": -1}))
            assert -1 in taps(store)
        if store.mended is not None:
            assert list(path.parent.glob("logbook-damaged-*.sqlite"))
        shutil.rmtree(path.parent)
    assert mended > len(kept) * 0.5  # the others: free pages, or what SQLite cannot judge
    assert min(n for page, n in kept.items() if page not in leading) >= 90
    with capsys.disabled():
        print(f"\n  {len(kept)} of {pages} pages damaged, one at a time: all opened, {mended} mended, of 120 taps "
              f"{min(kept.values())} at the worst, {sum(n < 90 for n in kept.values())} pages lose more than a page")  # fmt: skip


@pytest.mark.parametrize("left", [b"", None, b"\0" * 20_000, b"a letter"])
def test_a_logbook_that_is_gone_comes_back_from_the_kept_copy(damaged, left):
    """An emptied, deleted, zeroed or overwritten logbook is never begun anew without a word."""
    path = damaged("gone")
    path.unlink() if left is None else path.write_bytes(left)
    with open_store(path) as store:
        assert "has been mended" in str(store.mended) and "Run check" in str(store.mended)
        assert set(range(60)) <= taps(store)
    with open_store(path) as again:
        assert again.mended is None


def test_a_sound_logbook_is_not_mended(damaged):
    """A logbook that is whole is opened as it is, same device, nothing set aside."""
    path = damaged("sound")
    before = sorted(p.name for p in path.parent.iterdir())
    with open_store(path) as store:
        assert store.mended is None and taps(store) == set(range(120))
    assert sorted(p.name for p in path.parent.iterdir()) == before


def test_no_number_is_given_twice_after_mending(damaged):
    """Mended, a logbook goes on counting after the highest number, or as a new device."""
    path = damaged("numbers")
    with open_store(path) as store:
        device = store.device
        given = {(r.device, r.seq) for m in FACTS.values() for r in store.all(m)}
    path.write_bytes(path.read_bytes()[: 10 * PAGE])
    with open_store(path) as store:
        (stint,) = store.all(Stint)
        tap = store.add(Tap(stint_id=stint.id, kind="stop", at=1.0))
        assert (tap.device, tap.seq) not in given
        assert store.device != device or tap.seq > max(n for d, n in given if d == device)


def first_page(path, name, noise=b"\xa5" * PAGE):
    """Overwrite the first page of a table or index."""
    with closing(sqlite3.connect(path)) as raw:
        (root,) = raw.execute("SELECT rootpage FROM sqlite_master WHERE name = ?", (name,)).fetchone()
        raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with open(path, "r+b") as file:
        file.seek((root - 1) * PAGE)
        file.write(noise)


def test_the_next_number_is_beyond_every_record_that_was_found(damaged):
    """Where the damaged file says a next number that records have already, mending goes beyond them."""
    path = damaged("behind")
    with closing(sqlite3.connect(path)) as raw:
        (device, due) = raw.execute("SELECT device, next_seq FROM own").fetchone()
        raw.execute("UPDATE own SET next_seq = 5")
        raw.commit()
    first_page(path, "ix_tap_stint_id")
    with open_store(path) as store:
        assert store.mended and store.device == device
        tap = store.add(Tap(stint_id=store.all(Stint)[0].id, kind="stop", at=1.0))
        assert (tap.device, tap.seq) == (device, due)
        assert store.check() == []


def test_without_its_own_number_it_is_a_new_device_and_the_old_one_is_known(damaged):
    """With the page destroyed that says who it is, a logbook becomes a new device and keeps the old one's key."""
    path = damaged("who")
    with closing(sqlite3.connect(path)) as raw:
        (device, name, key) = raw.execute("SELECT device, name, private_key FROM own").fetchone()
    first_page(path, "own")
    with open_store(path, "tablet 1 again") as store:
        assert store.device != device and "goes on as a new device" in str(store.mended)
        assert taps(store) == set(range(120))
        assert (
            store.add(Tap(stint_id=store.all(Stint)[0].id, kind="stop", at=1.0)).seq == 2
        )  # after whom it goes on for
        with store.session() as session:
            peer = session.get(Peer, device)
            public = Ed25519PrivateKey.from_private_bytes(key).public_key().public_bytes_raw()
            assert (peer.name, peer.public_key) == (name, public)


def test_mending_cut_short_is_finished_at_the_next_opening(damaged, monkeypatch):
    """If the power goes before the mended file is in place, the next opening puts it there."""
    path = damaged("cut")
    path.write_bytes(b"\0" * 50_000)

    def cut(_new, _path):
        raise OSError("the power went")

    with monkeypatch.context() as patch:
        patch.setattr(repair, "put_in_place", cut)
        with pytest.raises(StoreRefused):
            open_store(path)
    assert repair.mended_path(path).exists()
    with open_store(path) as store:
        assert set(range(60)) <= taps(store)
    assert not repair.mended_path(path).exists()


def test_a_full_disk_starts_memory_mode_and_is_written_later(tmp_path, begin_stint, at):
    """With the disk full the store goes on in memory, `trouble` is set, and nothing is lost afterwards.

    The limit of pages stands for the full disk: SQLite gives the same error for both.
    """
    path = tmp_path / "logbook.sqlite"
    with open_store(path, carry_on=True) as book:
        found = begin_stint(book)
        writer = book.trace(found.stint.id)
        writer.append(at, 49.0, -105.0)
        writer.sync()
        assert book.trouble is None
        limit = ["PRAGMA max_page_count=1"]
        home = book._engine
        event.listen(home, "begin", lambda c: c.exec_driver_sql(limit[0]))
        for n in range(300):
            detail = {"n": n, "x": "y" * 99}
            book.add(Tap(stint_id=found.stint.id, kind="mark", at=at, detail=detail))
        assert "NOTHING IS BEING SAVED" in str(book.trouble) and "full" in str(book.trouble)
        book.put(Field, found.field.id, crop="lentils")
        writer.append(at + 1, 49.0, -105.0)
        writer.sync()
        assert taps(book) == set(range(300)) and len(book.read_trace(found.stint.id)) == 2
        assert book.check() == []
        with open_store(path) as other:
            assert taps(other) < set(range(300))
        limit[0] = "PRAGMA max_page_count=1000000"
        assert book.leave_memory_mode() and book.trouble is None
        book.add(Tap(stint_id=found.stint.id, kind="mark", at=at, detail={"n": 300}))
    with open_store(path) as again:
        assert taps(again) == set(range(301)) and len(again.read_trace(found.stint.id)) == 2
        assert again.get(Field, found.field.id).crop == "lentils"
        assert again.check() == []


def test_memory_mode_ends_by_itself(tmp_path, begin_stint, at, monkeypatch):
    """When the disk has room again, the next tap some seconds later writes all rows to the file."""
    with open_store(tmp_path / "logbook.sqlite", carry_on=True) as book:
        stint = begin_stint(book).stint
        book.enter_memory_mode("database or disk is full")
        book.add(Tap(stint_id=stint.id, kind="start", at=at))
        assert book.trouble
        monkeypatch.setattr("store.durability.transactions.RETRY_S", 0.0)
        book.add(Tap(stint_id=stint.id, kind="stop", at=at))
        assert book.trouble is None
        with open_store(book.path) as other:
            assert [t.kind for t in other.all(Tap)] == ["start", "stop"]


READ_ONLY = """
import sys
from store import open_store
from store.models import Stint, Tap
with open_store(sys.argv[1], carry_on=True) as store:
    (stint,) = store.all(Stint)
    store.add(Tap(stint_id=stint.id, kind="mark", at=1.0, detail={"n": 999}))
    print(len(store.all(Tap)), store.leave_memory_mode(), store.trouble)
"""


def test_read_only_media_start_memory_mode(kept_file, tmp_path, run_kept_to_permissions):
    """From read-only media a store opens in memory mode, with `trouble` set."""
    path = Path(shutil.copytree(kept_file, tmp_path / "sealed")) / "logbook.sqlite"
    for thing in (*path.parent.iterdir(), path.parent):
        thing.chmod(0o555 if thing.is_dir() else 0o444)
    words = [sys.executable, "-c", READ_ONLY, path]
    run = run_kept_to_permissions(words)
    path.parent.chmod(0o755)
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith("121 False NOTHING IS BEING SAVED")


def test_old_backups_are_pruned_and_each_is_whole(damaged, tmp_path):
    """Of ten backups with three to keep the newest three are left, other files are not touched."""
    place = tmp_path / "second place"
    place.mkdir()
    (place / "logbook-backup-of-my-own.sqlite").write_text("mine")
    with open_store(damaged("rolling")) as book:
        made = [book.backup(place, keep=3) for _ in range(10)]
        with pytest.raises(StoreRefused, match="At least one"):
            book.backup(place, keep=0)
        count = len(book.all(Tap))
    left = sorted(p for p in place.iterdir() if p.name != "logbook-backup-of-my-own.sqlite")
    assert left == made[-3:]
    with open_store(left[0]) as copy:
        assert len(copy.all(Tap)) == count and copy.check() == []


def test_the_tail_after_the_kept_copy_is_salvaged(damaged):
    """A file whose last pages are cut off yields the trace and taps that can still be read."""
    path = damaged("tail")
    with closing(sqlite3.connect(path)) as raw:
        tail = raw.execute("SELECT count(*) FROM trace_tail").fetchone()[0]
    assert tail > 0
    data = path.read_bytes()
    path.write_bytes(data[: -2 * PAGE])
    with open_store(path) as store:
        assert set(range(60)) <= taps(store)
        trace = store.read_trace(store.all(Stint)[0].id)
        assert np.all(np.diff(trace.t) > 0)
        with store.session() as session:
            assert session.query(TraceTail).count() <= tail
