"""The receiver that was chosen: found, changed while the cab is open, remembered."""

import time
from functools import partial
from types import SimpleNamespace

import pytest

from cabapp.position.calibration.antenna_offset import Antenna
from cabapp.position.receivers import discovery, receiver_address
from cabapp.position.receivers.discovery import named_ports
from cabapp.position.receivers.receiver_settings import ReceiverSettings
from cabapp.position.receivers.selected_receiver import SelectedReceiver
from cabapp.session import Session
from cabapp.session.state import position_state
from store.errors import Refused, TraceRefused


@pytest.fixture
def choose(tmp_path):
    """Make a Chosen whose files lie in the test's folder; closed afterwards."""
    made = []

    def make(words=None, **options):
        made.append(SelectedReceiver(tmp_path / "receiver", words, **options))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.fixture
def speaking(serial_port, talking, told_by_a_receiver, sea_place):
    """Plug in a receiver of some name that says the present second of standing still."""

    def make(name, north=0.0):
        port = serial_port(name)
        talking(lambda: port.say(told_by_a_receiver(round(time.time(), 2), *sea_place(0.0, north))))
        return port.path

    return make


def test_another_receiver_is_used_while_the_session_runs(choose, speaking, sea_farm, until):
    """Chosen anew in mid-work, the other receiver's fixes reach the same session; none is lost open."""
    one, two = speaking("ttyOne"), speaking("ttyTwo", 3.0)
    chosen = choose(one)
    session = Session(sea_farm.store, chosen, chosen)
    sea_farm.take_over(session)
    session.tap("start")
    until(lambda: session.tick().position == "good")
    assert chosen.name == "ttyOne"
    with chosen._changing:  # as long as the one before is being closed
        chosen.use(two)
        assert str(chosen.status) == "Changing the receiver."
    until(lambda: session.tick().position == "good" and chosen.name == "ttyTwo")
    # the port let go of can be taken again at once
    chosen.use(one)
    until(lambda: session.tick().position == "good" and chosen.name == "ttyOne")


def test_a_stint_goes_on_without_a_receiver_and_with_one_again(choose, speaking, sea_farm, until, monkeypatch):
    """ "No receiver" chosen in mid-work: nothing is lost from then on and no place is known; a receiver
    chosen again is heard again, and one that is only not found is still lost."""
    monkeypatch.setattr(position_state, "LOST_AFTER_S", 1.0)
    port = speaking("ttyOne")
    chosen = choose(port)
    session = Session(sea_farm.store, chosen, chosen)
    sea_farm.take_over(session)
    session.tap("start")
    until(lambda: session.tick().position == "good")
    chosen.use("none")
    view = session.tick()
    assert (view.state, view.position, view.lost_since, view.speed) == ("working", "none", None, None)
    session.tap("pass_counted", passes=1)
    assert session.view.pass_tally == 1
    chosen.use(port)
    until(lambda: session.tick().position == "good")
    chosen.use(port + "-not-there")
    until(lambda: session.tick().position == "lost")


def test_what_was_chosen_is_chosen_again(choose, speaking, tmp_path):
    """A choice holds when the cab is opened again; what was said for one run does not change it."""
    path = speaking("ttyOne")
    assert choose("udp:5991").address == "udp:5991"
    assert ReceiverSettings(tmp_path / "receiver").use == "auto"
    choose("none").use(path)
    assert choose().address == path


def test_words_that_name_nothing_leave_all_as_it_was(choose, tmp_path):
    """A wrong choice is refused in words and the receiver in use stays."""
    chosen = choose("none")
    with pytest.raises(Refused, match="names no receiver"):
        chosen.use("tcp:nowhere")
    with pytest.raises(TraceRefused, match="There is no file"):
        chosen.use(f"file:{tmp_path / 'none.gpx'}")
    assert (chosen.address, str(chosen.status)) == ("none", "No receiver is used.")


def test_a_recording_brings_its_own_time(choose, tmp_path):
    """While a recording is replayed it is the recording's time; afterwards the wall's again."""
    path = tmp_path / "drive.csv"
    path.write_text("time,lat,lon\n" + "\n".join(f"{1_779_000_000 + n},47.0,-30.{n:04d}" for n in range(30)))
    chosen = choose("none", begin=lambda recording: recording.starts + 10.0)
    chosen.use(f"file:{path}")
    assert chosen.now() == pytest.approx(1_779_000_010.0, abs=2.0)
    assert len(chosen.poll(chosen.now())) >= 10 and str(chosen.status) == "Replaying drive.csv."
    chosen.use("none")
    assert chosen.now() == pytest.approx(time.time(), abs=2.0)
    # nobody finds a recording running next morning
    assert choose().address == "none"


def test_where_an_antenna_sits_is_used_at_once(choose, speaking, until):
    """Written down while the receiver runs, the place enlarges the error until it has moved."""
    chosen = choose(speaking("ttyOne"))
    until(lambda: chosen.poll(chosen.now()))
    assert chosen.names == ("ttyOne",)
    chosen.set_antenna("ttyOne", Antenna(ahead=2.0))
    given = []
    until(lambda: given or given.extend(chosen.poll(chosen.now())))
    assert given[-1].sigma > 2.0 and chosen.settings.antenna("ttyOne").ahead == 2.0


# as pyserial lists them: device, description, hardware id, USB vendor, USB product (from memory)
LISTED = [
    ("/dev/ttyS0", "ttyS0", "PNP0501", None, None, "Serial port (ttyS0)"),
    ("/dev/ttyUSB0", "FT232R USB UART", "USB VID:PID=0403:6001", 0x403, "FT232R", "USB (ttyUSB0, FT232R)"),
    ("/dev/ttyACM0", "n/a", "n/a", None, None, "USB (ttyACM0)"),
    ("/dev/rfcomm0", "n/a", "n/a", None, None, "Bluetooth (rfcomm0)"),
    ("COM7", "Standard Serial over Bluetooth link (COM7)", "BTHENUM\\{0000}", None, None, "Bluetooth (COM7)"),
]


def test_ports_are_named_for_a_person_the_likeliest_first(monkeypatch):
    """USB before Bluetooth before a port soldered in; each says what it is."""
    listed = [SimpleNamespace(device=d, description=text, hwid=h, vid=v, product=p) for d, text, h, v, p, _ in LISTED]
    monkeypatch.setattr(discovery.list_ports, "comports", lambda: listed)
    named = named_ports()
    assert {device: str(name) for device, name in named.items()} == {device: words for device, *_, words in LISTED}
    assert list(named) == ["/dev/ttyACM0", "/dev/ttyUSB0", "/dev/rfcomm0", "COM7", "/dev/ttyS0"]
    assert discovery.ports() == list(named)


def test_a_receiver_over_bluetooth_serial_is_found(choose, speaking, monkeypatch, until):
    """A port named as Linux names Bluetooth serial is found by itself and says where it is."""
    path = speaking("rfcomm0")
    found = partial(discovery.ReceiverDiscovery, list_ports=lambda: [path], gpsd=None)
    monkeypatch.setattr(receiver_address, "ReceiverDiscovery", found)
    chosen = choose("auto")
    until(lambda: chosen.poll(time.time()))
    assert chosen.name == "rfcomm0" and chosen.state == "good"
