"""What a receiver said is kept, a day a file, whatever happens to the power."""

import gzip
import json
import os
import random
import time

import numpy as np
import pytest

from cabapp.__main__ import main
from cabapp.common.clock import WallClock
from cabapp.counting.job_count import JobCount
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.stint_reader import tool_of
from cabapp.jobs.records.tap_log import taps_of
from cabapp.position.receivers import receiver_thread
from cabapp.position.receivers.connections import SerialConnection
from cabapp.position.receivers.receiver_thread import ReceiverThread
from cabapp.position.recordings import raw_log
from cabapp.position.recordings.raw_log import LONGEST_LINE, PIECE_BYTES, PIECE_S, RawLog
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.session import Session
from store.models import Field, Stint

T0 = 1_779_000_000.0  # 2026-05-17T06:40:00Z


@pytest.fixture
def kept(tmp_path, told_by_a_receiver, sea_place):
    """Keep a drive of so many seconds; return the folder and the log, not yet closed."""

    def make(seconds, start=T0, name="ttyUSB0", log=None, **said):
        log = log or RawLog(tmp_path / "raw", name)
        for n in range(seconds):
            log.write(told_by_a_receiver(start + n, *sea_place(2.0 * n, 0.0), **said), start + n + 0.1)
        return tmp_path / "raw", log

    return make


def test_a_kept_log_is_measured(kept, capsys):
    """What was kept is read by the measure command: 120 fixes over 238 m, 11 m wide."""
    folder, log = kept(120)
    log.close()
    [path] = folder.iterdir()
    assert path.name == "2026-05-17-ttyUSB0-001.nmea.gz"
    assert main(["measure", str(path), "--width", "11", "--json"]) == 0
    measured = json.loads(capsys.readouterr().out)
    assert measured["trace"]["fixes"] == 120
    assert measured["trace"]["length_m"] == pytest.approx(238.0, abs=0.2)
    # less what it takes to know the direction at the start
    assert 234 * 11 < measured["area_m2"]["covered"] < 239 * 11


def test_a_log_of_gpsd_is_read_too(tmp_path):
    """Reports of gpsd are kept and read as sentences are."""
    log = RawLog(tmp_path, "gpsd")
    for n in range(30):
        report = {
            "class": "TPV",
            "mode": 3,
            "time": f"2026-05-17T06:40:{n:02d}.000Z",
            "lat": 47.0,
            "lon": -30.0 + n / 1e5,
        }
        log.write(json.dumps(report).encode() + b"\r\n", T0 + n)
    log.close()
    [path] = tmp_path.iterdir()
    trace = read_recording(path)
    assert trace.tracks[0].t.tolist() == [T0 + n for n in range(30)] and trace.dated


def test_a_power_cut_costs_at_most_the_last_piece(kept):
    """Wherever the file is cut off, all but the last ten seconds before are read, and none is false."""
    folder, log = kept(100)
    log.close()
    [path] = folder.iterdir()
    whole = path.read_bytes()
    before = read_recording(path)
    for share in (0.3, 0.62, 0.95, 0.999):
        path.write_bytes(whole[: int(share * len(whole))])
        cut = read_recording(path)
        assert len(cut.tracks[0].t) >= share * len(before.tracks[0].t) - PIECE_S - 2
        assert np.array_equal(cut.tracks[0].lon, before.tracks[0].lon[: len(cut.tracks[0].t)])
        assert any("power cut" in str(note) for note in cut.notes)


def test_a_bad_sector_costs_what_it_covers(kept):
    """Bytes overwritten in the middle cost that piece; what stands behind is read."""
    folder, log = kept(100)
    log.close()
    [path] = folder.iterdir()
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 20] = b"\xff" * 20
    path.write_bytes(data)
    trace = read_recording(path)
    assert len(trace.tracks[0].t) >= 100 - 2 * PIECE_S - 2
    assert trace.tracks[0].t[-1] == T0 + 99


def on_disk(folder):
    """All that is on the disk, unpacked by the standard library."""
    return b"".join(gzip.decompress(path.read_bytes()) for path in sorted(folder.iterdir())) if folder.exists() else b""


@pytest.mark.parametrize(("pause", "written"), [(PIECE_S - 0.1, 0), (PIECE_S, 2), (-0.1, 2)])
def test_when_a_piece_is_written(tmp_path, pause, written):
    """After ten seconds, not before; and at once when the clock was set back."""
    log = RawLog(tmp_path / "raw", "x")
    log.write(b"one\r\n", T0)
    log.write(b"two\r\n", T0 + pause)
    assert on_disk(tmp_path / "raw").count(b"\n") == written
    log.close()
    assert on_disk(tmp_path / "raw") == b"%.3f one\n%.3f two\n" % (T0, T0 + pause)


@pytest.mark.parametrize(("size", "written"), [(PIECE_BYTES - 1, False), (PIECE_BYTES, True)])
def test_how_large_a_piece_grows(tmp_path, monkeypatch, size, written):
    """A piece of the limit, its stamps counted, is written without waiting."""
    monkeypatch.setattr(raw_log, "LONGEST_LINE", PIECE_BYTES)
    log = RawLog(tmp_path / "raw", "x")
    log.write(b"x" * (size - len(b"%.3f \n" % T0)) + b"\n", T0)
    assert (len(on_disk(tmp_path / "raw")) == size) == written


def test_half_a_line_is_kept_when_the_log_is_closed_or_the_cable_lost(tmp_path):
    """What had come of a line is there, marked as cut where the cable was plugged in again."""
    log = RawLog(tmp_path / "raw", "x")
    log.write(b"$GNGGA,1", T0)
    log.opened(T0 + 1.0)
    log.write(b"$GNRMC,2", T0 + 2.0)
    log.close()
    log.close()
    stamp = b"%.3f " % (T0 + 1.0)
    assert on_disk(tmp_path / "raw") == stamp + b"#cut $GNGGA,1\n" + stamp + b"#opened\n$GNRMC,2\n"


def test_a_line_without_an_end_is_kept_in_parts(tmp_path):
    """Bytes beyond the longest line are written as they are; one byte less still waits."""
    log = RawLog(tmp_path / "raw", "x")
    log.write(b"x" * LONGEST_LINE, T0)
    log.flush(T0)
    assert on_disk(tmp_path / "raw") == b""
    log.write(b"x", T0)
    log.flush(T0)
    assert on_disk(tmp_path / "raw") == b"%.3f " % T0 + b"x" * (LONGEST_LINE + 1) + b"\n"


def test_a_full_disk_is_tried_again_after_a_minute(tmp_path):
    """Before that nothing is written, then all that came since, in a new file."""
    (tmp_path / "raw").write_text("in the way")
    log = RawLog(tmp_path / "raw", "x")
    log.write(b"lost\n", T0)
    log.flush(T0)
    (tmp_path / "raw").unlink()
    for after, there in ((59.9, False), (60.0, True)):
        log.write(b"later\n", T0 + after)
        log.flush(T0 + after)
        assert (b"later" in on_disk(tmp_path / "raw")) == there and (log.trouble is None) == there


def test_after_a_crash_a_new_file_is_begun(kept, tmp_path):
    """Nothing is written behind a piece that may be cut off."""
    kept(30)  # never closed
    folder, log = kept(30, start=T0 + 60)
    log.close()
    assert len(list(folder.iterdir())) == 2


def test_a_new_day_is_a_new_file(kept):
    """Midnight UTC divides the files."""
    folder, log = kept(40, start=1_779_062_400.0 - 20)
    log.close()
    assert sorted(p.name[:10] for p in folder.iterdir()) == ["2026-05-17", "2026-05-18"]


def test_the_logs_keep_within_their_room(tmp_path):
    """However much is said, the folder stays below its cap, and what is left is the newest."""
    cap = 200_000
    log = RawLog(tmp_path, "noisy", cap=cap)
    for n in range(600):
        log.write(os.urandom(1500).hex().encode() + b"\n", T0 + 11.0 * n)
        assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= cap
    log.close()
    sizes = [path.stat().st_size for path in tmp_path.iterdir()]
    assert sum(sizes) > cap / 2


def test_what_cannot_be_written_is_said_and_tried_again(kept, tmp_path):
    """A folder that cannot be made is told in words; once it can be, keeping goes on."""
    (tmp_path / "raw").write_text("in the way")
    _, log = kept(30)
    assert "is not being kept" in str(log.trouble)
    (tmp_path / "raw").unlink()
    folder, _ = kept(90, start=T0 + 60, log=log)
    log.close()
    assert log.trouble is None
    assert len(list(folder.iterdir())) == 1


@pytest.mark.parametrize("times", [2, pytest.param(8, marks=pytest.mark.long)])
def test_a_count_made_again_from_the_raw_log_is_the_same_to_the_last_digit(
    monkeypatch, serial_port, sea_farm, sea_place, told_by_a_receiver, tmp_path, times
):
    """Rolling with a cable that damages one line in ten, and is pulled out several times, the raw log
    alone gives every fix of the store again, and from them the very same areas."""
    monkeypatch.setattr(receiver_thread, "FIRST_WAIT_S", 0.02)
    monkeypatch.setattr(receiver_thread, "LONGEST_WAIT_S", 0.1)
    rng, port = random.Random(4), serial_port()
    session = Session(
        sea_farm.store, WallClock(), ReceiverThread(SerialConnection(port.path), RawLog(tmp_path / "raw", "test"))
    )
    begun = told = round(time.time(), 1)

    def drive(seconds):
        nonlocal told
        ends = time.time() + seconds
        while time.time() < ends:
            while told <= time.time():
                lines = told_by_a_receiver(told, *sea_place((told - begun) * 6.0 - 300.0, 0.0), ("GGA", "GST", "RMC"))
                lines = b"".join(
                    line if rng.random() > 0.1 else line.replace(rng.choice([b"7", b"0", b","]), b"x", 1)
                    for line in lines.splitlines(True)
                )
                if port.plugged:
                    # in pieces, as a slow cable gives them
                    cut = rng.randrange(len(lines))
                    port.say(lines[:cut])
                    session.tick()
                    port.say(lines[cut:])
                told = round(told + 0.1, 1)
            session.tick()
            time.sleep(0.005)

    drive(1.0)
    sea_farm.take_over(session)
    session.tap("start")
    for _ in range(times):
        drive(0.8)
        port.unplug()
        drive(0.15)
        port.plug()
    drive(1.0)
    session.tap("stop")
    tally = session.job.area_totals()
    [stint] = sea_farm.store.all(Stint)
    kept = sea_farm.store.read_trace(stint.id)
    session.close()

    [path] = (tmp_path / "raw").iterdir()
    again = [fix.as_kept() for fix in read_recording(path).main.fixes()]
    rows = [(fix.t, fix.lat, fix.lon, fix.sigma, fix.quality, fix.hdop) for fix in again]
    first, last = kept.t[0], kept.t[-1]
    rows = np.array([row for row in rows if first <= row[0] <= last], float).T
    assert np.isfinite(kept.lat).sum() > 4 * times
    assert np.nanmax(kept.hdop) == 0.7
    for column, was in zip(rows, vars(kept).values(), strict=True):
        np.testing.assert_array_equal(column, was)
    t, lat, lon, sigma, quality, hdop = rows
    field = sea_farm.store.get(Field, sea_farm.field)
    count = JobCount(field.boundary, field.target)
    switches = stint_state.stint_state(stint.at, taps_of(sea_farm.store, stint.id)).switches
    count.begin(stint.id, stint.at, tool_of(stint))
    count.rebuild(t, lat, lon, sigma, switches, quality.astype(int), hdop)
    assert count.area_totals() == tally and tally.covered > 24 * times


def test_a_log_older_than_the_program_keeps_its_day(tmp_path, told_by_a_receiver):
    """A stamped log of 2019 is of 2019, not brought forward by a roll-over of the weeks."""
    log, year_2019 = RawLog(tmp_path, "old"), 1_557_083_397.0
    for n in range(20):
        log.write(told_by_a_receiver(year_2019 + n, 47.0 + n * 1e-5, -30.0), year_2019 + n + 0.1)
    log.close()
    [path] = tmp_path.iterdir()
    assert read_recording(path).tracks[0].t.tolist() == [year_2019 + n for n in range(20)]
