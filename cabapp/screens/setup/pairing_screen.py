"""Pairing: who was met on a stick and waits, and whether their own screen shows the same code."""

from functools import partial

from kivy.properties import StringProperty

from cabapp.common.message import N_, Message, message
from cabapp.screens.widgets.row_list import Row
from cabapp.screens.widgets.screen_frame import CabScreen
from cabapp.screens.widgets.translation import translate
from sync.device_trust import Card
from sync.enrolment import OfficeKnown, card_of, hold_to, pair_here, remark_on, roll_of

PAIRED = message("Paired here. Pair this tablet on the other machine too, then exchange once more.")
STANDINGS = N_({"office": "{name} is our office.", "tablet": "{name} is paired.", "revoked": "{name} is struck off."})


class PairingScreen(CabScreen):
    """A list of those who wait; then one of them, with the code that a person compares on both screens.

    Notes: Both answers can always be given: what cannot be is refused in words. Another office in place of the one there is
    takes a second touch.
    """

    part = StringProperty("list")  # "list", "compare" or "change" (of the office)
    own = StringProperty()
    said = StringProperty()
    question = StringProperty()
    code = StringProperty()

    def on_pre_enter(self, *_args):
        self._card: Card | None = None
        self.show_list()

    def show_list(self):
        """Show who waits, and who is paired."""
        store, exchange = self.app.store, self.app.exchange
        card = card_of(store)
        exchange.forget_paired()
        self.own = translate(message("This tablet: {code}", code=card.fingerprint))
        waiting = sorted(exchange.strangers.values(), key=lambda one: (one.name, one.device))
        rows = [
            Row(
                words=translate(remark_on(store, one) or one.name),
                remark=one.fingerprint,
                on_release=lambda _row, one=one: self.compare(one),
            )
            for one in waiting
        ]
        for entry in roll_of(store):
            if entry.device != store.device and entry.state in STANDINGS and entry.device not in exchange.strangers:
                words = translate(Message(STANDINGS[entry.state], {"name": entry.name}))
                rows.append(Row(words=words, remark=Card(entry.device, entry.name, entry.public_key).fingerprint))
        self.ids.list.fill(rows)
        if waiting:
            self.said = translate("Touch who is to be paired.")
        else:
            self.said = translate(
                "Nobody waits to be paired. Put in a stick that the other machine has exchanged with, and exchange."
            )
        self.part = "list"

    def compare(self, card: Card):
        """Ask whether the other machine's own screen shows this code."""
        self._card, self.code = card, card.fingerprint
        asked = message("Does the screen of {name} itself show this code? Compare every letter.", name=card.name)
        self.question = translate(asked)
        self.part = "compare"

    def take_as_office(self):
        """It is the office: this tablet goes by its roll. If it knows another one, it asks once more."""
        known: list[OfficeKnown] = []

        def act():
            try:
                hold_to(self.app.store, self._card)
            except OfficeKnown as there:
                known.append(there)

        if not self.app.attempt(act):
            return
        if known:
            self.question = translate(known[0].message)
            self.part = "change"
        else:
            self._show_paired()

    def take_as_office_instead(self):
        """It is the office in place of the one there is."""
        self._pair(partial(hold_to, self.app.store, self._card, instead=True))

    def take_as_ours(self):
        """It is one of ours: this copy takes its records in; the office enrols it."""
        self._pair(partial(pair_here, self.app.store, self._card))

    def _pair(self, act):
        if self.app.attempt(act):
            self._show_paired()

    def _show_paired(self):
        self.app.exchange.messages = []  # what was said of it before
        self.app.show_refusal(PAIRED)
        self.show_list()
