"""Why the work stopped: nine reasons, one tap, and the way back to work."""

from functools import partial

from kivy.properties import StringProperty

from cabapp.common.message import N_, Message, message
from cabapp.common.quantities import ClockTime
from cabapp.screens.widgets.buttons import Key
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import capital, translate

REASONS = N_(("fuel", "grease", "seeder", "rain", "wet", "broken", "meal", "tired", "other"))


class StopScreen(CabScreen):
    """The stop itself is recorded already; this asks for its reason."""

    title = StringProperty()
    again = StringProperty()

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        for reason in REASONS:
            act = partial(self._choose, reason)
            self.ids.reasons.add_widget(Key(text=capital(reason), cap_mm=6.4, on_release=act))

    def show(self, view) -> None:
        self.title = translate("Stopped at {time}. Why?", time=ClockTime(view.since))
        self.again = translate("Start {verb}", verb=Message(view.operation) if view.operation else message("work"))
        if view.state != "stopped":
            self.app.go("pass")

    def _choose(self, reason, _key):
        if self.app.do("stop_reason", reason=reason):
            self.app.go("pass")

    def restart(self):
        if self.app.do("restart"):
            self.app.go("pass")
