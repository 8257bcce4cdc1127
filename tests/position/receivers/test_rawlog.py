"""What a receiver said is kept, a day a file, whatever happens to the power."""

import json
import os

import numpy as np
import pytest

from cabapp.__main__ import main
from cabapp.position.files import read_trace
from cabapp.position.rawlog import PIECE_S, RawLog

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
        report = {"class": "TPV", "mode": 3, "time": f"2026-05-17T06:40:{n:02d}.000Z", "lat": 47.0, "lon": -30.0 + n / 1e5}
        log.write(json.dumps(report).encode() + b"\r\n", T0 + n)
    log.close()
    [path] = tmp_path.iterdir()
    trace = read_trace(path)
    assert trace.t.tolist() == [T0 + n for n in range(30)] and trace.dated


def test_a_power_cut_costs_at_most_the_last_piece(kept):
    """Wherever the file is cut off, all but the last ten seconds before are read, and none is false."""
    folder, log = kept(100)
    log.close()
    [path] = folder.iterdir()
    whole = path.read_bytes()
    before = read_trace(path)
    for share in (0.3, 0.62, 0.95, 0.999):
        path.write_bytes(whole[: int(share * len(whole))])
        cut = read_trace(path)
        assert len(cut.t) >= share * len(before.t) - PIECE_S - 2
        assert np.array_equal(cut.lon, before.lon[: len(cut.t)])
        assert any("power cut" in note for note in cut.notes)


def test_a_bad_sector_costs_what_it_covers(kept):
    """Bytes overwritten in the middle cost that piece; what stands behind is read."""
    folder, log = kept(100)
    log.close()
    [path] = folder.iterdir()
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 20] = b"\xff" * 20
    path.write_bytes(data)
    trace = read_trace(path)
    assert len(trace.t) >= 100 - 2 * PIECE_S - 2
    assert trace.t[-1] == T0 + 99


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
    assert "is not being kept" in log.trouble
    (tmp_path / "raw").unlink()
    folder, _ = kept(90, start=T0 + 60, log=log)
    log.close()
    assert log.trouble is None
    assert len(list(folder.iterdir())) == 1
