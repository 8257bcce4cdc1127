"""A page of the book: paper ground, a head with a double rule, ruled lines. Knows no session."""

from pathlib import Path

from kivy.lang import Builder
from kivy.uix.screenmanager import Screen

from cabapp.screens.parts import buttons as _buttons  # noqa: F401  (the kv file uses its widgets)


class Page(Screen):
    """A full page; `show` takes a View and draws it."""

    def show(self, view) -> None:
        """Draw what the session says; a page that only asks has nothing to draw."""


Builder.load_file(str(Path(__file__).with_suffix(".kv")))
