"""Loads the layout file that lies beside a module; every layout knows `THEME` and `translate`."""

from functools import cache
from pathlib import Path

from kivy.lang import Builder
from kivy.lang.parser import global_idmap

from cabapp.screens.widgets.theme import THEME
from cabapp.screens.widgets.translation import translate

global_idmap.update(THEME=THEME, translate=translate)


@cache
def load_layout(module: str) -> None:
    """Load the .kv file beside the module file of this path, once."""
    Builder.load_file(str(Path(module).with_suffix(".kv")))
