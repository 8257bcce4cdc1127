"""Loads the layout file that lies beside a module."""

from functools import cache
from pathlib import Path

from kivy.lang import Builder


@cache
def load_layout(module: str) -> None:
    """Load the .kv file beside the module file of this path, once."""
    Builder.load_file(str(Path(module).with_suffix(".kv")))
