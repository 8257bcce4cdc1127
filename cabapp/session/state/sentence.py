"""One message with its rank; the ranks; one item of advice."""

from dataclasses import dataclass

from cabapp.common.message import Message

DANGER, RECORDING, STOP_RULE, SEEDER, RECOVER, QUIET = 1, 2, 3, 4, 5, 6
"""Ranks, the most pressing first."""


@dataclass(frozen=True, slots=True)
class Sentence:
    """The one message that matters now.

    `rank`: 1 danger ahead, 2 recording or position, 3 stop rule, 4 seeder, 5 about to re-cover, 6 picture only.
    `words`: a whole sentence for a person.
    `act_now`: true while the accent (and one sound per rise) belongs to it.
    `side`: where to move: -1 left, +1 right, 0 neither.
    `i_know`: true when the "I know" button silences it.
    `answers`: buttons of a question: (words on the button, kind to give to ``Session.tap``).
    `sound`: grows by one each time a sound is due; a screen sounds when it has grown.
    """

    rank: int
    words: Message
    act_now: bool = False
    side: int = 0
    i_know: bool = False
    answers: tuple[tuple[Message, str], ...] = ()
    sound: int = 0


@dataclass(frozen=True, slots=True)
class Advice:
    """One sentence of the day: ``key`` names its cause, ``rank`` is that of ``Sentence``."""

    key: str
    rank: int
    words: Message
