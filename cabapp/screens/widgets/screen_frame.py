"""A page of the book: paper ground, a head with a double rule, ruled lines. Knows no session."""

from pathlib import Path

from kivy.lang import Builder
from kivy.properties import ListProperty
from kivy.uix.screenmanager import Screen

from cabapp.screens.widgets.buttons import FittedLabel


class CabScreen(Screen):
    """A full page; `show` takes a View and draws it."""

    def show(self, view) -> None:
        """Draw what the session says; a page that only asks has nothing to draw."""


class Notice(FittedLabel):
    """A message over the head of a screen; touches pass through it."""

    room = ListProperty((0, 0))  # width and height of the window, px

    def on_touch_down(self, _touch):
        """Let every touch through."""
        return False


Builder.load_file(str(Path(__file__).with_suffix(".kv")))
