"""Reports to a test over a local socket what is on the screen.

A test acts on the window as a finger does; the probe itself changes nothing but the speed of a replay, and when the cab ticks.
"""

import json
import logging
import math
import socket
import threading
import time
from collections import Counter
from dataclasses import asdict, fields, is_dataclass

from kivy.clock import Clock
from kivy.core.window import Window
from kivy.uix.label import Label
from kivy.uix.scrollview import ScrollView

from cabapp.common.clock import ReplayClock
from cabapp.screens.map.ground_map import GroundMap
from cabapp.screens.system.cab_application import TICKS_PER_S
from cabapp.screens.widgets.buttons import Key
from cabapp.screens.widgets.row_list import Row
from cabapp.screens.widgets.theme import THEME
from cabapp.screens.widgets.translation import translate
from store.errors import Message

LOG = logging.getLogger("rollbook.probe")
FRAMES_KEPT = 100_000
IDLE_S = 0.25  # the longest a test waits for a frame or a tick


class PatientWall:
    """The seconds a replay goes by: from one tick to the next they move on by two ticks at most.

    On a busy machine a replay is then slower, and no tick jumps over what a test waits for.
    """

    def __init__(self):
        self._real = self._shown = time.monotonic()
        self.go_on()

    def __call__(self):
        real = time.monotonic()
        step = min(real - self._real, self._left)
        self._real, self._shown, self._left = real, self._shown + step, self._left - step
        return self._shown

    def go_on(self):
        """Let time pass until the next tick."""
        self._left = 2 / TICKS_PER_S


class Probe:
    """Answers each line on the socket at `path` with one line of JSON."""

    def __init__(self, app, path: str):
        self._app, self._frames, self._flip, self._on_draw = app, [], Window.flip, Window.on_draw
        self._spent = time.thread_time(), time.process_time()
        self._socket = socket.socket(socket.AF_UNIX)
        self._socket.bind(path)
        self._socket.listen(1)
        Window.flip, Window.on_draw = self._flip_and_note, self._draw
        self._drawn, self._apart, self._shooting, self._max_fps = True, 0.0, False, Clock._max_fps
        self._done, self._do = Counter(), app.do
        app.do = self._do_and_note
        self._events, self._changed = {"frame": 0, "tick": 0}, threading.Condition()
        if isinstance(app.clock, ReplayClock):
            app.clock._wall, take = PatientWall(), app._tick_clock.take
            app._tick_clock.take = lambda: (take(), app.clock._wall.go_on())
        app.bind(view=lambda *_: self._note("tick"), on_stop=lambda *_: self._peer.shutdown(socket.SHUT_RDWR))
        threading.Thread(target=self._serve, daemon=True).start()

    def _note(self, *events):
        with self._changed:
            for event in ("frame", *events):
                self._events[event] += 1
            self._changed.notify_all()

    def _draw(self):
        """Draw a frame, or leave it for a later turn: without a graphics card it costs more than all else."""
        last = self._frames[-1][0] if self._frames else -math.inf
        self._drawn = self._shooting or time.monotonic() - last >= self._apart
        if self._drawn:
            self._on_draw()

    def _flip_and_note(self):
        """Give the frame to the display, then note when, and what it and the pause before it took, s."""
        if not self._drawn:
            return
        self._flip()
        now, spent = time.monotonic(), (time.thread_time(), time.process_time())
        began = now - (Clock.time() - Clock.get_time())
        self._frames.append((now, now - began, spent[0] - self._spent[0], spent[1] - self._spent[1]))
        self._spent = spent
        del self._frames[:-FRAMES_KEPT]
        self._note()

    def _do_and_note(self, what, /, **detail):
        """Count what was tapped and not refused, once the screen has been told so."""
        done = self._do(what, **detail)
        self._done[what] += bool(done)
        return done

    def _serve(self):
        while True:
            self._peer, _ = self._socket.accept()
            with self._peer as peer, peer.makefile("rw") as lines:
                for line in lines:
                    lines.write(json.dumps(self._ask(*line.split())) + "\n")
                    lines.flush()

    def _ask(self, what, word=""):
        if what == "frames":  # without a turn of the window's own loop, so that asking costs it nothing
            frames, self._frames = self._frames, []
            return {"frames": frames}
        if what == "done":
            return dict(self._done)
        if what == "draw":  # a frame at most every so many seconds, and before each picture
            self._apart = float(word)
            return {}
        if what in self._events:  # wait until there was one more than the test knows of
            with self._changed:
                self._changed.wait_for(lambda: self._events[what] > int(word), IDLE_S)
                return {"events": dict(self._events)}
        acts = {"look": self._look, "shot": lambda _: {"path": Window.screenshot(word)}, "settle": dict, "beat": dict}
        act = acts.get(what) or (lambda _: setattr(self._app.clock, what, float(word)) or {})
        answer, done, lies_still = {}, threading.Event(), {"look": 1, "shot": 2}  # for so many turns

        def turn(left, before=None, beat=what in ("beat", "shot")):
            # no pause between the turns; only X events need time to arrive
            self._shooting, Clock._max_fps = what == "shot", self._max_fps if what == "settle" else 0
            try:
                if beat:
                    self._app.tick(0)  # now, not at the next tenth of a second
                things = self._things() if what in lies_still else None
                if things != before:
                    left = lies_still[what]  # what a tick has just changed is laid out before it is looked at
                if left:
                    Clock.schedule_once(lambda _dt: turn(left - 1, things, beat=False), 0)
                    return
                answer.update(act(things or ()))
            except Exception as fault:
                LOG.exception("the probe failed")
                answer["fault"] = repr(fault)
            self._shooting, Clock._max_fps = False, self._max_fps
            done.set()

        # events are read at the end of a turn and dispatched after the clock's part of the next
        Clock.schedule_once(lambda _dt: turn(2 if what in ("settle", "beat") else 0), 0)
        return answer if done.wait(60) else {"fault": f"no answer to {what}: the screen does not come to rest"}

    def _things(self):
        return [thing for child in reversed(Window.children) for thing in _things(child)]

    def _look(self, things):
        view = self._app.view
        shown = {}
        for name in view.__slots__ if view else ():
            value = getattr(view, name)
            if name != "pose":
                shown[name] = _shown(value)
        return {
            "events": dict(self._events),
            "screen": self._app.screens.current,
            "part": getattr(self._app.screens.current_screen, "part", ""),
            "view": shown,
            "size": list(Window.size),
            "px_per_mm": self._app._dpi / 25.4,
            "palette": asdict(THEME.palette),
            "kept_awake": not Window.allow_screensaver,
            "standing": self._app.standing,
            "written": self._written(),
            "things": things,
            "map_corners": self._corners(),
        }

    def _written(self):
        """Say whether no fix is on its way to the disk."""
        writing = self._app.session._runner and self._app.session._runner.recorder._syncing
        return writing is None or writing.done()

    def _corners(self):
        """Return latitude and longitude of the shown map's lower left and upper right corner."""
        screen = self._app.screens.current_screen
        ground, job = screen.ids.get("ground"), getattr(screen, "_job", None) or self._app.session.job
        if ground is None or job is None:
            return None
        lat, lon = job.plane.to_latlon([ground.to_ground(*ground.pos), ground.to_ground(ground.right, ground.top)])
        return [[float(lat[k]), float(lon[k])] for k in (0, 1)]


def _shown(value):
    """Return a value of the view as JSON, messages as the screens write them."""
    if isinstance(value, Message):
        return translate(value)
    if is_dataclass(value):
        return {one.name: _shown(getattr(value, one.name)) for one in fields(value)}
    return [_shown(one) for one in value] if isinstance(value, tuple) else value


def _things(widget, box=None, moved=(0, 0)):
    """Yield what can be seen of a widget and those in it, back to front; y runs down.

    `moved`: where the origin of the widget's parent lies in the window; none of the cab's widgets turns or scales another.
    """
    (width, height), window = widget.size, Window.size
    if widget.opacity <= 0 or width <= 0 or height <= 0:
        return
    left, below = widget.x + moved[0], window[1] - widget.y - moved[1]
    mine = (left, below - height, left + width, below)
    box = _cut(mine, box or (0, 0, *window)) if box is None or isinstance(widget, ScrollView) else box
    seen = _cut(mine, box) if box else None
    if seen and (isinstance(widget, (Label, Row, GroundMap))):
        text = widget.words if isinstance(widget, Row) else getattr(widget, "text", "")
        kind = "key" if isinstance(widget, Key) else "Row" if isinstance(widget, Row) else type(widget).__name__
        yield {
            "kind": kind, "text": text, "rect": list(seen), "whole": seen == mine,
            "disabled": bool(widget.disabled), "main": bool(getattr(widget, "main", False)),
            "held": getattr(widget, "held", None),
            "font_px": getattr(widget, "font_size", None),
            "whole_field": getattr(widget, "whole", False),
            "fits": not isinstance(widget, Label) or not getattr(widget, "shorten", False),
        }  # fmt: skip
    if box and widget.children:
        moved = widget.to_parent(*moved)
        for child in reversed(widget.children):
            yield from _things(child, box, moved)


def _cut(one, other):
    left, top = max(one[0], other[0]), max(one[1], other[1])
    right, bottom = min(one[2], other[2]), min(one[3], other[3])
    return (left, top, right, bottom) if left < right and top < bottom else None
