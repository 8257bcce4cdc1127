"""The receiver command, and the cab's option, against a receiver that really speaks."""

import json
import re
import time

import pytest

from cabapp.__main__ import build_parser, main
from cabapp.common.clock import WallClock
from cabapp.position.receivers.discovery import ReceiverDiscovery
from cabapp.position.receivers.receiver_address import ReceiverRefused, open_receiver
from cabapp.position.receivers.receiver_group import ReceiverGroup
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.session import Session


@pytest.fixture
def speaking(serial_port, talking, told_by_a_receiver, sea_place):
    """A port at which a receiver says where it stands, ten times a second."""
    port = serial_port()
    talking(
        lambda: port.say(
            told_by_a_receiver(round(time.time(), 2), *sea_place(3.0, 4.0), kinds=("GGA", "RMC", "GST"), sigma=0.22)
        )
    )
    return port


def test_what_is_found_is_said_in_words(speaking, tmp_path, capsys):
    """The command finds the receiver at the port and says how good it is; what it said is kept."""
    assert main(["receiver", "--port", speaking.path, "--for", "3", "--keep", str(tmp_path / "kept")]) == 0
    said = capsys.readouterr().out
    assert "ttyTest0 knows where it is." in said
    assert "Good to about 2 ft between passes." in said
    assert re.search(r"A place every 0\.1\d* s from 12 satellites\.", said)
    [kept] = (tmp_path / "kept").iterdir()
    trace = read_recording(kept)
    assert len(trace.tracks[0].t) > 10 and set(trace.tracks[0].sigma) == {0.22}


def test_figures_for_a_program(speaking, sea_place, capsys):
    """With --json the last state is one object, with place and latency."""
    assert main(["receiver", "--port", speaking.path, "--for", "2.5", "--json"]) == 0
    state = json.loads(capsys.readouterr().out)
    assert (state["receiver"], state["state"]) == ("ttyTest0", "good")
    assert (state["lat"], state["lon"]) == pytest.approx(sea_place(3.0, 4.0), abs=1e-8)
    assert -0.01 <= state["latency_s"] < 1.0
    assert state["between_passes_m"] == pytest.approx(0.61, abs=0.005)


def test_nothing_there_is_a_sentence_and_status_1(tmp_path, capsys):
    """A port that is not there is said, with what to do; the status tells that no position came."""
    assert main(["receiver", "--port", str(tmp_path / "ttyNone"), "--for", "0.3"]) == 1
    captured = capsys.readouterr()
    assert "No receiver is found. Plug one in; I keep looking." in captured.out
    assert "No position was found. Plug the receiver in" in captured.err


@pytest.mark.parametrize("words", ["tcp:here", "udp:0", "udp:99999", "gpsd:", "usb", "", "tcp:a:b", "/dev/x@1"])
def test_words_that_name_no_receiver(words):
    """What names nothing is refused with the forms there are."""
    with pytest.raises(ReceiverRefused, match=r"names no receiver\. Say auto, none"):
        open_receiver(words)


def test_no_receiver_wanted_is_no_source():
    """ "none" opens nothing."""
    assert open_receiver("none") is None


@pytest.mark.parametrize("words", [[], ["--receiver", "auto"], ["--receiver", "udp:5017"]])
def test_the_cab_takes_a_receiver(words):
    """The cab takes the receiver it is told, else the one chosen on its screen."""
    assert build_parser("cab").parse_args(["cab", *words]).receiver == (words[-1] if words else None)


def test_the_cab_refuses_a_receiver_beside_a_replay(capsys):
    """A recording and a receiver at once is wrong usage."""
    with pytest.raises(SystemExit, match="2"):
        main(["cab", "--receiver", "udp:5017", "--replay", "x.gpx"])


def test_looking_for_a_receiver_is_a_day_without_one_until_it_is_found(sea_farm, speaking, until):
    """While none is found nobody is told that the position is lost; once found it is good."""
    there = []
    group = ReceiverGroup()
    ReceiverDiscovery(group, list_ports=lambda: there, gpsd=None)
    session = Session(sea_farm.store, WallClock(), group)
    try:
        sea_farm.take_over(session)
        session.tap("start")
        assert session.tick().position == "none"
        there.append(speaking.path)
        until(lambda: session.tick().position == "good")
    finally:
        session.close()
