"""A row of keys, one for each section of the tool from the left; neighbours share one where they are many.

Knows flags, no session.
"""

from functools import partial

from kivy.properties import ListProperty
from kivy.uix.boxlayout import BoxLayout

from cabapp.screens.widgets.buttons import Key
from cabapp.screens.widgets.theme import THEME

LEAST_MM = 20.5  # of a key, for a gloved finger


class SectionKeys(BoxLayout):
    """Keys of the sections, filled where they work; `on_switched` gives the flags after a touch."""

    flags = ListProperty()  # empty: no keys
    __events__ = ("on_switched",)

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self._shares: list[slice] = []
        for name in ("flags", "width"):
            self.fbind(name, self._lay)

    def _lay(self, *_changed):
        most = max(1, int((self.width + self.spacing) // (LEAST_MM * THEME.u + self.spacing)))
        each = -(-len(self.flags) // most)
        shares = [slice(n, min(n + each, len(self.flags))) for n in range(0, len(self.flags), each or 1)]
        if shares != self._shares:  # a key must not go from under a finger
            self._shares = shares
            self.clear_widgets()
            for share in shares:
                last = "" if share.stop - share.start == 1 else f"–{share.stop}"
                key = Key(text=f"{share.start + 1}{last}", cap_mm=6.4)
                key.bind(on_release=partial(self._switch, share))
                self.add_widget(key)
        for key, share in zip(reversed(self.children), shares, strict=True):
            key.main = all(self.flags[share])

    def _switch(self, share, _key):
        flags = list(self.flags)
        flags[share] = [not all(flags[share])] * (share.stop - share.start)
        self.dispatch("on_switched", flags)

    def on_switched(self, _flags):
        """Sections are to work, or not to; screens bind to it."""
