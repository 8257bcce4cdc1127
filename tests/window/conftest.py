"""A display, a small invented farm with a trace to replay, and a hand that taps the real window."""

import contextlib
import itertools
import json
import math
import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest

from tests.window import cab_process

ROOT = Path(__file__).parents[2]
# searched for doctests they would load Kivy into each worker, and open a window there
collect_ignore = ["preloaded.py", "probe.py"]
os.environ.setdefault("KIVY_NO_ARGS", "1")
os.environ.setdefault("KIVY_LOG_MODE", "PYTHON")
PATIENCE_S = float(os.environ.get("ROLLBOOK_PATIENCE", "40"))
DPI = 149.0
QUICK_S = 0.5  # what a tap brings is looked for at each frame, later things at each tick
TOUCH_S = 0.02
FRAME_S = (
    1.0  # so seldom is a frame drawn of which no picture is taken; where frames are looked at, `cab.ask("draw 0")`
)
REMINDS = 6  # the rank of a sentence that asks for nothing at once
DAY0 = 1779375600.0  # a Thursday in May, 09:00 in the farm's zone


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    """Where window tests are required, one that is skipped has failed."""
    report = yield
    if report.skipped and os.environ.get("ROLLBOOK_WINDOW_TESTS") == "required":
        report.outcome = "failed"
        report.longrepr = f"{item.name} was skipped, but ROLLBOOK_WINDOW_TESTS=required: {call.excinfo.value}"
    return report


@pytest.fixture(scope="session")
def display():
    """Yield the name of an X display: Xvfb of our own, else the one that is there."""
    try:
        import Xlib.display  # noqa: F401
    except ImportError:
        pytest.skip("python-xlib is not installed, so nothing can tap the window")
    program = shutil.which("Xvfb")
    if program is None:
        if not os.environ.get("DISPLAY"):
            pytest.skip("there is neither a display nor Xvfb")
        yield os.environ["DISPLAY"]
        return
    told, tell = os.pipe()
    server = subprocess.Popen(
        [program, "-displayfd", str(tell), "-screen", "0", "1920x1280x24", "-nolisten", "tcp", "-noreset"],
        pass_fds=(tell,), stderr=subprocess.DEVNULL, preexec_fn=cab_process.end_with_parent,
    )  # fmt: skip
    os.close(tell)
    with os.fdopen(told) as pipe:
        number = pipe.readline().strip()
    if not number:
        pytest.skip("Xvfb did not start")
    yield f":{number}"
    server.terminate()
    server.wait(10)


class Cab:
    """The cab in its own process, seen through the probe and moved by X events."""

    def __init__(self, display, folder, words, program):
        words = [str(word) for word in words]
        from Xlib import X
        from Xlib.display import Display

        self.X, self.folder = X, folder
        self._display, self._socket_path = Display(display), str(folder / "probe")
        with contextlib.suppress(FileNotFoundError):
            os.unlink(self._socket_path)
        environment = {k: v for k, v in os.environ.items() if k not in ("WAYLAND_DISPLAY", "SDL_VIDEODRIVER")}
        environment |= {
            "DISPLAY": display, "ROLLBOOK_PROBE": self._socket_path, "ROLLBOOK_HOME": str(folder / "home"),
            "PYTHONPATH": str(ROOT), "LIBGL_ALWAYS_SOFTWARE": "1",
            "ROLLBOOK_STICKS": str(folder / "sticks"),
        }  # fmt: skip
        self._errors = folder / "stderr"
        words = [*(() if "--dpi" in words else ("--dpi", str(DPI))), *words]
        self.process = cab_process.launched(words, environment, self._errors, program)
        self._lines, self.language, self._events = None, {}, {"frame": 0, "tick": 0}
        self.wait(self._connect, "the probe answers")
        self.ask(f"draw {FRAME_S}")
        self.wait(lambda: self.look()["things"], "something is drawn")
        self._left, self._top = self._corner()

    def _corner(self):
        """Return where the window lies on the display, pixels."""
        place = self.windows()[-1].get_geometry()
        return place.x, place.y

    def windows(self):
        """Return the windows that are shown on the display."""
        every = self._display.screen().root.query_tree().children
        return [w for w in every if w.get_attributes().map_state == self.X.IsViewable]

    def _connect(self):
        if self.process.poll() is not None:
            pytest.fail(f"the cab went out with {self.process.poll()}: {self.stderr()}")
        peer = socket.socket(socket.AF_UNIX)
        try:
            peer.connect(self._socket_path)
        except OSError:
            return False
        self._lines = peer.makefile("rw")
        return True

    def stderr(self):
        """Return what the cab wrote on its standard error and in its log."""
        log = self.folder / "home" / "cab.log"
        return (self._errors.read_text() if self._errors.exists() else "") + (log.read_text() if log.exists() else "")

    def ask(self, words):
        self._lines.write(words + "\n")
        self._lines.flush()
        line = self._lines.readline()
        if not line:
            pytest.fail(f"the cab went out with {self.process.wait(5)}: {self.stderr()[-3000:]}")
        answer = json.loads(line)
        assert "fault" not in answer, answer
        return answer

    def look(self):
        """Return what is on the screen now."""
        seen = self.ask("look")
        self._events = seen["events"]
        return seen

    def wait(self, condition, what, patience=PATIENCE_S):
        """Ask again and again until a condition holds, and return what it gave."""
        begun, event = time.monotonic(), "beat"  # what is shown at the next tick is not waited for
        while True:
            got = condition()
            if got:
                return got
            if time.monotonic() - begun > patience:
                seen = self.look() if self._lines else {}
                pytest.fail(
                    f"waited in vain: {what}\nscreen {seen.get('screen')}\nview {seen.get('view')}\n"
                    f"texts {[t['text'] for t in seen.get('things', [])]}\n{self.stderr()[-3000:]}"
                )
            self._pause(event)
            event = "frame" if time.monotonic() - begun < QUICK_S else "tick"

    def _pause(self, event):
        """Wait for a frame or a tick later than those of the last look, or make the tick come now ("beat")."""
        if self._lines is None:
            time.sleep(0.01)  # a socket that is not there gives no event
        else:
            answer = self.ask("beat" if event == "beat" else f"{event} {self._events[event]}")
            self._events = answer.get("events", self._events)  # the condition need not look

    def wait_view(self, patience=PATIENCE_S, **wanted):
        """Wait until the view has these values."""

        def same():
            view = self.look()["view"]
            return view if all(view[k] == v for k, v in wanted.items()) else None

        return self.wait(same, f"the view to have {wanted}", patience)

    def wait_hurried(self, condition, what, then, times=30):
        """Wait for a condition while the replay runs faster; let it run as fast as `then` afterwards."""
        self.ask(f"speed {times}")
        got = self.wait(condition, what, 300)  # on a busy machine a replay is slower
        self.ask(f"speed {then}")
        return got

    def find(self, text, kinds=("key", "Row", "HoldKey")):
        """Return the thing that shows a text, or whose text begins with it, once it can be tapped."""
        text = self._in_language(text)

        def found():
            things = [t for t in self.look()["things"] if t["kind"] in kinds and not t["disabled"]]
            same = [t for t in things if t["text"] == text] or [t for t in things if t["text"].startswith(text)]
            return same[0] if same else None

        return self.wait(found, f"a key {text!r}")

    def _in_language(self, text):
        """Return what the screens say for English words, or for the beginning of some."""
        begun = [word for word in self.language if len(text) > 3 and word.startswith(text)]
        verbs = {f"{verb} rolling": f"{verb} {{verb}}" for verb in ("Start", "Stop")}
        if text in verbs and self.language:
            return self.language[verbs[text]].format(verb=self.language["rolling"])
        small = self.language.get(text[:1].lower() + text[1:], "")  # a word that the screens begin with a capital
        said = self.language.get(text) or small[:1].upper() + small[1:]
        return said or (self.language[begun[0]] if begun else text)

    def go(self, *keys):
        """Tap keys one after the other, each once it is there."""
        for key in keys:
            self.tap(key)

    def texts(self):
        """Return all that is written on the screen."""
        return [thing["text"] for thing in self.look()["things"]]

    def said(self, rank, beginning):
        """Wait for a sentence on the cab's own line, of this rank, and return its words."""

        def there():
            seen = self.look()
            sentence = seen["view"]["sentence"]
            on_line = any(thing["text"] == (sentence or {}).get("words") for thing in seen["things"])
            return sentence if sentence and on_line and sentence["words"].startswith(beginning) else None

        sentence = self.wait(there, f"the line to say {beginning!r}")
        assert sentence["rank"] == rank and sentence["act_now"] == (rank != REMINDS)
        return sentence["words"]

    def move(self, x, y):
        from Xlib.ext import xtest

        xtest.fake_input(self._display, self.X.MotionNotify, x=int(x + self._left), y=int(y + self._top))
        self._display.sync()

    def press(self, x, y, seconds=TOUCH_S, button=1, until=None):
        """Press and let go at a place of the window after a time, or once a condition holds."""
        from Xlib.ext import xtest

        self.move(x, y)
        xtest.fake_input(self._display, self.X.ButtonPress, button)
        self._display.sync()
        if until:
            self.wait(until, "what a hold brings")
        else:
            time.sleep(seconds)  # how long a finger rests; not a wait for anything
        xtest.fake_input(self._display, self.X.ButtonRelease, button)
        self._display.sync()
        self.settle()

    def settle(self):
        """Wait until the window has dealt with all events sent so far, or is gone."""
        answer = None
        with contextlib.suppress(OSError):
            self._lines.write("settle\n")
            self._lines.flush()
            answer = self._lines.readline()
        if not answer:
            self._lines = None  # the cab has ended, if not its process

    def drag(self, x0, y0, x1, y1):
        """Press at one place, slide, and let go at another."""
        from Xlib.ext import xtest

        self.move(x0, y0)
        xtest.fake_input(self._display, self.X.ButtonPress, 1)
        self._display.sync()
        self.settle()  # Kivy takes moves that come together with the press for no moves
        for k in range(1, 6):
            self.move(x0 + (x1 - x0) * k / 5, y0 + (y1 - y0) * k / 5)
            time.sleep(0.004)  # a finger is no jump
        xtest.fake_input(self._display, self.X.ButtonRelease, 1)
        self._display.sync()
        self.settle()

    def hold(self, text):
        """Hold the key that shows a text until it has been held for as long as it wants."""
        self.tap(text, until=lambda: self.find(text)["held"] >= 1.0)

    def hold_corner(self):
        """Hold the top left corner until the question to leave is there."""
        self.press(20, 20, until=lambda: "Stay" in self.texts())

    def tap(self, text, button=1, until=None):
        """Tap the thing that shows a text, once it lies where it lay a tick before."""
        before, rect = None, self.find(text)["rect"]
        while rect != before:
            self._pause("beat")
            before, rect = rect, self.find(text)["rect"]
        left, top, right, bottom = rect
        self.press((left + right) / 2, (top + bottom) / 2, button=button, until=until)

    def key(self, name):
        """Press a key of the keyboard."""
        from Xlib import XK
        from Xlib.ext import xtest

        code = self._display.keysym_to_keycode(XK.string_to_keysym(name))
        for event in (self.X.KeyPress, self.X.KeyRelease):
            xtest.fake_input(self._display, event, code)
        self._display.sync()

    def close_window(self):
        """Ask the window to close, as a window manager does."""
        from Xlib.protocol.event import ClientMessage

        protocols, delete = (self._display.intern_atom(n) for n in ("WM_PROTOCOLS", "WM_DELETE_WINDOW"))
        windows = self.windows()
        assert windows, "the cab has no window on the display"
        for window in windows:
            window.send_event(ClientMessage(window=window, client_type=protocols, data=(32, [delete, 0, 0, 0, 0])))
        self._display.sync()

    def picture(self, name):
        """Keep a picture of the window and return its path."""
        folder = Path(os.environ.get("ROLLBOOK_ARTEFACTS", ROOT / "artefacts"))
        folder.mkdir(parents=True, exist_ok=True)
        made = Path(self.ask(f"shot {self.folder / name}.png")["path"])
        return Path(shutil.move(made, folder / f"{name}.png"))

    def kill(self):
        """Cut the power."""
        os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait(10)

    def close(self):
        """End the process."""
        if self.process.poll() is None:
            self.kill()
        self._display.close()


@pytest.fixture(scope="session")
def loaded(tmp_path_factory):
    """Load the cab's modules once for all cabs of this worker."""
    cab_process.begin(tmp_path_factory.mktemp("kivy"))


@pytest.fixture
def open_cab(display, loaded, tmp_path):
    """Return a function that opens the cab with command-line words; all are closed afterwards."""
    opened = []

    def open_one(*words, program=None):
        opened.append(Cab(display, tmp_path, words, program))
        return opened[-1]

    yield open_one
    for cab in opened:
        cab.close()


LAT0, LON0 = 50.05, -105.2
M_LAT = 111_229.0  # metres in a degree of latitude near 50 N
M_LON = 111_320.0 * math.cos(math.radians(LAT0))


def _place(x, y):
    return LAT0 + y / M_LAT, LON0 + x / M_LON


def _drive(points, t, speed=3.0, hz=10):
    """Return (t, lat, lon) along points in metres, so many a second."""
    rows = []
    for (x0, y0), (x1, y1) in itertools.pairwise(points):
        steps = max(1, round(math.dist((x0, y0), (x1, y1)) / speed * hz))
        for k in range(steps):
            rows.append((t, *_place(x0 + (x1 - x0) * k / steps, y0 + (y1 - y0) * k / steps)))
            t += 1 / hz
    return rows


@pytest.fixture
def drive():
    """Return what makes (t, lat, lon) ten times a second along points in metres."""
    return _drive


STAND_S = 45.0


@pytest.fixture(scope="session")
def rolled(tmp_path_factory):
    """Return a folder with the logbook and the traces of `farm`, made once, and what the fixture gives besides."""
    from store import open_store
    from store.models import Farm, Field, Hitching, Job, Operator, Stint, Tap, Tool, Tractor, job_id

    folder = tmp_path_factory.mktemp("farm")
    season = time.gmtime(DAY0).tm_year
    with open_store(folder / LOGBOOK) as store:
        store.put(Farm, name="Test Farm", timezone="America/Regina", units="us")
        oda = store.put(Operator, name="Oda Bracken")
        store.put(Operator, name="Tam Willet")
        tractor = store.put(Tractor, name="Tractor 1")
        tool = store.put(Tool, name="40 ft roller", operation="rolling", width_m=12.0, towed=False)
        store.put(Hitching, tractor_id=tractor.id, tool_id=tool.id, width_m=12.0)
        ring = [[*reversed(_place(x, y))] for x, y in ((-20, -20), (300, -20), (300, 500), (-20, 500), (-20, -20))]
        field = store.put(
            Field, name="Heron Flat", boundary={"type": "Polygon", "coordinates": [ring]}, target=2, crop="lentils"
        )
        job = store.put(
            Job, id=job_id(field.id, "rolling", season), field_id=field.id, operation="rolling", season=season, target=2
        )
        stint = store.add(Stint(
            job_id=job.id, operator_id=oda.id, tractor_id=tractor.id, tool_id=tool.id, width_m=12.0, at=DAY0 - 7200.0
        ))  # fmt: skip
        rows = _drive([(6, 0), (6, 400), (40, 430), (6, 400), (6, 0), (6, -1)], DAY0 - 7000.0, 4.0, hz=2)
        store.add(Tap(stint_id=stint.id, kind="start", at=rows[0][0] - 0.5))
        trace = store.trace(stint.id)
        for row in rows:
            trace.append(*row, sigma=0.05, quality=4)
        trace.seal()
        store.add(Tap(stint_id=stint.id, kind="finish", at=rows[-1][0] + 1))
        ids = {"job": job.id, "field": field.id}
    today = [(DAY0 + k / 10, *_place(11, 0)) for k in range(int(STAND_S * 10))]
    today += _drive([(11, 0), (11, 380)], today[-1][0] + 0.1)
    today += [(today[-1][0] + k, *_place(11, 380)) for k in range(1, 600)]
    still = [(DAY0 + k, *_place(11, 0)) for k in range(3000)]
    for name, fixes in ((TODAY, today), (STILL, still)):
        lines = (f"{t:.2f},{lat:.8f},{lon:.8f},0.05,4\n" for t, lat, lon in fixes)
        (folder / name).write_text("time,lat,lon,sigma,quality\n" + "".join(lines))
    return folder, {"rows": today, **ids}


LOGBOOK, TODAY, STILL = "logbook.sqlite", "today.csv", "still.csv"


@pytest.fixture
def farm(tmp_path, rolled, stands_for):
    """Return a farm with a strip rolled twice, and today's trace that strays onto it.

    A 12 m roller rolled x from 0 to 12 m twice this morning. Today's trace stands at (11, 0) for
    a while, then goes north: 5 m of the roller's left side lie on finished ground.
    """
    folder, more = rolled
    for name in (LOGBOOK, TODAY, STILL):
        shutil.copy(folder / name, tmp_path)
    return {"store": stands_for(tmp_path / LOGBOOK), "trace": tmp_path / TODAY, "still": tmp_path / STILL, **more}


CAP = 1456 / 2048  # height of a capital of Roboto as a share of the font size, from the font file


class Sizes:
    """The sizes a page must hold.

    20 mm and 30 mm for keys, 3 mm between them (17.5 mm is the best for bare fingers on a shaking
    seat, gloves want more; MIL-STD-1472 asks 15 mm and 3 mm, from memory); capitals of 4.1 mm are
    20 minutes of arc at 0.7 m (ISO 15008, from memory).
    """

    def tapped(self, seen):
        """Return what can be tapped, with sides in millimetres of the stated screen."""
        found = []
        for thing in seen["things"]:
            if thing["kind"] in ("key", "Row") and not thing["disabled"]:
                found.append((thing, tuple(v / seen["px_per_mm"] for v in thing["rect"])))
        return found

    def keys(self, seen):
        """Every key is 20 mm at least both ways, a main one 30 mm, with 3 mm between any two."""
        keys = self.tapped(seen)
        assert keys
        for thing, (left, top, right, bottom) in keys:
            if not thing["whole"]:
                assert thing["kind"] == "Row", f"{thing['text']!r} is not wholly inside"
                continue  # a list's row that is partly drawn out of sight
            first = thing["text"].split()[0] if thing["text"].split() else ""
            least = 30 if thing["main"] and first in ("Start", "Stop", "Hand", "+1", "Take") else 20
            assert right - left >= least and bottom - top >= least, (thing["text"], right - left, bottom - top)
        for (one, a), (other, b) in itertools.combinations(keys, 2):
            if one["kind"] == other["kind"] == "Row":
                continue  # the lines of one list touch, as lines do
            gap = max(b[0] - a[2], a[0] - b[2], b[1] - a[3], a[1] - b[3])
            assert gap >= 3 - 0.02, (one["text"], other["text"], gap)

    def words(self, seen):
        """No words are cut off, and capitals are 4.1 mm at least."""
        for thing in seen["things"]:
            if thing["kind"] not in ("Row", "GroundMap") and thing["text"] and thing["font_px"]:
                assert thing["fits"], f"{thing['text']!r} is cut off"
                assert thing["font_px"] * CAP / seen["px_per_mm"] >= 4.1, thing["text"]


@pytest.fixture
def sizes():
    """Return the sizes a page must hold."""
    return Sizes()
