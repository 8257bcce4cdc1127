"""Exchanging records with a stick or a watched folder: one tap, how far it is, and what came of it."""

from kivy.properties import BooleanProperty, NumericProperty, StringProperty

from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate


class ExchangeScreen(CabScreen):
    """Says where there is something to exchange with, and shows the exchange while it goes on."""

    remark = StringProperty()
    said = StringProperty()
    share = NumericProperty(0)  # of the bundles that are being taken in, 0 to 1
    busy = BooleanProperty(False)
    possible = BooleanProperty(False)

    def show(self, view) -> None:
        exchange = self.app.exchange
        self.busy = exchange.busy
        self.share = exchange.done / exchange.of if exchange.of else 0
        places = exchange.places()
        self.possible = bool(places) and not self.busy
        self.remark = translate(tuple(exchange.name_of(place) for place in places))
        if self.busy:
            self.said = translate("Exchanging. Leave the stick in.")
        elif exchange.messages:
            self.said = "\n".join(map(translate, exchange.messages))
        elif places:
            self.said = translate("Ready to exchange.")
        else:
            self.said = translate("No stick is in. Put one in that has a folder named rollbook.")

    def back(self):
        """To the pass, or to taking over."""
        self.app.exchange.messages = []
        self.app.back()
