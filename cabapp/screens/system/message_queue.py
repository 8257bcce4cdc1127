"""Which one sentence the cab shows now, of all that want to be said. No Kivy.

In order: what was refused just now; what must be done now; that nothing is being saved; what the
session asks; a stick that was put in; a wrong clock, a mending; what the tablet itself suffers from.
"""

import time

from cabapp.common.message import Message, message
from cabapp.screens.widgets.translation import translate
from cabapp.session.state.sentence import QUIET, RECORDING, Sentence
from cabapp.tablet.logbook_status import ACKNOWLEDGED, LogbookStatus
from store.errors import Refused

REFUSED_S = 8.0  # how long a refusal stays
EXCHANGE, NOT_NOW = "exchange", "not_now"
NOT_SAVED = message("NOTHING IS BEING SAVED. Make room, or put the disk back.")
"""For two seconds' look; why, and what becomes of it, stands over every other screen."""
STICK = message("A stick is in. Exchange records with it?")


class MessageQueue:
    """Ranks what the session, the logbook, a stick and the tablet have to say.

    `exchange`: Exchange or None: whose stick may be offered.
    """

    def __init__(self, keeping: LogbookStatus, exchange=None, seconds=time.monotonic):
        self._logbook_status, self._exchange, self._seconds = keeping, exchange, seconds
        self._refused: tuple[Message | Refused | None, float] = (None, 0.0)
        self.tablet_trouble_words: Message | None = None

    def refuse(self, words: Message | Refused) -> None:
        self._refused = words, self._seconds() + REFUSED_S

    def withdraw(self) -> None:
        """Take the refusal away that is said now."""
        self._refused = None, 0.0

    def line(self, view) -> Sentence | None:
        """Return the sentence for the pass screen's line."""
        asked = view.sentence
        shout = Sentence(RECORDING, NOT_SAVED, act_now=True) if self._logbook_status.shout else None
        return self._refusal() or (asked if asked and asked.act_now else None) or shout or asked or self.quiet()

    def notice(self) -> str:
        """Return what lies over the head of any other screen; "" for nothing."""
        refused = self._refusal()
        said = refused.words if refused else self._logbook_status.shout
        return translate(said) if said else ""

    def quiet(self) -> Sentence | None:
        """Return what may be said while nothing more urgent is."""
        if self._exchange is not None and self._exchange.offered:
            return Sentence(QUIET, STICK, answers=((message("Exchange"), EXCHANGE), (message("Not now"), NOT_NOW)))
        if self._logbook_status.words:
            heard = ((message("I have read this"), ACKNOWLEDGED),) if self._logbook_status.can_be_acknowledged else ()
            return Sentence(QUIET, self._logbook_status.words, answers=heard)
        return Sentence(QUIET, self.tablet_trouble_words) if self.tablet_trouble_words else None

    def _refusal(self):
        words, until = self._refused
        return Sentence(RECORDING, words) if words and self._seconds() <= until else None
