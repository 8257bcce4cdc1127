"""Two antennas on one tractor: whichever receiver speaks, the count knows one antenna."""

import json
import math

import numpy as np
import pytest

from cabapp.common.clock import ManualClock
from cabapp.geometry.plane import Plane
from cabapp.position.calibration.antenna_offset import Antenna, AntennaTransfer
from cabapp.position.fix import Fix
from cabapp.position.receivers.receiver_group import ReceiverGroup
from cabapp.position.receivers.receiver_settings import FILE, ReceiverSettings
from cabapp.session import Session, fix_recorder
from store.errors import message
from store.models import Stint

SEA = Plane(47.0, -30.0)
T0 = 1_779_000_000.0
HOOD = Antenna(ahead=2.0, right=-0.7)


def way(parts, speed=2.5, hz=10):
    """Return places and headings of a tractor: straights (m) and turns (radius m, rad); metres < 0 back."""
    x, y, heading, rows = 0.0, 0.0, 0.3, []
    for kind, *size in parts:
        length = abs(size[0]) if kind == "straight" else abs(size[0] * size[1])
        for _ in range(round(length / speed * hz)):
            step = speed / hz * (-1 if kind == "straight" and size[0] < 0 else 1)
            if kind == "turn":
                heading += step / size[0] * (1 if size[1] > 0 else -1)
            x, y = x + step * math.cos(heading), y + step * math.sin(heading)
            rows.append((x, y, heading))
    return np.array(rows)


def seen_by(rows, antenna):
    """Return where an antenna is on the way, metres."""
    x, y, heading = rows.T
    ahead = np.column_stack([np.cos(heading), np.sin(heading)])
    right = np.column_stack([np.sin(heading), -np.cos(heading)])
    return np.column_stack([x, y]) + antenna.ahead * ahead + antenna.right * right


def fixes_at(xy, noise=0.0, seed=1, hz=10, **said):
    lat, lon = SEA.to_latlon(xy + np.random.default_rng(seed).normal(0, noise, xy.shape))
    return [Fix(T0 + k / hz, float(a), float(b), **said) for k, (a, b) in enumerate(zip(lat, lon))]


def metres(fixes):
    return SEA.to_xy([fix.lat for fix in fixes], [fix.lon for fix in fixes])


@pytest.mark.parametrize(
    ("parts", "limit"),
    [
        ([("straight", 200.0)], 0.01),
        # the antenna ahead swings out in a turn: its direction is not quite the tractor's
        ([("straight", 100.0), ("turn", 12.0, math.pi), ("straight", 100.0)], 0.75),
        ([("straight", 60.0), ("straight", -20.0), ("straight", 60.0)], 0.01),
    ],
    ids=["straight", "turn", "back"],
)
def test_what_is_carried_lies_where_the_other_antenna_was(parts, limit):
    """On straights to the centimetre, forward and backward; in a turn of 12 m to three quarters of
    a metre where not carrying would be 2.1 m off."""
    rows = way(parts)
    transfer = AntennaTransfer(HOOD)
    carried = [transfer.transfer(fix) for fix in fixes_at(seen_by(rows, HOOD), sigma=0.02)]
    off = np.hypot(*(metres(carried) - rows[:, :2]).T)[10:]
    # within a step of where it begins to go back the way of an antenna says nothing
    assert np.sort(off)[: int(0.97 * len(off))].max() < limit
    assert off.max() < HOOD.away + 0.8


def test_before_it_has_moved_the_error_is_made_larger():
    """Standing still, nobody knows which way the antennas lie: the stated error says so."""
    fix = Fix(T0, 47.0, -30.0, sigma=0.02)
    carried = AntennaTransfer(HOOD).transfer(fix)
    assert (carried.lat, carried.lon) == (fix.lat, fix.lon)
    assert carried.sigma == pytest.approx(math.hypot(0.02, HOOD.away))
    lost = Fix(T0, None, None, quality=0)
    assert AntennaTransfer(HOOD).transfer(lost) == lost
    assert AntennaTransfer(Antenna()).transfer(fix) == fix


def test_noise_does_not_swing_the_antenna():
    """2 cm of noise become 7 cm at the other antenna, 2.1 m away: no more than a narrow edge."""
    rows = way([("straight", 300.0)])
    transfer = AntennaTransfer(HOOD)
    carried = metres([transfer.transfer(fix) for fix in fixes_at(seen_by(rows, HOOD), 0.02)])
    off = (carried - rows[:, :2])[20:]
    assert off.std() < 0.08 and np.abs(off).max() < 0.35


class Told:
    """A source that plays fixes until some moment."""

    ended, status = False, message("Playing.")

    def __init__(self, name, fixes, until=math.inf):
        self.name, self._fixes = name, [fix for fix in fixes if fix.t < until]

    def poll(self, now):
        given = [fix for fix in self._fixes if fix.t <= now]
        self._fixes = self._fixes[len(given) :]
        return given

    def close(self):
        self.ended = True


@pytest.fixture
def rolled(sea_farm, monkeypatch):
    """Roll 400 m with two receivers, the better one failing half way; return the session's count."""

    monkeypatch.setattr(fix_recorder, "SYNC_S", 10.0)  # fewer writes; nothing here is cut off

    def roll(antenna_of, fails=T0 + 80.0):
        rows = way([("straight", 400.0)])
        roof = Told("roof", fixes_at(rows[:, :2], sigma=0.02), fails)
        hood = Told("hood", fixes_at(seen_by(rows, HOOD), sigma=0.3))
        team, clock = ReceiverGroup([roof, hood], antenna_of), ManualClock(T0 - 1.0)
        session = Session(sea_farm.store, clock, team)
        sea_farm.take_over(session)
        session.tap("start")
        for _ in range(360):
            clock.advance(0.5)
            session.tick()
        session.tap("stop")
        stint = sea_farm.store.all(Stint)[-1]
        trace, tally = sea_farm.store.read_trace(stint.id), session.job.area_totals()
        session.tap("finish")
        clock.advance(60.0)
        session.tick()
        return team, rows, trace, tally

    return roll


def test_when_a_receiver_fails_its_offsets_go_with_it(rolled):
    """Trace and count go straight on through a change of receivers whose antennas are 2.1 m apart.

    What is in the store are places of the antenna the hitching was measured from, so whoever counts
    it later counts the same.
    """
    places = {"roof": Antenna(), "hood": HOOD}
    team, _rows, trace, tally = rolled(places.get)
    heading = 0.3
    right = np.array([math.sin(heading), -math.cos(heading)])
    aside = SEA.to_xy(trace.lat, trace.lon) @ right
    assert np.abs(aside).max() < 0.05
    assert team.name == "hood"
    # two seconds of silence before the other takes over; that ground is bridged as any short gap is
    assert tally.covered == pytest.approx(400.0 * 12.0, rel=0.02) and set(tally.by_count) == {1}


def test_without_the_offsets_the_track_would_jump(rolled):
    """The same drive with nothing said of the antennas lies 0.7 m aside, and the words warn of it."""
    _team, _rows, trace, _tally = rolled(lambda name: None, fails=T0 + 30.0)
    aside = SEA.to_xy(trace.lat, trace.lon) @ [math.sin(0.3), -math.cos(0.3)]
    assert np.abs(aside).max() == pytest.approx(0.7, abs=0.05)


@pytest.mark.parametrize(
    ("places", "said"),
    [
        ({}, "roof gives no position. Using hood, and nobody has said how far apart the antennas are: "
             "passes may lie off by that much."),
        ({"hood": HOOD}, "roof gives no position. Using hood; that its antenna sits elsewhere is allowed for."),
        ({"hood": Antenna()}, "roof gives no position. Using hood."),
    ],
)  # fmt: skip
def test_a_change_says_what_it_does_to_the_passes(places, said):
    """The words of a change tell whether the antennas' distance is known and used."""
    one = Told("roof", [Fix(0.0, 47.0, -30.0, sigma=0.02)])
    two = Told("hood", [Fix(float(n), 47.0, -30.0, sigma=0.3) for n in range(9)])
    team = ReceiverGroup([one, two], places.get)
    for n in range(6):
        team.poll(float(n))
    assert str(team.status) == f"{said} Playing."


def test_places_of_antennas_are_kept(tmp_path):
    """What was told of antennas and the receiver to use are there when the file is opened again."""
    kept = ReceiverSettings(tmp_path / "receiver")
    kept.set_antenna("ttyUSB1", HOOD)
    kept.use = "tcp:192.0.2.7:5017"
    again = ReceiverSettings(tmp_path / "receiver")
    assert (again.use, again.antenna("ttyUSB1"), again.antenna("other")) == (kept.use, HOOD, None)


@pytest.mark.parametrize(
    "text", ["", "{", "[]", '{"antennas": 3}', '{"antennas": {"a": {"ahead_m": "x", "right_m": 0}}}',
             json.dumps({"antennas": {"a": {"ahead_m": 1e9, "right_m": 0}}})],
)  # fmt: skip
def test_a_damaged_file_is_one_antenna_and_a_search(tmp_path, text):
    """A file that says nothing that can be means: find a receiver; no antenna sits a mile away."""
    (tmp_path / FILE).write_text(text)
    kept = ReceiverSettings(tmp_path)
    assert (kept.use, kept.antenna("a")) == ("auto", None)
