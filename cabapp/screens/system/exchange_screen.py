"""Exchanging records with a stick or a watched folder: one tap, how far it is, and what came of it."""

from kivy.properties import BooleanProperty, NumericProperty, StringProperty

from cabapp.common.message import message
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from store.models import Farm, Stint

WORKED = message(
    "There is work in this tablet's logbook already, so it cannot join by itself. Nothing is lost: work on, and take it to "
    "the office, where its days can be brought in as recordings."
)
PUT_AWAY = message("Put away. Exchange now, and pair with the farm's office.")


class ExchangeScreen(CabScreen):
    """Says where there is something to exchange with, and shows the exchange while it goes on."""

    remark = StringProperty()
    said = StringProperty()
    share = NumericProperty(0)  # of the bundles that are being taken in, 0 to 1
    busy = BooleanProperty(False)
    possible = BooleanProperty(False)
    lockable = BooleanProperty(False)  # the passphrase can be typed from here: nothing is set up yet, or it is wrong

    joinable = BooleanProperty(False)  # another farm was met, and there is no work of this one
    asking = BooleanProperty(False)  # whether this tablet's farm is to be thrown away

    def on_pre_enter(self, *_args):
        self.asking = False

    def show(self, view) -> None:
        exchange = self.app.exchange
        self.busy = exchange.busy
        self.lockable = view.state == "idle" and (exchange.locked or not self.app.store.all(Farm))
        self.share = exchange.done / exchange.of if exchange.of else 0
        places = exchange.places()
        bare = exchange.bare
        self.possible = bool(places or bare) and not self.busy
        self.remark = translate(tuple(exchange.name_of(place) for place in (*places, *bare)))
        worked = bool(exchange.other_farms) and bool(self.app.store.all(Stint))
        self.joinable = view.state == "idle" and bool(exchange.other_farms) and not worked and not self.busy
        if self.asking:
            self.said = translate(self._question())
        elif self.busy:
            self.said = translate("Exchanging. Leave the stick in.")
        elif exchange.messages:
            self.said = "\n".join(map(translate, [*exchange.messages, *([WORKED] if worked else [])]))
        elif bare:
            names = tuple(exchange.name_of(place) for place in bare)
            self.said = translate(
                message("There is no folder named rollbook on {sticks} yet. Exchange now makes one.", sticks=names)
            )
        elif places:
            self.said = translate("Ready to exchange.")
        else:
            self.said = translate("No stick is in. Put one in.")

    def _question(self):
        ours = next((farm.name for farm in self.app.store.all(Farm)), "?")
        return message(
            "Join {theirs}? The farm '{ours}' that was begun on this tablet is put away, with all that was typed for it; no "
            "work was done in it yet. Afterwards exchange, and pair.",
            theirs=tuple(self.app.exchange.other_farms), ours=ours,
        )  # fmt: skip

    def join(self):
        """Ask, and at the second touch put this tablet's farm away."""
        if not self.asking:
            self.asking = True
            return
        self.asking = False
        if self.app.attempt(self.app.exchange.leave_farm):
            self.app.begin_anew()
            self.app.show_refusal(PUT_AWAY)

    def type_passphrase(self):
        """Ask for the passphrase, and come back."""
        self.app.screens.get_screen("set-up").only_passphrase = True
        self.app.go("set-up")

    def back(self):
        """To the pass, or to taking over; from the question, to what was said."""
        if self.asking:
            self.asking = False
            return
        self.app.exchange.messages = []
        self.app.back()
