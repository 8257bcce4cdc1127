"""Every screen of the cab as one row of a table, and the screen that the state of the work asks for."""

from dataclasses import dataclass

from cabapp.common.message import N_
from cabapp.screens.setup.device_card_screen import DeviceCardScreen
from cabapp.screens.setup.first_run_screen import FirstRunScreen
from cabapp.screens.setup.pairing_screen import PairingScreen
from cabapp.screens.setup.receiver_screen import ReceiverScreen
from cabapp.screens.setup.recorded_day_screen import RecordedDayScreen
from cabapp.screens.setup.setup_screen import SetUpScreen
from cabapp.screens.stint.finish_screen import FinishScreen
from cabapp.screens.stint.hand_over_screen import HandOverScreen
from cabapp.screens.stint.inspection_screen import LookFirstScreen, WalkRoundScreen
from cabapp.screens.stint.receive_screen import ReceiveScreen
from cabapp.screens.stint.stop_screen import StopScreen
from cabapp.screens.stint.take_over_screen import TakeOverScreen
from cabapp.screens.system.exchange_screen import ExchangeScreen
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.work.day_screen import DayScreen
from cabapp.screens.work.gap_tour_screen import GapTourScreen
from cabapp.screens.work.menu_screen import MenuScreen
from cabapp.screens.work.pass_screen import PassScreen, is_moving


@dataclass(frozen=True)
class Allowed:
    """Where Back leads from a screen, and whether it stays when the tractor moves off."""

    parent: str | None
    moving: bool = False


@dataclass(frozen=True)
class ScreenRow:
    """A screen: when it is allowed, its key in the menu, and the parts of it that stay open while driving."""

    screen: type[CabScreen]
    stint: Allowed | None = None  # while a stint is open; None: not then
    idle: Allowed | None = None  # while none is; None: not then
    key: str | None = None
    driven: tuple[str, ...] = ()


MENU = Allowed("more")
SET_UP = Allowed("take over")
SCREENS = {
    "take over": ScreenRow(TakeOverScreen, idle=Allowed(None, moving=True)),
    "pass": ScreenRow(PassScreen, stint=Allowed(None, moving=True)),
    "stop": ScreenRow(StopScreen, stint=Allowed("pass")),
    "hand over": ScreenRow(HandOverScreen, stint=MENU, key=N_("Hand over")),
    "finish": ScreenRow(FinishScreen, stint=MENU, key=N_("Finish")),
    "more": ScreenRow(MenuScreen, stint=Allowed("pass")),
    "walk round": ScreenRow(WalkRoundScreen, stint=MENU, key=N_("Walk round")),
    "look first": ScreenRow(LookFirstScreen, stint=MENU, key=N_("Look first")),
    "the day": ScreenRow(DayScreen, stint=MENU, key=N_("The day")),
    "mop up": ScreenRow(GapTourScreen, stint=MENU, key=N_("Mop up")),
    "exchange": ScreenRow(ExchangeScreen, stint=Allowed("pass"), idle=Allowed("take over", moving=True)),
    "pairing": ScreenRow(PairingScreen, stint=Allowed("exchange"), idle=Allowed("exchange")),
    "receive": ScreenRow(ReceiveScreen, idle=Allowed("take over", moving=True)),
    "first": ScreenRow(FirstRunScreen, idle=SET_UP),
    "set-up": ScreenRow(SetUpScreen, idle=SET_UP, driven=("round",)),
    "receiver": ScreenRow(ReceiverScreen, stint=MENU, idle=SET_UP, driven=("both ways",)),
    "bring in": ScreenRow(RecordedDayScreen, idle=SET_UP),
    "card": ScreenRow(DeviceCardScreen, stint=Allowed("pairing"), idle=Allowed("pairing")),
}
"""Name -> row. The first is shown first; keys of rows above "more" lie before the menu's own, the others after."""


def all_screens() -> list[CabScreen]:
    """Return one of each screen, the first to be shown first; the menu has a key for each that names one."""
    screens = {name: row.screen(name=name) for name, row in SCREENS.items()}
    names = list(SCREENS)
    keys = [(row.key, name) for name, row in SCREENS.items() if row.key]
    menu = names.index("more")
    screens["more"].add_keys(
        [key for key in keys if names.index(key[1]) < menu], [key for key in keys if names.index(key[1]) > menu]
    )
    return list(screens.values())


def in_stint(view) -> bool:
    """Whether a stint is open, or was finished so lately that it can be undone."""
    return view.state not in ("idle", "handed over") and (view.state != "finished" or view.undo_left > 0)


def parent_of(name: str, view) -> str:
    """Return the screen that Back leads to."""
    row = SCREENS[name]
    return ((row.stint if in_stint(view) else row.idle) or row.stint or row.idle).parent


def screen_for(view, here: str, part: str, standing: bool, before: str | None) -> str:
    """Return the screen that the state asks for; most close as soon as the tractor moves off.

    `view`: View.
    `here`, `part`: the screen that is shown, and its part.
    `standing`: whether the tablet stands still, as far as is known.
    `before`: the state at the last look; None at the first.
    """
    if view.state == "handed over" and before != view.state:
        return "receive"
    row, working = SCREENS[here], view.state == "working"
    allowed, home = (row.stint, "pass") if in_stint(view) else (row.idle, "take over")
    still = not is_moving(view) if in_stint(view) else standing
    stays = allowed and (allowed.moving or still or (part in row.driven and not working))
    return here if stays else home
