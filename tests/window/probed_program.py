"""The program with a probe on the socket that ROLLBOOK_PROBE names. Importing it loads no Kivy."""

import os
from pathlib import Path

from cabapp import __main__
from cabapp.screens.system import launcher


def main(words: list[str] | None = None) -> int:
    """Run a command as `rollbook` does; the cab that it opens has a probe."""
    prepare = launcher.configure_window

    def prepare_with_probe(*settings) -> None:
        prepare(*settings)
        from kivy.app import App  # after its settings are made, which it reads once

        App.on_start = begin

    def begin(app) -> None:
        from tests.window.probe import Probe

        sticks = Path(os.environ["ROLLBOOK_STICKS"])  # each folder in it stands for a stick that is in
        app.exchange.find_sticks_by(lambda: sorted(sticks.iterdir()) if sticks.is_dir() else [])
        app.probe = Probe(app, os.environ["ROLLBOOK_PROBE"])

    launcher.configure_window = prepare_with_probe
    return __main__.main(words)
