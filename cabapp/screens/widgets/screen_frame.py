"""The frame of every screen: paper ground, a head with a double rule, ruled lines. Knows no session."""

import sys
from collections.abc import Callable
from typing import Any

from kivy.app import App
from kivy.clock import Clock
from kivy.properties import ListProperty
from kivy.uix.screenmanager import Screen

from cabapp.common.message import message
from cabapp.screens.widgets.buttons import WholeLabel
from cabapp.screens.widgets.layout import load_layout
from cabapp.tablet.aside_work import AT_ONCE_S, AsideWork


class CabScreen(Screen):
    """A screen with the layout file beside its module; `show` takes a View and draws it."""

    def __init_subclass__(cls, **kwargs):
        super().__init_subclass__(**kwargs)
        load_layout(sys.modules[cls.__module__].__file__)

    @property
    def app(self):
        """The running application."""
        return App.get_running_app()

    def show(self, view) -> None:
        """Draw what the session says; a screen that only asks draws nothing."""

    _waited_for: object = None

    def aside(self, work: Callable[[], Any], then: Callable[[Any], None]) -> None:
        """Do work that touches a stick beside the drawing, then `then` with its result; no tap waits for it.

        Notes: What comes after the screen was left, or asked for something else, is passed over.
        """
        self._waited_for = begun = AsideWork(work)
        if begun.done:
            then(begun.result())
            return
        self.app.show_refusal(message("Reading. It may take a moment ..."))

        def look(_dt) -> bool:
            if begun is not self._waited_for or self.manager is None or self.manager.current_screen is not self:
                return False
            if begun.done:
                self.app.attempt(lambda: then(begun.result()))
            return not begun.done

        Clock.schedule_interval(look, AT_ONCE_S)


class Notice(WholeLabel):
    """A message over the head of a screen; touches pass through it."""

    room = ListProperty((0, 0))  # width and height of the window, px

    def on_touch_down(self, _touch):
        """Let every touch through."""
        return False


load_layout(__file__)
