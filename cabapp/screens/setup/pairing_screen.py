"""Pairing: who was met on a stick and waits, and whether their own screen shows the same code."""

from functools import partial

from kivy.properties import BooleanProperty, StringProperty

from cabapp.common.message import message
from cabapp.screens.widgets.row_list import Row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from sync.device_trust import Card
from sync.enrolment import card_of, enrol, hold_to, is_office, office_of

PAIRED = message("Paired. Exchange once more, and its records are taken in.")


class PairingScreen(CabScreen):
    """A list of those who wait; then one of them, with the code that a person compares on both screens."""

    part = StringProperty("list")  # "list" or "compare"
    own = StringProperty()
    said = StringProperty()
    question = StringProperty()
    code = StringProperty()
    may_lead = BooleanProperty(False)  # the other one may be the office
    may_join = BooleanProperty(False)  # the other one may be put on the roll here

    def on_pre_enter(self, *_args):
        self._card: Card | None = None
        self.show_list()

    def show_list(self):
        """Show who waits."""
        exchange, card = self.app.exchange, card_of(self.app.store)
        exchange.forget_paired()
        self.own = translate(message("This tablet: {code}", code=card.fingerprint))
        waiting = sorted(exchange.strangers.values(), key=lambda one: (one.name, one.device))
        self.ids.list.fill(
            Row(words=one.name, remark=one.fingerprint, on_release=lambda _row, one=one: self.compare(one))
            for one in waiting
        )
        if waiting:
            self.said = translate("Touch who is to be paired.")
        else:
            self.said = translate(
                "Nobody waits to be paired. Put in a stick that the other machine has exchanged with, and exchange."
            )
        self.part = "list"

    def compare(self, card: Card):
        """Ask whether the other machine's own screen shows this code."""
        leads, office = is_office(self.app.store), office_of(self.app.store)
        self._card, self.code = card, card.fingerprint
        asked = message("Does the screen of {name} itself show this code? Compare every letter.", name=card.name)
        self.question = translate(asked)
        self.may_lead, self.may_join = not leads, leads or office is None
        self.part = "compare"

    def take_as_office(self):
        """It is the office: this tablet goes by its roll."""
        self._pair(partial(hold_to, self.app.store, self._card))

    def take_as_ours(self):
        """It is one of ours: this copy, the office, enrols it."""
        self._pair(partial(enrol, self.app.store, self._card))

    def _pair(self, act):
        if self.app.attempt(act):
            self.app.show_refusal(PAIRED)
            self.show_list()
