"""What was acknowledged survives the process being killed and the power being cut."""

import os
import random
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from store import open_store
from store.durability import creation
from store.models import Tap, TraceChunk

HERE = Path(__file__).parent
ROOT = HERE.parents[1]


def _command(book, stint, acks, rounds, pages=40):
    words = (HERE / "child_driver.py", book, stint, acks, rounds, pages)
    return [sys.executable, *map(str, words)]


def _environment(**more):
    return {**os.environ, "PYTHONPATH": str(ROOT), **more}


def _assert_kept(path, acked):
    """Every acknowledged tap and fix is in the logbook, and it is whole."""
    taps = {line.split()[1] for line in acked if line.startswith("tap")}
    fixes = max((int(line.split()[1]) for line in acked if line.startswith("fixes")), default=0)
    with open_store(path) as store:
        assert store.check() == []
        assert taps <= {tap.id for tap in store.all(Tap)}
        (stint,) = {chunk.stint_id for chunk in store.all(TraceChunk)} or {None}
        with store.session() as session:
            stint = stint or session.connection().exec_driver_sql("SELECT id FROM stint").scalar()
        trace = store.read_trace(stint)
        assert len(trace) >= fixes
        assert ((trace.t[1:] - trace.t[:-1]).round(2) == 0.1).all()
        assert store.trace(stint).appended == len(trace)


@pytest.mark.parametrize("after", [1, 7, 40])
def test_kill_9_loses_no_acknowledged_tap(tmp_path, begin_stint, after):
    """Killed at any moment, a writer has lost no acknowledged tap and at most a second of trace."""
    path, acks = tmp_path / "logbook.sqlite", tmp_path / "acks"
    with open_store(path) as store:
        stint = begin_stint(store).stint.id
    child = subprocess.Popen(_command(path, stint, acks, 100_000), env=_environment())
    try:
        end = time.monotonic() + 30
        while not acks.exists() or acks.read_text().count("tap") < after:
            assert child.poll() is None and time.monotonic() < end
            time.sleep(0.003)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
    acked = acks.read_text().splitlines()
    _assert_kept(path, acked)
    with open_store(path) as store:
        # One round may have been durable and not yet said so; never more.
        assert len(store.all(Tap)) - sum(a.startswith("tap") for a in acked) in (0, 1)


@pytest.mark.long
def test_two_hundred_real_kills(tmp_path, begin_stint, capsys):
    """Killed 200 times at random moments, a logbook opens each time with all acknowledged taps."""
    path, acks = tmp_path / "logbook.sqlite", tmp_path / "acks"
    with open_store(path) as store:
        stint = begin_stint(store).stint.id
    chance, opened = random.Random(23), 0
    for _ in range(200):
        before = acks.read_text().count("tap") if acks.exists() else 0
        child = subprocess.Popen(_command(path, stint, acks, 100_000), env=_environment())
        try:
            end = time.monotonic() + 60
            while not acks.exists() or acks.read_text().count("tap") == before:
                assert child.poll() is None and time.monotonic() < end
                time.sleep(0.002)
            time.sleep(chance.random() * 0.1)
        finally:
            child.send_signal(signal.SIGKILL)
            child.wait()
        acked = {a.split()[1] for a in acks.read_text().splitlines() if a.startswith("tap")}
        with open_store(path) as store:
            assert store.mended is None
            assert acked <= {tap.id for tap in store.all(Tap)}
            opened += 1
    with open_store(path) as store:
        assert store.check() == []
    with capsys.disabled():
        print(f"\n  200 kills: {opened} times opened, none of {len(acked):,} taps lost")


@pytest.fixture(scope="module")
def write_log(tmp_path_factory):
    """The preloaded library that logs writes and syncs, built here."""
    compiler = shutil.which("cc")
    if sys.platform != "linux" or compiler is None:
        pytest.skip("needs Linux and a C compiler to record the writes of a process")
    library = tmp_path_factory.mktemp("lib") / "write_log.so"
    build = [compiler, "-shared", "-fPIC", "-O1", "-o", library, HERE / "write_log.c", "-ldl"]
    built = subprocess.run(build, capture_output=True, text=True, timeout=60)
    if built.returncode:
        pytest.skip(f"the recorder of writes does not build here: {built.stderr[:200]}")
    return library


def _recorded(write_log, tmp_path, begin_stint, rounds, pages=40):
    """Run the child under the recorder; return (folder before, [(op, file name, offset, data)])."""
    live, before, log = tmp_path / "live", tmp_path / "before", tmp_path / "log"
    with open_store(live / "logbook.sqlite") as store:
        stint = begin_stint(store).stint.id
    shutil.copytree(live, before)
    environment = _environment(LD_PRELOAD=str(write_log), WRITE_LOG=str(log), WRITE_LOG_UNDER=str(live))
    command = _command(live / "logbook.sqlite", stint, live / "acks", rounds, pages)
    subprocess.run(command, env=environment, check=True, timeout=60)
    data, place, found = log.read_bytes(), 0, []
    while place < len(data):
        op, names, offset, length = struct.unpack_from("<ciqi", data, place)
        place += struct.calcsize("<ciqi")
        name = Path(data[place : place + names].decode()).name
        place += names
        found.append((op.decode(), name, offset, data[place : place + length]))
        place += length
    return before, found


@pytest.mark.parametrize("cuts", [25, pytest.param(1000, marks=pytest.mark.long)], ids=["some", "all"])
def test_a_power_cut_loses_nothing_acknowledged(write_log, tmp_path, begin_stint, cuts, capsys):
    """After a power cut that drops, reorders or tears unsynced writes, all acknowledged is there.

    The disk is rebuilt from the recorded writes: up to its last sync a file is as written;
    of the later writes each is kept, dropped, or torn at a 512-byte sector, at random. The
    limit: files are taken to exist once made; lost directory entries are not simulated.
    """
    before, log = _recorded(write_log, tmp_path, begin_stint, rounds=60)
    assert sum(op == "S" for op, *_ in log) > 60
    chance = random.Random(7)
    acknowledged = 0
    for trial in range(cuts):
        cut = chance.randrange(len(log))
        disk = tmp_path / f"disk{trial}"
        shutil.copytree(before, disk)
        synced = {name: k for k, (op, name, *_) in enumerate(log[:cut]) if op == "S"}
        acked = []
        for k, (op, name, offset, data) in enumerate(log[:cut]):
            if name == "acks":
                acked.append(data.decode().strip())
                continue
            sure = k <= synced.get(name, -1)
            luck = 0 if sure else chance.choice((0, 1, 2) if trial % 2 else (1,))
            if name.endswith("-shm") or luck == 1:
                continue
            file = disk / name
            if op == "U":
                file.unlink(missing_ok=True)
            elif op in "WT":
                with open(file, "r+b" if file.exists() else "w+b") as out:
                    if op == "T":
                        out.truncate(offset)
                    else:
                        out.seek(offset)
                        out.write(data if luck == 0 else data[: len(data) // 1024 * 512])
        _assert_kept(disk / "logbook.sqlite", acked)
        acknowledged += sum(said.startswith("tap") for said in acked)
        shutil.rmtree(disk)
    if cuts > 25:
        with capsys.disabled():
            print(f"\n  {cuts} power cuts: all opened, none of {acknowledged:,} taps lost")


def test_one_tap_is_one_sync(write_log, tmp_path, begin_stint):
    """A tap costs exactly one sync of the log, and so does a second of trace."""
    _before, log = _recorded(write_log, tmp_path, begin_stint, rounds=6, pages=1000)
    syncs, counts = 0, []
    for op, name, _offset, data in log:
        syncs += op == "S" and name.endswith("-wal")
        if name == "acks":
            counts.append((data.split()[0], syncs))
            syncs = 0
    # From the second tap on: the first pays for the log's own first page.
    assert [n for kind, n in counts[2:] if kind == b"tap"] == [1] * 5
    assert [n for kind, n in counts[2:] if kind == b"fixes"] == [1] * 5


@pytest.mark.parametrize("which", ["some", pytest.param("all", marks=pytest.mark.long)])
def test_a_first_start_may_be_killed_at_any_step(write_log, tmp_path, which):
    """Killed before any step on the disk, a first start leaves a logbook that opens, and nothing beside it."""
    run = subprocess.run(
        [sys.executable, HERE / "child_first_start.py", tmp_path, which],
        env=_environment(LD_PRELOAD=str(write_log), WRITE_LOG_UNDER=str(tmp_path)),
        capture_output=True, text=True, timeout=600,
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    assert int(run.stdout) > 30
    for folder in tmp_path.iterdir():
        path = folder / "logbook.sqlite"
        with open_store(path) as store:
            assert store.check() == [], folder
        assert not creation.new_path(path).exists()


def test_a_bare_header_of_an_earlier_program_is_made_again(tmp_path):
    """What an earlier program's interrupted first start left is made again: header, empty page, or one being undone."""
    for name in ("header", "zeros", "undone"):
        path = tmp_path / name / "logbook.sqlite"
        path.parent.mkdir()
        with closing(sqlite3.connect(path)) as raw:
            raw.execute("PRAGMA journal_mode=WAL")
        if name == "zeros":
            path.write_bytes(bytes(4096))
        if name == "undone":
            path.with_name(path.name + "-journal").write_bytes(bytes.fromhex("d9d505f920a163d7") + bytes(504))
        with open_store(path) as store:
            assert store.check() == [], name
