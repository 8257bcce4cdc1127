"""Receivers found by themselves: rates tried, ports come and gone, two of them at once."""

import os
import termios
import threading
import time

import pytest

from cabapp.position.fix import Fix
from cabapp.position.protocols.nmea_sentence import SENTENCE_TYPES, SentenceType
from cabapp.position.receivers import discovery
from cabapp.position.receivers.connections import SerialConnection
from cabapp.position.receivers.discovery import ReceiverDiscovery, try_port
from cabapp.position.receivers.receiver_address import open_receiver
from cabapp.position.receivers.receiver_group import BETTER_S, ReceiverGroup
from store.errors import message


@pytest.fixture
def quick_search(monkeypatch):
    """Look and listen for shorter times than a real port wants."""
    for name, seconds in {"SEARCH_S": 0.1, "MUTE_S": 0.6, "TRY_S": 0.4, "AGAIN_S": 0.5, "GONE_S": 3.0}.items():
        monkeypatch.setattr(discovery, name, seconds)


@pytest.fixture
def driving(told_by_a_receiver, sea_place):
    """Say the present moment of a slow drive east, some metres north."""

    def make(port, north=0.0, **said):
        def say():
            if port.plugged:
                now = round(time.time(), 2)
                port.say(told_by_a_receiver(now, *sea_place(now % 1000.0, north), **said))

        return say

    return make


@pytest.fixture
def auto(quick_search, tmp_path):
    """A group that discovery fills from the ports plugged into the test's folder."""
    made = []

    def make(**options):
        def ports():
            return sorted(str(path) for path in tmp_path.glob("tty*"))

        made.append(ReceiverGroup())
        ReceiverDiscovery(made[-1], list_ports=ports, gpsd=None, **options)
        return made[-1]

    yield make
    for source in made:
        source.close()


@pytest.mark.parametrize("rate, code", [(4800, termios.B4800), (38400, termios.B38400), (115200, termios.B115200)])
def test_the_right_rate_is_found(quick_search, serial_port, driving, talking, rate, code):
    """Of eight rates the one is taken at which sentences arrive whole."""
    port = serial_port(baud=code)
    say, said = driving(port), []
    talking(lambda: said.append(say()), every=0.05)
    # a clock that goes by what was said, for a busy machine may say it late
    assert try_port(lambda baud: SerialConnection(port.path, baud), clock=lambda: 0.05 * len(said)) == rate


def test_a_mute_port_and_a_missing_one_are_none(quick_search, serial_port, tmp_path):
    """A port that says nothing is left after one wait, not after one for each rate."""
    port = serial_port()
    rates = []
    assert try_port(lambda baud: rates.append(baud) or SerialConnection(port.path, baud)) is None
    assert len(rates) == 1
    assert try_port(lambda baud: SerialConnection(str(tmp_path / "none"), baud)) is None


class SameLine:
    """A connection on which one NMEA sentence comes every 0.1 s of its own clock."""

    name, now = "scripted", 0.0

    def __init__(self, line):
        self._line = line

    def open(self):
        pass

    def read(self):
        self.now += 0.1
        return self._line

    def close(self):
        pass


@pytest.mark.parametrize(
    ("body", "rate"),
    [
        # a receiver just switched on knows neither place nor time
        ("GPGGA,,,,,,0,,,,M,,M,,", 4800), ("GPRMC,,V,,,,,,,,,,N", 4800), ("GPZDA,100000,05,05,2026,00,00", 4800),
        ("SDDPT,2.4,0.5", None), ("HEVTG,90.0,T,,M,4.9,N,9.1,K,A", None), ("GNGSA,A,1,,,,,,,,,,,,,,,", None),
    ],
)  # fmt: skip
def test_only_what_states_a_time_is_a_receiver(monkeypatch, closed_sentence, body, rate):
    """A depth sounder or compass is none, also where its NMEA sentences are read."""
    monkeypatch.setitem(SENTENCE_TYPES, "DPT", SentenceType(lambda fields: {"depth": float(fields[0])}, (2, 3), None))
    connection = SameLine(closed_sentence(body))
    assert try_port(lambda _: connection, bauds=(4800, 9600), clock=lambda: connection.now) == rate


def test_plugged_in_later_pulled_out_and_put_elsewhere(auto, serial_port, driving, talking, until):
    """A receiver is found whenever and wherever it is plugged in, and words say what is so."""
    source = auto()
    assert source.poll(time.time()) == []
    assert str(source.status) == "No receiver is found. Plug one in; I keep looking."
    first = serial_port("ttyOne")
    talking(driving(first))
    until(lambda: source.poll(time.time()))
    assert str(source.status) == "ttyOne knows where it is."
    first.unplug()
    until(lambda: not source.sources, act=lambda: source.poll(time.time()))
    second = serial_port("ttyTwo")
    talking(driving(second))
    until(lambda: source.poll(time.time()))
    assert (source.name, [r.name for r in source.sources]) == ("ttyTwo", ["ttyTwo"])


def test_two_receivers_and_one_fails(auto, serial_port, driving, talking, until, sea_place):
    """The better one is used; when it falls silent the other takes over, and the words say so."""
    good, plain = serial_port("ttyGood"), serial_port("ttyPlain")
    talking(driving(plain, north=5.0, quality=1, kinds=("GGA", "RMC")))
    talking(driving(good, kinds=("GGA", "GST", "RMC")))
    source = auto()
    until(lambda: len(source.sources) == 2, act=lambda: None)
    until(lambda: all(r.state == "good" for r in source.sources))
    until(lambda: source.poll(time.time()))
    assert source.name == "ttyGood"
    good.unplug()
    found = []
    until(lambda: source.name == "ttyPlain", act=lambda: found.extend(source.poll(time.time())))
    assert str(source.status).startswith("ttyGood gives no position. Using ttyPlain.")
    until(lambda: len(found) > 20, act=lambda: found.extend(source.poll(time.time())))
    times = [fix.t for fix in found]
    assert times == sorted(set(times))
    assert {fix.quality for fix in found} == {1}


def test_nothing_is_left_over(auto, serial_port, driving, talking, until):
    """Closing ends the scout and all readers, and polling afterwards gives nothing."""
    talking(driving(serial_port("ttyOne")))
    source = auto()
    until(lambda: source.poll(time.time()))
    source.close()
    names = [thread.name for thread in threading.enumerate()]
    assert source.ended and not [name for name in names if name.startswith("receiver")]
    assert source.poll(time.time()) == []
    assert source.status


class Scripted:
    """A source that gives what it is told to."""

    ended = False

    def __init__(self, name):
        self.name, self.status, self.next = name, message("{name} speaks.", name=name), []

    def poll(self, now):
        given, self.next = self.next, []
        return given

    def close(self):
        self.ended = True


def test_a_better_one_takes_over_only_after_a_while():
    """Twice as good for 20 s is worth a change of antenna; a short visit of it is not."""
    one, two = Scripted("one"), Scripted("two")
    team = ReceiverGroup([one, two])
    names = {}
    for n in range(60):
        one.next = [Fix(n, 52.0, -106.0, sigma=0.5)]
        two.next = [Fix(n, 52.0, -106.0, sigma=0.25 if n > 30 or 5 < n < 15 else 0.26 if n else 0.6)]
        team.poll(float(n))
        names[n] = team.name
    assert [n for n in names if names[n] == "two"] == list(range(31 + int(BETTER_S), 60))
    assert str(team.status) == "two knows better than one. two speaks."


def test_no_fix_of_the_second_goes_back_in_time():
    """At a change, what the second said about seconds already told is not told again."""
    one, two = Scripted("one"), Scripted("two")
    team = ReceiverGroup([one, two])
    one.next = [Fix(10.0, 52.0, -106.0, sigma=0.1)]
    assert [fix.t for fix in team.poll(10.0)] == [10.0]
    two.next = [Fix(t, 52.0, -106.0) for t in (9.0, 10.0, 13.0)]
    assert [fix.t for fix in team.poll(13.0)] == [13.0]


def test_a_change_is_said_for_two_minutes():
    """Afterwards the words are only of the receiver in use."""
    one, two = Scripted("one"), Scripted("two")
    team = ReceiverGroup([one, two])
    one.next = [Fix(0.0, 52.0, -106.0)]
    said = []
    for n in range(200):
        two.next = [Fix(n, 52.0, -106.0)]
        team.poll(float(n))
        said.append(str(team.status))
    assert said[0] == "one speaks."
    assert said[3] == "one gives no position. Using two. two speaks."
    assert said[-1] == "two speaks."


def test_losing_the_position_is_told_when_nobody_has_one():
    """One receiver that says "no position" is heard saying it."""
    one = Scripted("one")
    team = ReceiverGroup([one])
    one.next = [Fix(1.0, None, None, quality=0)]
    assert [fix.has_position for fix in team.poll(1.0)] == [False]


def test_a_port_named_by_a_person_is_looked_for_until_it_is_there(
    quick_search, serial_port, driving, talking, until, tmp_path
):
    """A port that is not there yet is no error; its receiver is found when it is plugged in."""
    source = open_receiver(str(tmp_path / "ttyLate") + "@9600", tmp_path / "raw")
    try:
        assert source.poll(time.time()) == [] and not source.ended
        talking(driving(serial_port("ttyLate")))
        until(lambda: source.poll(time.time()))
        assert source.name == "ttyLate"
    finally:
        source.close()
    assert [path for path in os.listdir(tmp_path / "raw") if "ttyLate" in path]
