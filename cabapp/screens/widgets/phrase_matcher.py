"""A phrase book: finds which English phrase a sentence is, and what its figures are. No Kivy.

The session, the receiver, the store and the exchange speak English, and English is what is written
down and carried to other tablets. So a sentence that another tablet wrote last week is put into
this tablet's language as well as one that was said just now.
"""

import re
from collections.abc import Mapping

DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
DATE = "{weekday} {day} {month}"
_STOPS = " .,;:!?\n"
_SPLITS = ("\n", ". ", "? ", "; ", ": ", ", ", " (")
_FIGURE = re.compile(r"\{(\w+)\}")
_DATED = re.compile(rf"(?P<weekday>{'|'.join(DAYS)}) (?P<day>\d+) (?P<month>{'|'.join(MONTHS)})")
_DEEPEST = 6


def bare(phrase: str) -> str:
    """Return a phrase without the blanks and stops at its ends, which stay where they are.

    Examples
    --------
    >>> bare("; you catch up in {spell}."), bare("estimate)"), bare("dark (10:31)")
    ('you catch up in {spell}', 'estimate', 'dark (10:31)')
    """
    core = phrase.strip(_STOPS)
    return core if core.count("(") == core.count(")") else core.strip(_STOPS + "()")


class PhraseBook:
    """English phrases and what another language says for them.

    Parameters
    ----------
    phrases : mapping of str to str
        English phrase, with figures in braces, to the other language's.
    names : set of str
        The names in the logbook, which stay as they are wherever they stand alone.

    Examples
    --------
    >>> book = PhraseBook({"Grease the {tool} at the next stop": "Beim Halt {tool} schmieren", "rolling": "Walzen"})
    >>> book.say("Grease the 40 ft roller at the next stop.")
    'Beim Halt 40 ft roller schmieren.'
    >>> book.say("Rolling, 61 ac")
    'Walzen, 61 ac'
    """

    def __init__(self, phrases: Mapping[str, str], names: frozenset[str] = frozenset()):
        self._names = names
        self._plain, patterns = {}, []
        for english, other in phrases.items():
            key = bare(english)
            if key == DATE:
                continue  # it would take any three words for a date
            if _FIGURE.search(key):
                patterns.append((len(_FIGURE.sub("", key)), _pattern(key), bare(other)))
            elif key:
                self._plain[key] = bare(other)
        patterns.sort(key=lambda one: -one[0])
        self._patterns = [(pattern, other) for _, pattern, other in patterns]
        self._patterns.append((_DATED, phrases.get(DATE) or DATE))

    def say(self, sentence: str) -> str:
        """Return a sentence in the other language; what is not known stays English."""
        return self._say(sentence, 0)

    def _say(self, said, depth):
        core = bare(said)
        if not core or depth > _DEEPEST or core in self._names:
            return said
        start = said.index(core)
        found = self._known(core, depth)
        if found is None:
            found = self._in_pieces(core, depth)
        return said[:start] + found + said[start + len(core) :]

    def _known(self, core, depth):
        """Return what is said for a whole phrase, or None."""
        if core in self._plain:
            return self._plain[core]
        low = core[0].lower() + core[1:]
        if low in self._plain:
            other = self._plain[low]
            return other[:1].upper() + other[1:]
        for pattern, other in self._patterns:
            match = pattern.fullmatch(core)
            if match:
                figures = {name: self._say(words, depth + 1) for name, words in match.groupdict().items()}
                try:
                    return other.format(**figures)
                except (KeyError, IndexError, ValueError):
                    return None  # a slip in the language file
        return None

    def _in_pieces(self, core, depth):
        for split in _SPLITS:
            if split in core:
                return split.join(self._say(piece, depth + 1) for piece in core.split(split))
        return core


def _pattern(key: str) -> re.Pattern:
    """Return what matches a phrase with its figures; a figure may also be empty, or several words."""
    parts = _FIGURE.split(key)
    regex = "".join(f"(?P<{part}>.*?)" if k % 2 else re.escape(part) for k, part in enumerate(parts))
    return re.compile(regex, re.DOTALL)
