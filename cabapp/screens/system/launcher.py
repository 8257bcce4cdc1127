"""The door to the cab's screens: prepares the window, then opens it. Importing it loads no Kivy."""

import logging
import os
import sys
from logging.handlers import RotatingFileHandler
from pathlib import Path

from cabapp.common.paths import home
from store.errors import Refused

DENSITY = 149.0  # pixels per inch of a 10.1-inch tablet at 1280 x 800


class NoScreen(Refused):
    """There is no display to open the cab on."""


def run_cab(
    store,
    clock,
    source,
    *,
    night: bool = False,
    size: tuple[int, int] = (1280, 800),
    dpi: float = DENSITY,
    fullscreen: bool = False,
    screenshot_dir: str | Path | None = None,
) -> None:
    """Open the cab and stay in it until somebody goes out on purpose; its window is gone afterwards.

    `store`: store.Store.
    `clock`: cabapp.common.clock.Clock.
    `source`: cabapp.position.fix.Source or None: None: no receiver; passes are then counted by hand.
    `night`: begin with the night's colours.
    `size`: window, pixels; not used when `fullscreen`.
    `dpi`: real density of the tablet, pixels per inch.
    `screenshot_dir`: where to put a picture each time another screen is shown.
    Raises NoScreen: there is no display.
    """
    configure_window(size, fullscreen)
    _log_to(home() / "cab.log")
    try:
        from kivy.core.window import Window
    except SystemExit as why:  # Kivy leaves the program when SDL finds no display
        raise NoScreen(NO_SCREEN) from why
    if Window is None:
        raise NoScreen(NO_SCREEN)
    from cabapp.screens.system.cab_application import CabApplication

    CabApplication(store, clock, source, night=night, dpi=dpi, screenshot_dir=screenshot_dir).run()
    Window.close()  # otherwise it stands there, dead, until the program ends


NO_SCREEN = (
    "There is no screen to open the cab on. Start Rollbook on the tablet itself, "
    "or set DISPLAY to the screen it should use."
)


def configure_window(size: tuple[int, int], fullscreen: bool) -> None:
    """Settle everything Kivy reads once, before it is first loaded.

    Raises NoScreen: on Linux, neither an X display nor a Wayland one is named, nor a driver that needs none.
    """
    if sys.platform.startswith("linux") and not os.environ.get("SDL_VIDEODRIVER"):
        drivers = {"DISPLAY": "x11", "WAYLAND_DISPLAY": "wayland"}
        found = [driver for name, driver in drivers.items() if os.environ.get(name)]
        if not found:
            raise NoScreen(NO_SCREEN)
        # left to itself SDL would go on without a screen when it cannot reach the one named
        os.environ["SDL_VIDEODRIVER"] = found[0]
    kivy_home = Path(os.environ.get("KIVY_HOME") or home() / "kivy")
    kivy_home.mkdir(parents=True, exist_ok=True)
    os.environ["KIVY_HOME"] = str(kivy_home)
    os.environ["KIVY_NO_ARGS"] = "1"
    os.environ["SDL_MOUSE_FOCUS_CLICKTHROUGH"] = "1"  # otherwise the first touch only gives the window its focus
    os.environ["KIVY_WINDOW"] = "sdl2"  # its other way to an X window ends the program without a word
    os.environ["KIVY_LOG_MODE"] = "PYTHON"  # otherwise Kivy takes stderr, and with it every fault
    from kivy.config import Config

    settings = {
        "kivy": {"exit_on_escape": 0, "pause_on_minimize": 0, "log_maxfiles": 20},
        "graphics": {
            "width": size[0],
            "height": size[1],
            "fullscreen": "auto" if fullscreen else 0,
            "resizable": 1,
            "maxfps": 75,  # turns of the loop; a finger waits for one of them, a picture is drawn only when it changed
            "multisamples": 0,
            "show_cursor": 0 if fullscreen else 1,
        },
    }
    for section, values in settings.items():
        for name, value in values.items():
            Config.set(section, name, str(value))
    # only what the window itself reports: no second finger on a right click, no raw devices
    for name, _ in Config.items("input"):
        Config.remove_option("input", name)
    Config.set("input", "mouse", "mouse,disable_multitouch")


def _log_to(path: Path) -> None:
    """Keep faults in a file of limited size, for nobody reads stderr in a cab."""
    path.parent.mkdir(parents=True, exist_ok=True)
    keeper = RotatingFileHandler(path, maxBytes=1_000_000, backupCount=3, delay=True)
    keeper.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(name)s: %(message)s"))
    keeper.setLevel(logging.WARNING)
    logging.getLogger().addHandler(keeper)
