"""A page of the book: paper ground, a head with a double rule, ruled lines. Knows no session."""

from pathlib import Path

from kivy.lang import Builder
from kivy.uix.screenmanager import Screen

from cabapp.screens.widgets.buttons import FittedLabel


class Page(Screen):
    """A full page; `show` takes a View and draws it."""

    def show(self, view) -> None:
        """Draw what the session says; a page that only asks has nothing to draw."""


class Slip(FittedLabel):
    """A slip of paper over the head of a page with what was refused; it takes no touch."""

    def on_touch_down(self, _touch):
        """Let every touch through."""
        return False


Builder.load_file(str(Path(__file__).with_suffix(".kv")))
