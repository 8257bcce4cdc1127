"""An invented farm, a hand-moved clock, and drives laid out in metres."""

import itertools
import math
import shutil
import uuid
from dataclasses import dataclass

import numpy as np
import pytest

from cabapp.common.clock import ManualClock
from cabapp.geometry.plane import Plane
from cabapp.position.fix import Fix
from cabapp.position.recordings.replay_source import Replay
from cabapp.session import Session, fix_recorder
from store import open_store
from store.models import Farm, Field, Hitching, Operator, Tool, Tractor

PLACE = Plane(47.0, -30.0)  # open sea: nobody's farm
T0 = 1_779_000_000.0
SPEED = 2.5


def rectangle(west, south, east, north):
    lat, lon = PLACE.to_latlon([[west, south], [east, south], [east, north], [west, north], [west, south]])
    return {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}


def key(name):
    """Return the id of a row that every tablet of the farm has."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, name))


@dataclass
class Ids:
    ann: str
    ben: str
    red: str
    blue: str
    roller: str
    field: str
    bare: str


def make_ids():
    return Ids(*(key(n) for n in ("ann", "ben", "red", "blue", "roller", "field", "bare")))


def stock(store):
    """Write the farm down; the same ids on every tablet."""
    store.put(Farm, id=key("farm"), name="Made-up Farm", timezone="Etc/GMT+6", units="us")
    ids = make_ids()
    store.put(Operator, id=ids.ann, name="Ann", phone="555 0100")
    store.put(Operator, id=ids.ben, name="Ben")
    store.put(Tractor, id=ids.red, name="Red", tank_l=400.0)
    store.put(Tractor, id=ids.blue, name="Blue")
    store.put(Tool, id=ids.roller, name="Roller", operation="rolling", width_m=12.0, towed=False)
    store.put(Hitching, id=key("hitching"), tractor_id=ids.red, tool_id=ids.roller, width_m=12.0)
    store.put(Field, id=ids.field, name="North", boundary=rectangle(-200, -150, 200, 150))
    store.put(Field, id=ids.bare, name="Bare")
    return ids


@pytest.fixture(autouse=True)
def seldom_written(monkeypatch, request):
    """Write the trace each ten seconds instead of each second, a fifth of the time, where nothing is cut off."""
    if "each_second" not in request.fixturenames:
        monkeypatch.setattr(fix_recorder, "SYNC_S", 10.0)


@pytest.fixture
def each_second():
    """Let the trace be written each second, as it is in the cab."""


@pytest.fixture
def ids():
    return make_ids()


@pytest.fixture(scope="session")
def stocked(tmp_path_factory):
    """A logbook with the farm in it, made once."""
    path = tmp_path_factory.mktemp("farm") / "logbook.sqlite"
    with open_store(path, "tablet 1") as opened:
        stock(opened)
    return path


@pytest.fixture
def store(tmp_path, stocked, stands_for):
    stands_for(shutil.copy(stocked, tmp_path))
    with open_store(tmp_path / stocked.name) as opened:
        yield opened


@pytest.fixture
def place():
    """Metres east and north to (lat, lon)."""

    def at(x, y):
        lat, lon = PLACE.to_latlon([x, y])
        return float(lat[0]), float(lon[0])

    return at


@pytest.fixture
def box():
    return rectangle


@pytest.fixture
def stock_farm():
    return stock


def path_along(corners, step):
    """Return places every `step` m along straight lines between corners."""
    places = []
    for (x0, y0), (x1, y1) in itertools.pairwise(corners):
        far = math.hypot(x1 - x0, y1 - y0)
        n = max(1, round(far / step))
        places += [(x0 + (x1 - x0) * k / n, y0 + (y1 - y0) * k / n) for k in range(n)]
    return [*places, corners[-1]]


def rows(ys, west=-60.0, east=60.0):
    """Return the corners of passes at these northings, there and back, with round turns."""
    corners = []
    for k, y in enumerate(ys):
        ends = [(west, y), (east, y)] if k % 2 == 0 else [(east, y), (west, y)]
        if corners:
            (x, before), side = corners[-1], 1 if k % 2 else -1
            r, middle = abs(y - before) / 2, (y + before) / 2
            sign = math.copysign(1, y - before)
            corners += [
                (x + side * r * math.sin(a), middle - sign * r * math.cos(a)) for a in np.linspace(0, math.pi, 12)[1:-1]
            ]
        corners += ends
    return corners


@pytest.fixture
def drive_rows():
    """Make the fixes of passes at northings, 1 to 10 Hz, starting at a time."""

    def make(ys, start=T0 + 10.0, hz=1.0, west=-60.0, east=60.0, noise=0.0, **said):
        return along(rows(ys, west, east), start, hz, noise, **said)

    return make


def along(corners, start, hz=1.0, noise=0.0, **said):
    xy = np.array(path_along(corners, SPEED / hz))
    if noise:
        xy = xy + np.random.default_rng(7).normal(0, noise, xy.shape)
    lat, lon = PLACE.to_latlon(xy)
    said = {"sigma": 0.1, "quality": 4} | said
    return [Fix(start + k / hz, float(a), float(b), **said) for k, (a, b) in enumerate(zip(lat, lon))]


@pytest.fixture
def drive_along():
    return along


class Run:
    """A session with its clock and replay, moved on together."""

    def __init__(self, store, fixes=None, start=T0, tick=1.0, beside=None):
        self.clock = ManualClock(start)
        self.source = None if fixes is None else Replay(fixes, "a drive made for a test")
        self.session = Session(store, self.clock, self.source, beside)
        self.tick = tick
        self.views = []

    def until(self, t):
        """Tick to a time; give the views passed on the way."""
        views = []
        while self.clock.now() < t - 1e-9:
            self.clock.advance(min(self.tick, t - self.clock.now()))
            views.append(self.session.tick())
        self.views += views
        return views

    def on(self, seconds):
        return self.until(self.clock.now() + seconds)

    def take_over(self, operator="ann", tractor="red", field="field", **more):
        self.session.take_over(key(operator), key(tractor), key("roller"), key(field), **more)
        if "hitching_ok" in [a for _, a in self.answers()]:
            self.session.tap("hitching_ok")

    def answers(self):
        sentence = self.session.tick().sentence
        return sentence.answers if sentence else ()


@pytest.fixture
def run(store):
    def make(fixes=None, **how):
        return Run(how.pop("store", store), fixes, **how)

    return make
