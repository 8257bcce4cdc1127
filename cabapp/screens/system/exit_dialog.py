"""The way out of the cab: hold the top left corner for three seconds, then say so once more."""

from kivy.clock import Clock
from kivy.core.window import Window
from kivy.uix.modalview import ModalView

from cabapp.screens.widgets import buttons as _buttons  # noqa: F401  (the kv file uses its widgets)
from cabapp.screens.widgets.layout import load_layout
from cabapp.screens.widgets.theme import THEME

HOLD_S = 3.0
CORNER_MM = 12.0


class ExitDialog(ModalView):
    """Asks before closing; it opens only after a long hold in the corner."""

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._waiting = None
        Window.bind(on_touch_down=self._down, on_touch_up=self._up)

    def _down(self, _window, touch):
        corner = CORNER_MM * THEME.u
        if touch.x < corner and touch.y > Window.height - corner:
            self._up()
            self._waiting = Clock.schedule_once(lambda _dt: self.open(), HOLD_S)

    def _up(self, *_args):
        if self._waiting is not None:
            self._waiting.cancel()
            self._waiting = None


load_layout(__file__)
