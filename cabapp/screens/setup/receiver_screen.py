"""The receiver in words: how good it is, which one to use, where its antenna sits, and a check by driving."""

import numpy as np
from kivy.properties import StringProperty

from cabapp.common.message import message
from cabapp.common.paths import home
from cabapp.geometry.plane import Plane
from cabapp.position.boundaries.boundary_drive import track_length
from cabapp.position.calibration.antenna_offset import Antenna
from cabapp.position.calibration.side_offset_check import LEAST_LENGTH, describe, opposite_runs, side_offset
from cabapp.position.receivers.discovery import named_ports
from cabapp.position.receivers.selected_receiver import SelectedReceiver
from cabapp.position.receivers.tablet_location import why_not_offered
from cabapp.position.recordings.recording_search import recordings
from cabapp.screens.setup.receiver_text import FOOT, INCH, facts, format_antenna, format_offset, format_span, report_on
from cabapp.screens.widgets import keyboard as _typing  # noqa: F401  (the kv file uses its widgets)
from cabapp.screens.widgets.row_list import attempt_row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from store.models import Hitching, Tool, Tractor
from sync.removable_media import mounts

SAY_EVERY_S = 1.0
STEPS = {"us": (FOOT, INCH), "metric": (0.1, 0.01)}
FARTHEST_M = 10.0


class ReceiverScreen(CabScreen):
    """One screen that is in turn the state, lists, figures, a keyboard and the check both ways.

    It is for standing still, but for the part "both ways", which is driven.
    """

    part = StringProperty("state")  # "state", "list", "typing", "both ways", "found" or "antenna"
    title = StringProperty()
    remark = StringProperty()
    words = StringProperty()
    advice = StringProperty()
    told = StringProperty()
    note = StringProperty()
    facts = StringProperty()
    driven = StringProperty()
    ahead_words = StringProperty()
    right_words = StringProperty()
    coarse, fine = StringProperty(), StringProperty()

    def on_pre_enter(self, *_args):
        self._said, self._back_to, self._then = float("-inf"), self.show_state, None
        system = self.app.units.system
        self.coarse, self.fine = ("1 ft", "1 in") if system == "us" else ("10 cm", "1 cm")
        self.show_state()

    def on_leave(self, *_args):
        if (fix_monitor := self.app.fix_monitor) is not None:
            fix_monitor.track = None

    @property
    def _source(self) -> SelectedReceiver | None:
        """The chosen receiver; None in a show, where nothing can be chosen."""
        source = self.app.source
        return source if isinstance(source, SelectedReceiver) else None

    def show(self, view) -> None:
        if self.part == "both ways":
            self.driven = self.app.units.distance(track_length(self.app.fix_monitor.track or []))
        now = self.app.clock.now()
        if 0 <= now - self._said < SAY_EVERY_S:
            return
        self._said, source = now, self._source
        self.remark = translate(self.app.receiver.status) if source is None else ""
        if source is not None:
            report = report_on(source, self.app.session.even())
            self.words, self.advice = translate(report.summary), translate(report.advice or "")
            self.facts = " ".join(part for part in (translate(source.status), facts(source, report)) if part)

    # --- ways between the parts -------------------------------------------------------------

    def show_state(self):
        self.title, self.part = translate("Receiver"), "state"
        self._said = float("-inf")

    def leave(self):
        """Back to where one came from."""
        if self.app.view.state == "idle":
            self.app.begin_anew()
        self.app.back()

    def back(self):
        self._back_to()

    def _list(self, title, rows, back):
        self.title, self._back_to = title, back
        self.ids.list.fill(rows)
        self.ids.list.scroll_y = 1  # a fresh list is read from its top
        self.part = "list"

    def _can_choose(self) -> bool:
        if self._source is None:
            self.app.show_refusal(message("This is a show with a recording; there is no receiver to choose."))
        return self._source is not None

    # --- which receiver ---------------------------------------------------------------------

    def choose(self):
        """The receivers there are, and other ways to one."""
        if not self._can_choose():
            return
        using = self._source.address
        named = [("auto", translate("Find it by itself"), translate("USB, Bluetooth, gpsd"))]
        named += [(port, translate(words), "") for port, words in named_ports().items()]
        named += [
            ("gpsd", translate("gpsd on this tablet"), ""),
            (
                "tablet",
                translate("The tablet's own position"),
                translate("not on this machine") if why_not_offered() else translate("about 5 m (16 ft)"),
            ),
        ]
        rows = [
            attempt_row(words, lambda use=use: self._use(use), remark, use == using) for use, words, remark in named
        ]
        rows.append(
            attempt_row(
                translate("Network address"),
                self._ask_host,
                using[4:] if using.startswith("tcp:") else "",
                using.startswith("tcp:"),
            )
        )
        rows.append(
            attempt_row(
                translate("Network port of this tablet"),
                self._ask_port,
                using[4:] if using.startswith("udp:") else "",
                using.startswith("udp:"),
            )
        )
        if self.app.view.state == "idle":
            rows.append(attempt_row(translate("A recording"), self._list_recordings, "", using.startswith("file:")))
        rows.append(attempt_row(translate("No receiver"), lambda: self._use("none"), "", using == "none"))
        self._list(translate("Which receiver?"), rows, self.show_state)

    def _use(self, words):
        self._source.use(words)
        self.show_state()

    def _list_recordings(self):
        self.aside(lambda: recordings([home() / "recordings", home() / "receiver"], mounts()), self._show_recordings)

    def _show_recordings(self, found):
        if not found:
            self.app.show_refusal(message("There is no recording on this tablet or on a stick."))
            return
        rows = [attempt_row(path.name, lambda path=path: self._play(path)) for path in found]
        self._list(translate("Which recording?"), rows, self.choose)

    def _play(self, path):
        self.aside(lambda: self._source.use(f"file:{path}"), lambda _: self.show_state())

    def _ask_host(self):
        self._ask(translate("Address of the receiver, four numbers with points"), self._took_host)

    def _took_host(self, host):
        self._ask(translate("Port number"), lambda port: self._use(f"tcp:{host}:{port}"))

    def _ask_port(self):
        self._ask(translate("Port number"), lambda port: self._use(f"udp:{port}"))

    def _ask(self, title, then):
        self._then, self._back_to = then, self.choose
        self.part = "typing"
        self.ids.typing.ask(title, "", True, False)

    def typed(self, text: str):
        self.app.attempt(lambda: self._then(text))

    # --- where antennas sit -----------------------------------------------------------------

    def list_antennas(self):
        """The receivers that are there, each with where its antenna sits."""
        if not self._can_choose():
            return
        system = self.app.units.system
        rows = [
            attempt_row(
                name,
                lambda name=name: self._edit_antenna(name),
                format_antenna(self._source.settings.antenna(name), system),
            )
            for name in self._source.names
        ]
        if not rows:
            self.app.show_refusal(message("No receiver is there whose antenna could be placed."))
            return
        self._list(translate("Antennas, seen from the one the hitchings are measured from"), rows, self.show_state)

    def _edit_antenna(self, name):
        antenna = self._source.settings.antenna(name) or Antenna()
        self._antenna, self._place = name, [antenna.ahead, antenna.right]
        self.title, self._back_to = translate("Antenna of {receiver}", receiver=name), self.list_antennas
        self._show_place()
        self.part = "antenna"

    def move(self, way: int, size: int, sign: int):
        """Move the antenna: way 0 ahead, 1 right; size 0 the coarse step, 1 the fine one."""
        step = STEPS[self.app.units.system][size]
        moved = self._place[way] + sign * step
        self._place[way] = min(max(moved, -FARTHEST_M), FARTHEST_M)
        self._show_place()

    def _show_place(self):
        system = self.app.units.system
        ahead, right = self._place
        self.ahead_words = (
            translate("{length} ahead", length=format_span(ahead, system))
            if ahead >= 0
            else translate("{length} behind", length=format_span(-ahead, system))
        )
        self.right_words = (
            translate("{length} to the right", length=format_span(right, system))
            if right >= 0
            else translate("{length} to the left", length=format_span(-right, system))
        )

    def write_antenna(self):
        ahead, right = (round(value, 4) + 0.0 for value in self._place)
        self._source.set_antenna(self._antenna, Antenna(ahead, right))
        self.list_antennas()

    # --- the check both ways ----------------------------------------------------------------

    def begin_both_ways(self):
        """Follow a drive along one line, there and back."""
        if self.app.fix_monitor is None:
            self.app.show_refusal(message("There is no receiver to check."))
            return
        self.app.fix_monitor.track = []
        self.title, self._back_to = translate("Check both ways"), self.show_state
        self.told = translate(
            "Drive {far} or more along a straight mark, turn round, and drive back in the same wheel marks.",
            far=self.app.units.distance(2 * LEAST_LENGTH),
        )
        self.part = "both ways"

    def driven_both_ways(self):
        """The drive is done: say what it shows, and list the hitchings it can be written into."""

        if not self.app.standing:
            self.app.show_refusal(message("Stand still first; the drive is kept."))
            return

        def act():
            places = np.array(self.app.fix_monitor.track or np.empty((0, 2)), float).reshape(-1, 2)
            plane = Plane(*places[0]) if len(places) else Plane(0.0, 0.0)
            self._found = side_offset(*opposite_runs(plane.to_xy(places[:, 0], places[:, 1])))
            self.app.fix_monitor.track = None
            self._show_found()

        self.app.attempt(act)

    def _show_found(self):
        app, found = self.app, self._found
        system = app.units.system
        self.told = translate(describe(found, lambda m: format_offset(m, system)))
        self.note = translate(
            "Both ways over {length}, sure to {sure}.",
            length=app.units.length(found.length),
            sure=app.units.small_length(2 * found.standard_error),
        )
        names = {model: {row.id: row.name for row in app.store.all(model)} for model in (Tractor, Tool)}
        self.ids.found.fill([
            attempt_row(
                f"{names[Tractor][one.tractor_id]}, {names[Tool][one.tool_id]}",
                lambda one=one: self._write_side(one),
                translate("now {offset} to the right", offset=format_offset(one.side_m, system)),
            )
            for one in app.store.all(Hitching)
        ])  # fmt: skip
        self.title, self.part = translate("Touch the hitching it is to be written into"), "found"

    def _write_side(self, hitching):
        self.app.store.put(Hitching, hitching.id, side_m=self._found.side)
        self.app.show_refusal(message("Written. It counts from the next take-over on."))
        self._show_found()

    def drop_check(self):
        self.app.fix_monitor.track = None
        self.show_state()
