"""The frame of every screen: paper ground, a head with a double rule, ruled lines. Knows no session."""

import sys

from kivy.app import App
from kivy.properties import ListProperty
from kivy.uix.screenmanager import Screen

from cabapp.screens.widgets.buttons import FittedLabel
from cabapp.screens.widgets.layout import load_layout


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


class Notice(FittedLabel):
    """A message over the head of a screen; touches pass through it."""

    room = ListProperty((0, 0))  # width and height of the window, px

    def on_touch_down(self, _touch):
        """Let every touch through."""
        return False


load_layout(__file__)
