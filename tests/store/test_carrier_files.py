"""Carriers that are hostile or hang: only plain files are opened, so much of them, and no call lasts longer than a while."""

import io
import os
import socket
import threading
import time
from pathlib import Path

import pytest

from cabapp.position.boundaries.boundary_search import boundary_files
from cabapp.position.boundaries.field_files import read_fields
from cabapp.position.recordings.recording_search import recordings
from cabapp.position.recordings.trace_reader import read_recording
from store import open_store
from store.durability import atomic_file, carrier_files
from store.durability.carrier_files import AT_ONCE, CarrierHangs, answered, open_regular, read_regular, regular_files
from store.errors import Refused
from sync import merge_bundles
from sync.bundle_encryption import read_passphrase
from sync.enrolment import read_card
from sync.folder_exchange import FolderWatcher

NAMES = ("rollbook-x-00000000.zip", "a.geojson", "a.kml", "a.kmz", "a.gpx", "a.csv", "a.nmea", "a.txt")
KINDS = ("fifo", "device", "socket", "folder", "loop", "gone")


@pytest.fixture(params=KINDS)
def odd(request, tmp_path):
    """A stick on which every name is of one odd kind."""
    stick = tmp_path / "stick"
    stick.mkdir()
    for name in NAMES:
        path = stick / name
        if request.param == "fifo":
            os.mkfifo(path)
        elif request.param == "device":
            path.symlink_to("/dev/zero")
        elif request.param == "socket":
            here = os.getcwd()
            os.chdir(stick)  # a socket's path is short
            with socket.socket(socket.AF_UNIX) as one:
                one.bind(name)
            os.chdir(here)
        elif request.param == "folder":
            path.mkdir()
        elif request.param == "loop":
            path.symlink_to(path)
        else:
            path.symlink_to(stick / "nowhere")
    (stick / "round").symlink_to(stick)
    return stick


def in_time(work):
    """Return what work raises; it has to end, for a pipe never would."""
    raised = []

    def run():
        try:
            work()
        except Exception as fault:
            raised.append(fault)

    worker = threading.Thread(target=run, daemon=True)
    worker.start()
    worker.join(20.0)
    assert not worker.is_alive(), "it never ends"
    return raised[0] if raised else None


def test_what_is_no_plain_file_is_refused_by_every_reader(odd, tmp_path):
    """A pipe, a device, a socket, a folder, links round in a ring or to nowhere: refused in a sentence."""
    assert boundary_files(odd, [odd]) == recordings([odd], [odd]) == []
    for name in NAMES:
        for read in (read_fields, read_recording, read_passphrase, lambda path: read_card(str(path))):
            assert isinstance(in_time(lambda read=read, name=name: read(odd / name)), Refused), name
    with open_store(tmp_path / "logbook.sqlite") as store:
        refused = merge_bundles(store, [odd / NAMES[0]]).refused
        assert refused
        watch = FolderWatcher(store, [odd])
        assert in_time(lambda: [watch.look() for _ in range(3)]) is None


class Stalls(io.FileIO):
    """A file on a carrier that stops to answer after some bytes."""

    over = threading.Event()

    def read(self, size=-1):
        if self.tell() > 0:
            self.over.wait()
        return super().read(min(size, 10) if size > 0 else 10)


@pytest.fixture
def stalled(monkeypatch):
    """Every plain file stops to answer after ten bytes, until the test is over."""
    monkeypatch.setattr(carrier_files, "SILENT_S", 0.2)
    monkeypatch.setattr(carrier_files.io, "FileIO", Stalls)
    Stalls.over.clear()
    yield
    Stalls.over.set()
    carrier_files._hanging.clear()


@pytest.mark.parametrize("name", NAMES[1:])
def test_a_file_that_stalls_is_refused_in_a_sentence(stalled, tmp_path, name):
    """A stick that stops to answer in the middle of a file ends the reading of it, which says so."""
    (tmp_path / name).write_bytes(b"<kml/>" * 100)
    for read in (read_fields, read_recording):
        if name.endswith("txt") or (read is read_recording) != name.endswith(("csv", "nmea", "gpx")):
            continue
        fault = in_time(lambda read=read: read(tmp_path / name))
        assert isinstance(fault, Refused) and ("does not answer" in str(fault) or "damaged" in str(fault)), fault


def test_a_place_that_hangs_is_not_asked_again_before_it_answers():
    """One thread waits for a carrier that hangs, however often it is asked; others are asked as ever."""
    over, asked = threading.Event(), []

    def hang():
        asked.append(1)
        over.wait()

    stick, other = Path("/media/ada/STICK"), Path("/media/ada/OTHER/rollbook")
    try:
        for n in range(5):
            with pytest.raises(CarrierHangs):
                answered(stick / f"file {n}", hang, 0.05)
        assert len(asked) == 1 and answered(other, lambda: 7) == 7
    finally:
        over.set()
    for worker in list(carrier_files._hanging.values()):
        worker.join(10.0)
    assert answered(stick, lambda: 8) == 8


def test_a_watched_folder_that_hangs_is_said(tmp_path, monkeypatch):
    """The exchange says of a stick that it does not answer, and goes on with the other places."""
    monkeypatch.setattr(carrier_files, "SILENT_S", 1.0)  # the other place has to answer in it, on a busy machine too
    over, is_dir = threading.Event(), Path.is_dir
    hangs, good = Path("/media/ada/HANGS"), tmp_path / "shared"
    good.mkdir()
    monkeypatch.setattr(Path, "is_dir", lambda self: bool(over.wait()) if "HANGS" in self.parts else is_dir(self))
    with open_store(tmp_path / "logbook.sqlite") as store:
        try:
            news = FolderWatcher(store, [hangs, good]).look()
        finally:
            over.set()
        assert ["does not answer" in str(one.messages[0]) for one in news] == [True]
        for worker in list(carrier_files._hanging.values()):
            worker.join(10.0)


def test_no_more_is_read_than_a_file_may_hold(tmp_path):
    """A file that is larger, or that grows while it is read, is not loaded."""
    path = tmp_path / "grows"
    path.write_bytes(b"x" * 100)
    assert len(read_regular(path, 100)) == 100
    with pytest.raises(OSError, match="larger"):
        read_regular(path, 99)
    with open_regular(path, 150) as file:  # read whole as it was opened
        path.write_bytes(b"x" * 1000)
        assert len(file.read()) == 100
    path.write_bytes(b"x" * 2 * AT_ONCE)
    with open_regular(path, 3 * AT_ONCE) as file:
        path.write_bytes(b"x" * 4 * AT_ONCE)
        with pytest.raises(OSError, match="larger"):
            file.read()


def test_a_folder_of_very_many_files_is_looked_at_in_part(tmp_path, monkeypatch):
    """A stick with more files than anybody looks through costs a bounded time."""
    monkeypatch.setattr(carrier_files, "MOST_LOOKED_AT", 50)
    for n in range(200):
        (tmp_path / f"{n}.gpx").touch()
    assert len(regular_files(tmp_path, lambda name: name.endswith("gpx"))) == 50


def test_what_a_killed_writer_left_is_removed(tmp_path):
    """A half-written file goes with the next writing into its folder; one of a writer at work stays."""
    old, new, mine, other = (tmp_path / f".{n}.part" for n in ("a.txt.99999", "b.txt.99998", "c.txt", "d.txt.x"))
    mine = tmp_path / f".c.txt.{os.getpid()}.part"
    for path in (old, new, mine, other):
        path.write_text("half")
    os.utime(old, (time.time() - 2 * atomic_file.LEFT_S,) * 2)
    with atomic_file.write_atomically(tmp_path / "one") as one:
        one.write_text("1")
        with atomic_file.write_atomically(tmp_path / "two") as two:
            two.write_text("2")
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted([new.name, other.name, "one", "two"])
