"""The running cab: ticks the session, shows the screen its state asks for, and never goes out by accident."""

import gc
import logging
import os
import signal
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from kivy.app import App
from kivy.base import ExceptionManager
from kivy.clock import Clock
from kivy.core.window import Window
from kivy.properties import ObjectProperty
from kivy.uix.screenmanager import NoTransition, ScreenManager

from cabapp.common.clock import ReplayClock
from cabapp.common.message import Message, message
from cabapp.common.paths import SETTINGS
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.position.receivers.selected_receiver import SelectedReceiver
from cabapp.screens.system.event_loop import BUG, Faults, TickClock, only_left
from cabapp.screens.system.exit_dialog import ExitDialog
from cabapp.screens.system.message_queue import EXCHANGE, NOT_NOW, MessageQueue
from cabapp.screens.system.screen_registry import all_screens, parent_of, screen_for
from cabapp.screens.system.touch_lock import TouchLock
from cabapp.screens.widgets import second_touch, translation
from cabapp.screens.widgets.alert_sound import Sounder
from cabapp.screens.widgets.flash_frame import FlashFrame
from cabapp.screens.widgets.screen_frame import Notice
from cabapp.screens.widgets.theme import THEME
from cabapp.screens.work.pass_screen import WALK, is_moving
from cabapp.session import Session
from cabapp.session.warnings.warning_evaluator import CHANGE_FIELD
from cabapp.tablet.ambient_light import light_of_sun
from cabapp.tablet.automatic_backup import AutomaticBackup
from cabapp.tablet.exchange_runner import BUSY, STANDING, Exchange
from cabapp.tablet.fix_monitor import FixMonitor
from cabapp.tablet.hardware_status import tablet_trouble
from cabapp.tablet.logbook_status import ACKNOWLEDGED, LogbookStatus
from cabapp.tablet.tablet_settings import Settings
from store.errors import Refused
from store.models import Stint
from sync.bundle_encryption import Passphrase

LOG = logging.getLogger("rollbook.cab")
TICKS_PER_S = 10
LOOK_ROUND_S = 20.0
STICK_S = 2.0


class CabApplication(App):
    """The Kivy application around one session."""

    title = "Rollbook"
    view = ObjectProperty(None, allownone=True)

    def __init__(self, store, clock, source, *, night, dpi, screenshot_dir, **kwargs):
        super().__init__(**kwargs)
        self.store, self.clock, self.source = store, clock, source
        self._dpi, self._pictures = dpi, Path(screenshot_dir) if screenshot_dir else None
        self.settings = Settings(store.path.with_name(SETTINGS))
        self._light = "night" if night else self.settings["light"]
        self.read_farm()
        self._tick_clock = TickClock(clock)
        if source is not None and not isinstance(source, SelectedReceiver):
            source = SelectedReceiver(None, source)
        self.receiver = source
        self.fix_monitor = None if source is None else FixMonitor(source)
        # a replay is no day's work to be kept
        place = None if isinstance(clock, ReplayClock) else self.settings["backup"]
        self.logbook_status, self.exchange = (
            LogbookStatus(store, AutomaticBackup(store, place), lambda: self.session.clock_fault),
            Exchange(store, store.path.parent / "exchange", passphrase=self._passphrase()),
        )
        self.messages = MessageQueue(self.logbook_status, self.exchange)
        # a card may take its time to write, and the picture must not stand still meanwhile
        self._beside = ThreadPoolExecutor(1, "trace")
        self.session = self._new_session()
        self._light_up()
        self._ask_why = self._shouted = False
        self._state = None  # of the stint, at the last look
        self.receiving = self.unchecked = None  # hand-overs: looked at, and taken over without the check

    def read_farm(self) -> None:
        """Take the farm's units, zone and currency from the logbook, and the language of the screens."""
        self.farm = FarmSettings(self.store).format
        self.units = self.farm.units
        translation.use(self.settings["language"], self.farm)

    def begin_anew(self) -> None:
        """Begin a session with what set-up has changed; there is no stint in hand then."""
        self.read_farm()
        read = not self.session.choices().cautions
        self.session = self._new_session()
        if read:
            self.do("caution")
        self.tick(0)

    def _new_session(self) -> Session:
        return Session(self.store, self._tick_clock, self.receiver, self._beside)

    def build(self):
        """Make the screens and begin to tick."""
        gc.disable()
        gc.freeze()
        ExceptionManager.add_handler(Faults(self))
        Window.clearcolor = THEME.paper
        THEME.fbind("paper", lambda _theme, paper: setattr(Window, "clearcolor", paper))
        Window.bind(
            on_resize=self._fit,
            on_touch_down=only_left,
            on_request_close=lambda *_a, **_k: True,
            on_keyboard=lambda *_a: True,
        )
        Window.allow_screensaver = False
        second_touch.listen(Window)
        for number in (signal.SIGTERM, signal.SIGINT):
            # SDL would turn these into a press on the window's close, which does nothing here
            signal.signal(number, lambda *_: Clock.schedule_once(lambda _dt: self.stop()))
        self._fit(Window, *Window.size)
        self.screens = ScreenManager(transition=NoTransition())
        for canvas in (self.screens.canvas.before, self.screens.canvas.after):
            canvas.clear()  # a stencil for screens that slide, which would double the work of each frame
        for screen in all_screens():
            self.screens.add_widget(screen)
        self.exit_dialog, self.touch_lock = ExitDialog(), TouchLock()
        self._sounder = Sounder(Path(os.environ["KIVY_HOME"]))
        self.screens.bind(current=self._picture)
        self._notice = Notice(size_hint=(None, None), room=Window.size)
        self._flash = FlashFrame(size=Window.size)
        Window.bind(size=self._flash.setter("size"))
        Window.bind(size=self._notice.setter("room"))
        Window.add_widget(self.screens)
        Window.add_widget(self._notice)
        Window.add_widget(self._flash)
        Clock.schedule_interval(self.tick, 1 / TICKS_PER_S)
        Clock.schedule_interval(self._look_round, LOOK_ROUND_S)
        Clock.schedule_interval(self._look_for_sticks, STICK_S)
        self._look_round(0)
        self.tick(0)
        # the screens stay: searching them for garbage, of which they leave none, would delay start and frames
        gc.freeze()
        gc.enable()

    def _passphrase(self) -> Passphrase | None:
        try:
            return Passphrase(self.settings["passphrase"]) if self.settings["passphrase"] else None
        except Refused:  # a file of settings that a person has altered
            LOG.warning("the passphrase in the tablet's settings cannot be one")
            return None

    def lock_bundles(self, words: str) -> None:
        """Lock and unlock bundles with these words from now on; none: no more. Refused if they cannot be a passphrase."""
        passphrase = Passphrase(words) if words else None
        self.settings["passphrase"] = passphrase and str(passphrase)
        self.exchange.lock_with(passphrase, there_too=True)

    def open_settings(self, *_args):
        """Kivy's own settings screen has no place in a cab."""
        return False

    def _fit(self, window, *_size):
        THEME.fit(*window.size, self._dpi)

    def tick(self, _dt) -> None:
        """Let the session take in what has come, then draw it; a fault in drawing stops neither."""
        self._tick_clock.take()
        if not self._lit:
            self._light_up()  # where the sun stands is known with the first fix
        if self._exchanging():
            return
        try:
            self.view = self.session.tick()
        except Exception:
            LOG.exception("a tick failed")
            self.show_refusal(BUG)
            return
        try:
            if self._sounder.follow(self.view):
                self._flash.flash()
            self._settle(self.view)
            self.screens.current_screen.show(self.view)
            self.logbook_status.follow(self.view.state)
            self._shout()
            # on the pass screen the sentence line says it
            self._notice.text = self.messages.notice() if self.screens.current != "pass" else ""
        except Exception:
            LOG.exception("drawing failed")
            self.show_refusal(BUG)

    def _exchanging(self) -> bool:
        """Hold the fixes while records are exchanged, for nothing else may write then."""
        if not self.exchange.busy:
            return False
        if not self.exchange.finish():
            if self.receiver is not None:
                self.receiver.hold(self.session.even())
            self.screens.current_screen.show(self.view)
            return True
        if self.exchange.added:
            self.read_farm()
            self.session.merged()
        return False

    def _shout(self):
        """Sound and flash once when nothing is being saved any more; the words stand as long as it is so."""
        shouts = bool(self.logbook_status.shout)
        if shouts and not self._shouted:
            self.try_sound()
        self._shouted = shouts

    def _settle(self, view):
        """Show the screen the state asks for."""
        here = self.screens.current
        part = getattr(self.screens.current_screen, "part", "")
        wanted = screen_for(view, here, part, self.standing, self._state)
        self._state = view.state
        if is_moving(view):
            self.touch_lock.dismiss()
        elif self._ask_why and view.state == "stopped" and view.stop_reason is None:
            wanted, self._ask_why = "stop", False
        if wanted != here:
            self.screens.current = wanted

    def _look_round(self, _dt):
        """See to what changes slowly: the light outside, and how the tablet itself does."""
        self._light_up()
        self.messages.tablet_trouble_words = tablet_trouble(self.store.path.parent)
        self.logbook_status.look()

    def _look_for_sticks(self, _dt):
        if self.standing and not self.exchange.busy:
            self.exchange.look_round()
            if self.view.state == "idle" and self.screens.current == "take over":
                self.exchange.begin_by_itself()

    def _light_up(self):
        """Take the colours that were chosen, or those the sun asks for."""
        fix = self.fix_monitor.last() if self.fix_monitor else None
        self._lit = self._light != "by the sun" or fix is not None
        if self._light != "by the sun":
            THEME.light = self._light
        elif fix is not None:
            THEME.light = light_of_sun(fix.lat, fix.lon, self._tick_clock.now())

    @property
    def light(self) -> str:
        """What was chosen: "by the sun", "day" or "night"."""
        return self._light

    def choose_light(self, light: str) -> None:
        """Take this light from now on, also when the cab is opened again."""
        self._light = self.settings["light"] = light
        self._light_up()

    @property
    def standing(self) -> bool:
        """Whether the tablet stands still, as far as can be known: lists and letters are for then."""
        pace = self.fix_monitor.speed() if self.fix_monitor else None
        return not is_moving(self.view) and (pace is None or pace <= WALK)

    def try_sound(self) -> None:
        """Let the sound be heard and the frame be seen, to try them."""
        self._sounder.play()
        self._flash.flash()

    def stint(self) -> Stint | None:
        """Return this tablet's newest stint."""
        own = [one for one in self.store.all(Stint) if one.device == self.store.device]
        return max(own, key=lambda one: one.seq, default=None)

    def go(self, name: str) -> None:
        self.screens.current = name

    def back(self) -> None:
        self.go(parent_of(self.screens.current, self.view))

    def do(self, what: str, /, **detail) -> bool:
        """Hand one tap to the session, or do what is the cab's own; a refusal becomes words."""
        if what in (EXCHANGE, NOT_NOW):
            self.exchange.offered = False
            return what == NOT_NOW or self.exchange_records()
        if what == ACKNOWLEDGED:
            self.logbook_status.acknowledge()
            return True
        if what == CHANGE_FIELD:
            return self.change_field()
        return self.attempt(lambda: self.session.tap(what, **detail))

    def change_field(self) -> bool:
        """Lead to another field: this stint is finished first, then one takes over there."""
        if not self.standing:
            self.show_refusal(message("Stop first. To change field, finish here, then take over there."))
            return False
        self.go("finish")
        return True

    def exchange_records(self) -> bool:
        """Show the screen of the exchange and begin it, if the tractor stands."""
        if not self.standing:
            self.show_refusal(STANDING)
            return False
        self.go("exchange")
        self.exchange.begin()
        return True

    def attempt(self, act) -> bool:
        """Run what a key asks for; True when it was done, else a sentence says why not."""
        self._tick_clock.take()
        self.exchange.wait_a_moment()
        if self._exchanging():
            self.show_refusal(BUSY)
            return False
        try:
            act()
        except Refused as refusal:
            self.show_refusal(refusal)
            return False
        except Exception:
            LOG.exception("a tap failed")
            self.show_refusal(BUG)
            return False
        self.tick(0)
        return True

    def show_refusal(self, said: Message | Refused) -> None:
        self.messages.refuse(said)

    def stop_work(self) -> None:
        """Record the stop at once; its reason is asked when the tractor stands."""
        if self.do("stop"):
            self._ask_why = True

    def clock_words(self, t) -> str:
        return self.farm.time(t)

    def _picture(self, *_changed):
        if self._pictures is not None:
            self._pictures.mkdir(parents=True, exist_ok=True)
            name = self.screens.current.replace(" ", "-")
            Clock.schedule_once(lambda _dt: Window.screenshot(str(self._pictures / f"{name}.png")), 0.5)

    def on_stop(self):
        self.exchange.close()
        self.session.close()
        self._beside.shutdown()
        self.logbook_status.close()
