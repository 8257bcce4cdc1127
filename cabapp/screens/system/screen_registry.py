"""All pages of the cab by name, and which of them the state of the work asks for."""

from kivy.uix.screenmanager import Screen

from cabapp.screens.setup.device_card_screen import CardScreen
from cabapp.screens.setup.first_run_screen import FirstScreen
from cabapp.screens.setup.receiver_screen import ReceiverScreen
from cabapp.screens.setup.recorded_day_screen import BroughtScreen
from cabapp.screens.setup.setup_screen import SetUpScreen
from cabapp.screens.stint.finish_screen import FinishScreen
from cabapp.screens.stint.hand_over_screen import HandOverScreen
from cabapp.screens.stint.inspection_screen import LookFirstScreen, WalkRoundScreen
from cabapp.screens.stint.receive_screen import ReceiveScreen
from cabapp.screens.stint.stop_screen import StopScreen
from cabapp.screens.stint.take_over_screen import TakeOverScreen
from cabapp.screens.system.exchange_screen import ExchangeScreen
from cabapp.screens.work.day_screen import DayScreen
from cabapp.screens.work.gap_tour_screen import MopUpScreen
from cabapp.screens.work.menu_screen import MoreScreen
from cabapp.screens.work.pass_screen import PassScreen, is_moving

PAGES = {
    "take over": TakeOverScreen, "set-up": SetUpScreen, "pass": PassScreen, "stop": StopScreen, "more": MoreScreen,
    "finish": FinishScreen, "walk round": WalkRoundScreen, "look first": LookFirstScreen, "the day": DayScreen,
    "mop up": MopUpScreen, "exchange": ExchangeScreen, "hand over": HandOverScreen, "receive": ReceiveScreen,
    "receiver": ReceiverScreen, "bring in": BroughtScreen, "first": FirstScreen, "card": CardScreen,
}  # fmt: skip
OF_A_STINT = (
    "stop",
    "more",
    "hand over",
    "finish",
    "walk round",
    "look first",
    "the day",
    "mop up",
    "exchange",
    "receiver",
)
"""Pages of an open stint that are for standing."""
SETTING_UP = ("set-up", "receiver", "bring in", "first", "card")
WITHOUT = ("take over", "receive", "exchange", *SETTING_UP)
"""Pages for when no stint is open."""
DRIVEN = ("round", "both ways")
"""Parts of pages that are looked at while somebody drives to set something up."""


def all_pages() -> list[Screen]:
    """Return one of each page, the first to be shown first."""
    return [page(name=name) for name, page in PAGES.items()]


def page_for(view, here: str, part: str, standing: bool, before: str | None) -> str:
    """Return the page that the state asks for; lists are shut as soon as the tractor moves off.

    Parameters
    ----------
    view : View
    here, part : str
        The page that is shown, and its part.
    standing : bool
        Whether the tablet stands still, as far as is known.
    before : str or None
        The state at the last look; None at the first.
    """
    driven = part in DRIVEN
    if view.state == "handed over" and before != view.state:
        return "receive"
    if view.state in ("idle", "handed over") or (view.state == "finished" and view.undo_left <= 0):
        shut = here in SETTING_UP and not standing and not driven
        return here if here in WITHOUT and not shut else "take over"
    if is_moving(view) and not (driven and view.state != "working"):
        return "pass"
    return here if here in OF_A_STINT else "pass"
