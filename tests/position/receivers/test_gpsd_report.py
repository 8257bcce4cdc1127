"""A real gpsd, fed by gpsfake from a recording, heard over its own protocol."""

import json
import os
import shutil
import signal
import socket
import subprocess
import time

import numpy as np
import pytest

from cabapp.common.clock import WallClock
from cabapp.position.protocols.gpsd_report import GpsdReader
from cabapp.position.receivers.connections import GpsdConnection
from cabapp.position.receivers.receiver_thread import ReceiverThread
from cabapp.session import Session
from store.models import Stint

N, HZ = 200, 10


def free_port():
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return free.getsockname()[1]


@pytest.fixture
def gpsd(tmp_path, told_by_a_receiver, sea_place):
    """The port of a gpsd that replays a drive of 20 s at the pace it was driven, over and over."""
    if not (shutil.which("gpsd", path="/usr/sbin:/usr/bin:/sbin:/bin") and shutil.which("gpsfake")):
        pytest.skip("gpsd and gpsfake are not installed (Debian: gpsd gpsd-clients)")
    log, port = tmp_path / "drive.nmea", free_port()
    start = int(time.time())
    log.write_bytes(
        b"".join(
            told_by_a_receiver(start + n / HZ, *sea_place(0.5 * n, 0.0), kinds=("RMC", "GGA", "GSA", "GST"))
            for n in range(N)
        )
    )
    # -c is the pause after each sentence: a little less than its share, so that the drive keeps up
    command = ["gpsfake", "-q", "-c", str(1 / HZ / 5), "-P", str(port), str(log)]
    with (tmp_path / "said").open("wb") as said:
        fake = subprocess.Popen(
            command, stdout=said, stderr=said, start_new_session=True,
            env={**os.environ, "PATH": os.environ["PATH"] + ":/usr/sbin:/sbin"},
        )  # fmt: skip
    yield port
    os.killpg(fake.pid, signal.SIGTERM)
    try:
        fake.wait(5)
    except subprocess.TimeoutExpired:
        os.killpg(fake.pid, signal.SIGKILL)
        fake.wait(5)


def test_a_drive_told_by_gpsd_is_counted(gpsd, sea_farm, sea_place, until):
    """gpsd's reports come through the session into the store, places and deviations as recorded."""
    receiver = ReceiverThread(GpsdConnection(port=gpsd))
    session = Session(sea_farm.store, WallClock(), receiver)
    try:
        until(lambda: session.view.position == "good", 20.0, session.tick)
        sea_farm.take_over(session)
        session.tap("start")
        until(lambda: len(sea_farm.store.read_trace(sea_farm.store.all(Stint)[0].id).t) > 20, 20.0, session.tick)
        # the recording began before gpsd did: what is of a time before the tap is not counted
        until(lambda: session.job.area_totals().covered > 0, 20.0, session.tick)
        session.tap("stop")
        trace = sea_farm.store.read_trace(sea_farm.store.all(Stint)[0].id)
    finally:
        session.close()
    assert "gpsd" in receiver.name and receiver.ended
    drive = np.array([sea_place(0.5 * n, 0.0)[1] for n in range(N)])
    # gpsd prints nine decimals; the store keeps seven
    assert np.abs(trace.lon[:, None] - drive).min(axis=1).max() < 2e-7
    assert trace.lat == pytest.approx(sea_place(0.0, 0.0)[0], abs=2e-6)
    assert set(trace.quality.tolist()) == {4}
    assert trace.sigma[1:] == pytest.approx(0.02)


def test_a_deviation_is_used_only_where_it_is_one():
    """The standard deviations of a GST report are used, the error estimates of TPV are not."""
    tpv = {"class": "TPV", "mode": 3, "lat": 52.0, "lon": -106.0, "epx": 9.0, "epy": 9.0, "status": 3}
    reports = GpsdReader()
    [plain] = reports.feed(json.dumps(tpv | {"time": "2026-05-05T10:00:00.000Z"}).encode())
    reports.feed(b'{"class":"GST","time":"2026-05-05T10:00:01.000Z","lat":0.03,"lon":0.04}')
    [stated] = reports.feed(json.dumps(tpv | {"time": "2026-05-05T10:00:01.000Z"}).encode())
    assert (plain.sigma, plain.quality) == (None, 4)
    assert stated.sigma == pytest.approx(((0.03**2 + 0.04**2) / 2) ** 0.5)


@pytest.mark.parametrize(("second", "sigma"), [("03.000", 0.02), ("03.010", None)])
def test_the_deviation_of_a_report_holds_for_two_seconds(second, sigma):
    """A place 2 s after the last GST has its deviation, a later one has none."""
    reports = GpsdReader()
    reports.feed(b'{"class":"GST","time":"2026-05-05T10:00:01.000Z","lat":0.02,"lon":0.02}')
    tpv = f'{{"class":"TPV","mode":3,"time":"2026-05-05T10:00:{second}Z","lat":47.0,"lon":-30.0}}'
    assert [fix.sigma for fix in reports.feed(tpv.encode())] == [sigma and pytest.approx(sigma)]


@pytest.mark.parametrize(
    "line",
    [b"{", b"{}", b"[1]", b'{"class":"TPV","time":7}', b'{"class":"TPV","time":"x","mode":3}',
     b'{"class":"TPV","time":"2026-05-05T10:00:00Z","mode":3,"lat":"x","lon":1}',
     b'{"class":"SKY","hdop":"much"}', b'{"class":"TPV","time":"2026-05-05T10:00:00Z","mode":[]}',
     b"{" * 3000, b'{"class":"GST","time":"2026-05-05T10:00:00Z","lat":{},"lon":1}',
     b'{"class":"TPV","time":"2026-05-05T10:00:00Z","mode":3,"lat":1,"lon":1,"status":[]}'],
)  # fmt: skip
def test_what_gpsd_would_never_say(line):
    """Broken or absurd reports are counted as rejected and raise nothing."""
    reports = GpsdReader()
    assert reports.feed(line) == []
    assert reports.rejected == 1


@pytest.mark.parametrize("place", [(0.0, 0.0), (91.0, 0.0), (None, None)])
def test_no_place_is_no_place(place):
    """0, 0, a place off the globe and a missing one are no position."""
    report = {"class": "TPV", "mode": 3, "time": "2026-05-05T10:00:00Z", "lat": place[0], "lon": place[1]}
    [fix] = GpsdReader().feed(json.dumps(report).encode())
    assert not fix.has_position
