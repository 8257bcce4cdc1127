"""A sleep for wiping the screen: for some seconds no touch acts, and driving off ends it."""

from kivy.clock import Clock
from kivy.properties import NumericProperty
from kivy.uix.modalview import ModalView

from cabapp.screens.widgets.buttons import FittedLabel
from cabapp.screens.widgets.theme import THEME
from cabapp.screens.widgets.translation import translate

WIPE_S = 15


class TouchLock(ModalView):
    """Covers everything while the glass is wiped."""

    left = NumericProperty(0)

    def __init__(self, **kwargs):
        super().__init__(auto_dismiss=False, background="", overlay_color=(0, 0, 0, 0), **kwargs)
        self._words = FittedLabel(cap_mm=6.4, several_lines=True, halign="center", size_hint=(0.8, 0.5))
        self.add_widget(self._words)

    def on_pre_open(self, *_args):
        self.background_color = THEME.paper
        self.left = WIPE_S
        Clock.schedule_interval(self._count, 1)

    def on_left(self, _wipe, left):
        self._words.text = translate("Wipe the screen now. The keys sleep for {left} s.", left=int(left))

    def _count(self, _dt):
        self.left -= 1
        if self.left <= 0:
            self.dismiss()
        return self.left > 0
