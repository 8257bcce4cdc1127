"""The receiver page and a day brought in, by real clicks, against receivers that really speak."""

import json
import math
import socket
import threading
import time
from datetime import UTC, datetime
from functools import reduce

import pytest

from store import open_store
from store.models import Hitching, Stint, Tap

pytestmark = pytest.mark.window

LAT0, LON0 = 50.05, -105.2
WAY_M = 70.0  # one way of the check; 61 m (200 ft) is the least
M_LAT, M_LON = 111_229.0, 111_320.0 * math.cos(math.radians(LAT0))


def sentences(t, x, y, quality=2, sigma=0.22):
    """Return GGA, RMC and GST of a place in metres, with their checksums."""
    when = datetime.fromtimestamp(t, UTC)
    clock = when.strftime("%H%M%S.") + f"{when.microsecond // 10_000:02d}"

    def minutes(value, width):
        return f"{int(value):0{width}d}{(value - int(value)) * 60:010.7f}"

    place = f"{minutes(LAT0 + y / M_LAT, 2)},N,{minutes(-LON0 - x / M_LON, 3)},W"
    bodies = (
        f"GNGGA,{clock},{place},{quality},12,0.7,600.0,M,-20.0,M,,",
        f"GNGST,{clock},,,,,{sigma},{sigma},0.5",
        f"GNRMC,{clock},A,{place},0.1,,{when:%d%m%y},,,D",
    )
    return b"".join(f"${b}*{reduce(lambda a, c: a ^ c, b.encode()):02X}\r\n".encode() for b in bodies)


class Roof:
    """A receiver that sends what it says to UDP ports of this machine, ten times a second."""

    def __init__(self):
        self.at = lambda t: (11.0, 0.0)
        self.talking = True
        self.port = self._free()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    @staticmethod
    def _free():
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            return free.getsockname()[1]

    def _run(self):
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as out:
            while not self._stop.wait(0.1):
                if self.talking:
                    t = round(time.time(), 2)
                    out.sendto(sentences(t, *self.at(t)), ("127.0.0.1", self.port))

    def close(self):
        self._stop.set()
        self._thread.join(5)


@pytest.fixture
def roof():
    """A receiver on the roof, standing still in the field."""
    one = Roof()
    yield one
    one.close()


def texts(cab):
    return [t["text"] for t in cab.look()["things"] if t["text"]]


def shown(cab, part, patience=20.0):
    """Wait until some words on the screen hold a text, and return them."""
    return cab.wait(lambda: next((t for t in texts(cab) if part in t), None), f"words with {part!r}", patience)


def steady(cab, key):
    """Wait until a key stays where it is: a page lays itself out anew when something on it goes."""
    seen = []

    def same():
        seen.append(cab.find(key)["rect"])
        return len(seen) > 2 and seen[-1] == seen[-2] == seen[-3]

    cab.wait(same, f"{key!r} to stay where it is")


def to_set_up(cab):
    cab.tap("I have read this")
    steady(cab, "Set-up")
    cab.tap("Set-up")
    for digit in "1234":
        cab.tap(digit)
    cab.tap("Done")
    cab.find("Hitchings")


@pytest.fixture
def check(sizes):
    """Hold a page to the sizes a glove and an eye need, and keep a picture of it."""

    def look(cab, name):
        seen = cab.look()
        sizes.keys(seen)
        sizes.words(seen)
        cab.picture(f"receiver-{name}")

    return look


@pytest.mark.parametrize("size", ["1280x800", pytest.param("800x1280", marks=pytest.mark.long)])
def test_how_good_it_is_since_when_it_is_lost_and_another_one_by_taps(open_cab, farm, roof, check, size):
    """The page says what is connected and how good it is; when it falls silent, since when and what
    to do; another receiver is chosen by taps from an address typed with our own keys."""
    upright = "-tall" if size == "800x1280" else ""
    cab = open_cab("--store", farm["store"], "--receiver", f"udp:{roof.port}", "--size", size)
    to_set_up(cab)
    check(cab, "set-up" + upright)
    cab.tap("Receiver")
    shown(cab, "Good to about 2 ft between passes.")
    shown(cab, f"UDP port {roof.port} knows where it is. A place every 0.1")
    assert "from 12 satellites. It is here 0." in shown(cab, "satellites")
    check(cab, "good" + upright)
    roof.talking = False
    said = shown(cab, "I do not know where we are since ")
    assert said.split()[-1].strip(".").replace(":", "").isdigit()
    shown(cab, "power and its cable")
    check(cab, "lost" + upright)
    cab.tap("Choose receiver")
    cab.find("Find it by itself")
    shown(cab, "The tablet's own position") if not upright else None
    check(cab, "choose" + upright)
    cab.drag(400, 560, 400, 200) if not upright else None
    steady(cab, "Network port of this tablet")
    cab.tap("Network port of this tablet")
    cab.find("7")
    check(cab, "port" + upright)
    other = Roof()
    try:
        for digit in str(other.port):
            cab.tap(digit)
        cab.tap("Done")
        shown(cab, f"UDP port {other.port} knows where it is.")
        shown(cab, "Good to about 2 ft")
    finally:
        other.close()
    kept = json.loads((farm["store"].parent / "receiver" / "receivers.json").read_text())
    assert kept["use"] == f"udp:{other.port}"
    cab.tap("Back")
    cab.find("Set-up")


def test_the_check_both_ways_is_driven_read_and_written_by_taps(open_cab, farm, roof, check):
    """A line driven there and back with the antenna 0.45 m left of it: the page says 1.5 ft right,
    and one touch writes it into the hitching."""
    cab = open_cab("--store", farm["store"], "--receiver", f"udp:{roof.port}")
    to_set_up(cab)
    cab.tap("Receiver")
    shown(cab, "Good to about")
    cab.tap("Check both ways")
    shown(cab, "Drive 200 ft or more")
    begun, speed, stands = time.time(), 14.0, math.inf

    def drive(t):
        s = (min(t, stands) - begun) * speed
        if s < WAY_M:
            return 50.0 - 0.45, s
        turn = (s - WAY_M) / 6.0
        if turn < math.pi:
            return 56.0 - 6.45 * math.cos(turn), WAY_M + 6 * math.sin(turn)
        # back on the same line, so the antenna is on its other side, and on along it until told to stand
        return 50.0 + 0.45, WAY_M - (s - WAY_M - 6 * math.pi)

    # the turn ends beside the line; its last part goes over to it
    roof.at = drive
    cab.wait(lambda: time.time() - begun > (2 * WAY_M + 6 * math.pi) / speed, "the drive to be driven")
    cab.tap("Done")
    shown(cab, "Stand still first; the drive is kept.")
    stands = time.time()
    cab.wait(lambda: cab.look()["standing"], "the tractor to stand")
    check(cab, "both-ways")
    assert cab.look()["screen"] == "receiver"
    cab.tap("Done")
    shown(cab, "The middle lies 1.5 ft right of the antenna. Write 1.5 ft right into the hitching.")
    check(cab, "found")
    cab.tap("Tractor 1, 40 ft roller")
    shown(cab, "Written. It counts from the next take-over on.")
    cab.find("Tractor 1, 40 ft roller")
    with open_store(farm["store"]) as store:
        assert store.all(Hitching)[0].side_m == pytest.approx(0.45, abs=0.02)


def test_where_an_antenna_sits_is_said_by_taps(open_cab, farm, roof, check):
    """Four feet three inches ahead are tapped in, written down and read back."""
    cab = open_cab("--store", farm["store"], "--receiver", f"udp:{roof.port}")
    to_set_up(cab)
    cab.tap("Receiver")
    shown(cab, "Good to about")
    cab.tap("Antennas")
    cab.tap(f"UDP port {roof.port}")
    for _ in range(4):
        cab.tap("+1 ft")
    for _ in range(3):
        cab.tap("+1 in")
    shown(cab, "4 ft 3 in ahead")
    check(cab, "antenna")
    cab.tap("Write down")
    kept = farm["store"].parent / "receiver" / "receivers.json"
    cab.wait(lambda: kept.exists() and "ahead_m" in kept.read_text(), "the place to be kept")
    [place] = json.loads(kept.read_text())["antennas"].values()
    assert place["ahead_m"] == pytest.approx(51 * 0.0254, abs=1e-3) and place["right_m"] == 0.0


def test_it_is_reached_from_more_and_shuts_when_the_tractor_moves_off(open_cab, farm, roof, check):
    """In a stint the page opens from More; at a walking pace and more the pass screen comes back."""
    cab = open_cab("--store", farm["store"], "--receiver", f"udp:{roof.port}")
    cab.tap("I have read this")
    cab.tap("Same as last time")
    cab.wait_view(state="ready")
    cab.tap("More")
    cab.tap("This tablet")
    cab.find("Receiver")
    check(cab, "more")
    cab.tap("Receiver")
    shown(cab, "Good to about 2 ft")
    begun = time.time()
    roof.at = lambda t: (11.0, (t - begun) * 3.0)
    cab.wait(lambda: cab.look()["screen"] == "pass", "the pass screen to come back")


@pytest.fixture
def recorded(farm, tmp_path):
    """A recording in the tablet's folder: from the yard to the field, six passes, ten minutes of
    standing, four passes, home."""
    t, rows = 1_779_200_000.0, []

    def go(x0, y0, x1, y1, speed):
        nonlocal t
        for k in range(max(1, round(math.dist((x0, y0), (x1, y1)) / speed))):
            share = k / max(1, round(math.dist((x0, y0), (x1, y1)) / speed))
            rows.append((t, x0 + (x1 - x0) * share, y0 + (y1 - y0) * share))
            t += 1.0

    def stand(x, y, seconds):
        nonlocal t
        for _ in range(seconds):
            rows.append((t, x, y))
            t += 1.0

    stand(-900, 0, 300)
    go(-900, 0, 30, 0, 8.0)
    for n in range(10):
        x, ends = 30 + 12 * n, (0, 400) if n % 2 == 0 else (400, 0)
        go(x, ends[0], x, ends[1], 2.5)
        side = 1 if n % 2 == 0 else -1
        for k in range(1, 9):
            a = math.pi * k / 9
            rows.append((t, x + 6 - 6 * math.cos(a), ends[1] + side * 6 * math.sin(a)))
            t += 1.0
        if n == 5:
            stand(x + 12, ends[1], 600)
    go(150, 0, -900, 0, 8.0)
    folder = tmp_path / "home" / "recordings"
    folder.mkdir(parents=True)
    (folder / "tuesday.csv").write_text(
        "time,lat,lon,quality\n" + "".join(f"{t},{LAT0 + y / M_LAT:.8f},{LON0 + x / M_LON:.8f},4\n" for t, x, y in rows)
    )
    return rows


@pytest.mark.parametrize("size", ["1280x800", pytest.param("800x1280", marks=pytest.mark.long)])
def test_a_day_is_brought_in_by_taps(open_cab, farm, recorded, check, size):
    """One touch says yes to a spell of work, leaves another out or changes what it was; what was
    agreed to is a stint in the logbook and nothing else is."""
    upright = "-tall" if size == "800x1280" else ""
    cab = open_cab("--store", farm["store"], "--receiver", "none", "--size", size)
    with open_store(farm["store"]) as store:
        before = len(store.all(Stint))
    to_set_up(cab)
    cab.tap("Bring in a day")
    check(cab, "files" + upright)
    cab.tap("tuesday.csv")
    cab.find("Leave out")
    rows = [t["text"] for t in cab.look()["things"] if t["kind"] == "Row"]
    assert [row.split(" ", 1)[0] for row in rows[:1]] == ["On"], rows
    worked = [row for row in rows if row.startswith("Heron Flat: working")]
    assert len(worked) == 2
    check(cab, "brought" + upright)
    cab.tap("Yes")
    cab.wait(lambda: [t for t in texts(cab) if t.endswith(": yes")], "the first part to be agreed to")
    cab.tap("Change")
    check(cab, "change" + upright)
    cab.tap("harrowing")
    cab.wait(lambda: [t for t in texts(cab) if t.startswith("harrowing")], "the second part to be changed")
    check(cab, "agreed" + upright)
    cab.tap("Write down")
    shown(cab, "Written: 2.")
    with open_store(farm["store"]) as store:
        new = store.all(Stint)[before:]
        assert len(new) == 2
        taps = [[tap.kind for tap in store.all(Tap, stint_id=one.id)] for one in new]
        assert taps == [["start", "stop", "finish"]] * 2
        assert store.check() == []
    # the same day again is refused, and nothing is written twice
    cab.tap("tuesday.csv")
    cab.tap("Yes")
    cab.wait(lambda: [t for t in texts(cab) if t.endswith(": yes")], "the first part to be agreed to")
    cab.tap("Leave out")
    cab.wait(lambda: "left out" in texts(cab), "the second part to be left out")
    cab.tap("Write down")
    shown(cab, "is in this logbook already")
    with open_store(farm["store"]) as store:
        assert len(store.all(Stint)) == before + 2


def test_a_recording_is_replayed_and_left_again_by_taps(open_cab, farm, recorded):
    """Chosen by taps a recording plays in its own time and says so; "No receiver" ends it."""
    cab = open_cab("--store", farm["store"], "--receiver", "none")
    to_set_up(cab)
    cab.tap("Receiver")
    shown(cab, "No receiver is used.")
    cab.tap("Choose receiver")
    cab.find("Find it by itself")
    cab.drag(400, 560, 400, 100)
    steady(cab, "A recording")
    cab.tap("A recording")
    cab.tap("tuesday.csv")
    shown(cab, "Replaying tuesday.csv.")
    shown(cab, "Good to about 2 in between passes.")
    assert abs(cab.look()["view"]["now"] - recorded[0][0]) < 60
    cab.tap("Choose receiver")
    cab.find("Find it by itself")
    cab.drag(400, 560, 400, 100)
    steady(cab, "No receiver")
    cab.tap("No receiver")
    shown(cab, "No receiver is used.")
    assert abs(cab.look()["view"]["now"] - time.time()) < 60
