"""Receivers made of pseudo-terminals and loopback sockets, and a farm to drive on."""

import os
import pty
import termios
import threading
import tty
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import reduce

import numpy as np
import pytest

from cabapp.geometry.plane import Plane
from store import open_store
from store.models import Farm, Field, Hitching, Operator, Tool, Tractor

PLACE = Plane(47.0, -30.0)  # open sea: nobody's farm
T0 = 1_779_000_000.0


def closed(body):
    """Put the checksum on a sentence."""
    return f"${body}*{reduce(lambda a, b: a ^ b, body.encode()):02X}\r\n".encode()


def minutes(value, digits):
    """Return degrees as NMEA 0183 writes them: dddmm.mmmmm."""
    tenths = round(abs(value) * 60 * 10**digits)
    degrees, rest = divmod(tenths, 60 * 10**digits)
    return f"{degrees:03d}{rest // 10**digits:02d}.{rest % 10**digits:0{digits}d}"


def told(t, lat, lon, kinds=("GGA", "RMC"), quality=4, sigma=0.02, digits=7):
    """Return the sentences of one moment; lat None is a receiver without a fix."""
    when = datetime.fromtimestamp(round(t, 2), UTC)
    clock = when.strftime("%H%M%S.") + f"{when.microsecond // 10_000:02d}"
    place = ",,,"
    if lat is not None:
        place = f"{minutes(lat, digits)[1:]},{'NS'[lat < 0]},{minutes(lon, digits)},{'EW'[lon < 0]}"
    else:
        quality = 0
    status, mode = ("A", "R") if quality else ("V", "N")
    bodies = {
        "GGA": f"GNGGA,{clock},{place},{quality},12,0.7,12.0,M,-20.0,M,,",
        "RMC": f"GNRMC,{clock},{status},{place},4.9,90.0,{when:%d%m%y},,,{mode}",
        "GST": f"GNGST,{clock},{sigma},{sigma},{sigma},0.0,{sigma},{sigma},{sigma}",
        "VTG": "GNVTG,90.0,T,,M,4.9,N,9.1,K,A",
        "GSA": "GNGSA,A,3,80,71,73,79,69,,,,,,,,1.83,0.7,1.47",
        "ZDA": f"GNZDA,{clock},{when:%d,%m,%Y},00,00",
    }
    return b"".join(closed(bodies[kind]) for kind in kinds)


@pytest.fixture(scope="session")
def told_by_a_receiver():
    """Make the bytes of one moment."""
    return told


@pytest.fixture(scope="session")
def closed_sentence():
    """Make one sentence with its checksum, as bytes."""
    return closed


@pytest.fixture(scope="session")
def sea_place():
    """Metres east and north to latitude and longitude."""

    def at(x, y):
        lat, lon = PLACE.to_latlon([x, y])
        return float(lat[0]), float(lon[0])

    return at


class Pty:
    """A serial port that can be pulled out and put in again under the same name."""

    listened_to = True

    def __init__(self, path, baud=None):
        self.path, self._baud = path, baud
        self._master = None
        self.plug()

    def plug(self):
        self._master, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._master, False)
        self._path_to(os.ttyname(slave))
        os.close(slave)

    def unplug(self):
        os.unlink(self.path)
        os.close(self._master)
        self._master = None

    def _path_to(self, name):
        os.symlink(name, self.path)

    @property
    def plugged(self):
        return self._master is not None

    def say(self, data):
        """Send bytes; at another rate than its own they arrive as rubbish."""
        if self._baud is not None and termios.tcgetattr(self._master)[5] != self._baud:
            data = bytes((byte * 7 + 129) % 256 | 0x80 for byte in data[::2])
        with suppress(OSError):  # nobody listens: a real cable does not mind either
            os.write(self._master, data)

    def close(self):
        if self.plugged:
            self.unplug()


@pytest.fixture
def serial_port(tmp_path):
    """Plug serial ports in; all are pulled out at the end."""
    made = []

    def make(name="ttyTest0", baud=None):
        made.append(Pty(str(tmp_path / name), baud))
        return made[-1]

    yield make
    for port in made:
        port.close()


@pytest.fixture
def talking():
    """Let a thread say something again and again until the test is over."""
    stop, threads = threading.Event(), []

    def start(act, every=0.1):
        def run():
            while not stop.wait(every):
                act()

        threads.append(threading.Thread(target=run, daemon=True))
        threads[-1].start()

    yield start
    stop.set()
    for thread in threads:
        thread.join(5)


@dataclass
class SeaFarm:
    """A store with a farm on open sea, and the ids of what is on it."""

    store: object
    operator: str
    tractor: str
    tool: str
    field: str

    def take_over(self, session):
        session.take_over(self.operator, self.tractor, self.tool, self.field)


def square(half):
    lat, lon = PLACE.to_latlon([[-half, -half], [half, -half], [half, half], [-half, half], [-half, -half]])
    return {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}


@contextmanager
def farm_at(folder):
    """A farm with one field of 2 km by 2 km around the plane's origin and a 12 m tool."""
    with open_store(folder / "logbook.sqlite", "tablet 1") as store:
        store.put(Farm, name="Made-up Farm", timezone="Etc/GMT+2", units="us")
        operator = store.put(Operator, name="Ann").id
        tractor = store.put(Tractor, name="Red").id
        tool = store.put(Tool, name="Roller", operation="rolling", width_m=12.0, towed=False).id
        store.put(Hitching, tractor_id=tractor, tool_id=tool, width_m=12.0)
        field = store.put(Field, name="North", boundary=square(1000.0)).id
        yield SeaFarm(store, operator, tractor, tool, field)


@pytest.fixture(scope="session")
def sea_farm_at():
    """Open a farm on open sea in a folder."""
    return farm_at


@pytest.fixture
def sea_farm(tmp_path):
    """A farm on open sea for one test."""
    with farm_at(tmp_path) as farm:
        yield farm
