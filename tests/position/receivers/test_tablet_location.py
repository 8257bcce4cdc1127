"""The tablet's own position, against plyer's own class with a platform made up for the test."""

import math
import subprocess
import sys

import pytest

plyer = pytest.importorskip("plyer", reason="plyer is not installed (the extra 'tablet')")

from plyer.facades import GPS  # noqa: E402

from cabapp.position.receivers import tablet_location  # noqa: E402
from cabapp.position.receivers.tablet_location import OF_68, TabletReceiver  # noqa: E402
from cabapp.session import Session  # noqa: E402
from cabapp.track.receiver_error import KINDS  # noqa: E402

T0 = 1_779_000_000.0


class Platform(GPS):
    """A platform: plyer's facade with the three methods a platform fills in."""

    def _configure(self):
        self.running = None

    def _start(self, **wanted):
        self.running = wanted

    def _stop(self):
        self.running = None


@pytest.fixture
def at():
    """A clock set by hand: at[0] is now."""
    return [T0]


@pytest.fixture
def tell(at):
    """A tablet's receiver on the made-up platform, and what tells it a place."""
    gps = Platform()
    receiver = TabletReceiver(gps, lambda: at[0])

    def say(seconds, **place):
        at[0] = T0 + seconds
        gps.on_location(**({"lat": 47.0, "lon": -30.0, "speed": 2.0, "bearing": 9.0, "altitude": 3.0} | place))
        return receiver.poll(at[0])

    say.gps, say.receiver = gps, receiver
    return say


def test_a_place_told_by_the_platform_is_a_fix(tell):
    """Latitude, longitude and the radius of 68 of 100 become a fix with its deviation per axis."""
    [fix] = tell(1.0, accuracy=4.9)
    assert (fix.t, fix.lat, fix.lon) == (T0 + 1.0, 47.0, -30.0)
    # a Rayleigh radius r holds 1 - exp(-r^2 / 2 s^2)
    assert 1 - math.exp(-(4.9**2) / (2 * fix.sigma**2)) == pytest.approx(0.68)
    assert tell.gps.running == {"minTime": tablet_location.EVERY_MS, "minDistance": 0}


def test_without_a_stated_radius_it_is_taken_for_five_metres(tell):
    """A platform that states no accuracy is a phone of the table: 4.9 m radius."""
    [fix] = tell(1.0)
    assert fix.sigma == KINDS["phone"].absolute and fix.sigma * OF_68 == pytest.approx(4.9, abs=0.1)


@pytest.mark.parametrize("place", [{"lat": 0.0, "lon": 0.0}, {"lat": 91.0}, {"lat": None}])
def test_no_place_is_no_fix(tell, place):
    """Nowhere, off the globe and nothing at all give nothing."""
    assert tell(1.0, **place) == []


def test_a_mast_between_two_satellite_places_is_left_out(tell):
    """A place so much worse than the one a second ago is another provider's; alone it counts."""
    assert tell(1.0, accuracy=4.0) and not tell(2.0, accuracy=40.0) and tell(3.0, accuracy=4.0)
    assert tell(20.0, accuracy=40.0)


def test_it_says_how_good_it_is(tell, at, sea_farm):
    """The words say 5 m; with a 12 m roller the session calls it poor, and claims nothing of laps."""
    clock = type("At", (), {"boot": None, "now": lambda self: at[0], "steady": lambda self: at[0]})()
    session = Session(sea_farm.store, clock, tell.receiver)
    sea_farm.take_over(session)
    session.tap("start")
    for n in range(20):
        at[0] = T0 + n
        tell.gps.on_location(lat=47.0 + n * 2e-5, lon=-30.0, accuracy=4.9)
        view = session.tick()
    assert "about 5 m (16 ft)" in str(tell.receiver.status)
    assert view.position == "poor"
    session.close()
    assert tell.gps.running is None and tell.receiver.poll(at[0]) == []


def test_a_desktop_says_so_and_nothing_breaks():
    """On desktop Linux plyer has no position: a sentence, no traceback, and the cab goes on."""
    code = (
        "from cabapp.position.receivers.selected_receiver import SelectedReceiver\n"
        "c = SelectedReceiver(None, 'tablet'); print(c.status); print(c.poll(1.0)); c.close()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.splitlines() == [str(tablet_location.NOT_HERE), "[]"]
    assert done.stderr == ""


def test_a_platform_that_only_pretends_says_so():
    """plyer's bare facade, which implements nothing, is told in the same sentence."""
    receiver = TabletReceiver(GPS(), lambda: T0)
    assert receiver.status == tablet_location.NOT_HERE and receiver.poll(T0) == []
    receiver.close()


def test_a_platform_that_refuses_is_told():
    """When the person has not allowed it, what the platform says is in the words."""

    class Refusing(Platform):
        def _start(self, **_wanted):
            raise PermissionError("location is off")

    receiver = TabletReceiver(Refusing(), lambda: T0)
    assert "location is off" in str(receiver.status) and "Allow it" in str(receiver.status)


def test_without_plyer_it_is_a_sentence(monkeypatch):
    """A machine without plyer is told what is missing."""
    monkeypatch.setattr(tablet_location.importlib.util, "find_spec", lambda name: None)
    assert TabletReceiver().status == tablet_location.NO_PLYER
