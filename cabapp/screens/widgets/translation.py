"""The words of the screens, in the tablet's language. All of them are in phrases.json, once.

A language is a copy of that file with the right-hand sides filled in; what it leaves out stays
English. Sentences from below the screens are found in it by a phrase book (`phrase_matcher.py`).
"""

import json
import logging
from functools import lru_cache
from pathlib import Path

from cabapp.screens.widgets.phrase_matcher import PhraseBook

LOG = logging.getLogger("rollbook.words")
ENGLISH = Path(__file__).with_name("phrases.json")
_other: dict[str, str] = {}
_book = PhraseBook({})


def use(path: Path | None, names: frozenset[str] = frozenset()) -> None:
    """Speak the language of a file from now on; None, or a file that cannot be read: English.

    Parameters
    ----------
    path : path or None
    names : frozenset of str
        Names in the logbook: a field that is called "Rock" keeps its name in any language.
    """
    global _book
    _other.clear()
    _spoken.cache_clear()
    try:
        if path is not None:
            read = json.loads(Path(path).read_text(encoding="utf-8"))
            _other.update({str(k): str(v) for k, v in read.items() if v})
    except (OSError, ValueError, AttributeError):
        LOG.warning("the language file %s could not be read", path, exc_info=True)
    _book = PhraseBook(_other, names)


def translate(words: str, /, **figures) -> str:
    """Return English words or a sentence in the tablet's language, with figures put in.

    Examples
    --------
    >>> translate("{area} to finish", area="61 acres")
    '61 acres to finish'
    """
    if not figures:
        return _spoken(words)
    said = _other.get(words, words)
    try:
        return said.format(**figures)
    except (KeyError, IndexError, ValueError):
        LOG.warning("the words %r do not take %s", said, list(figures))
        return words.format(**figures)


@lru_cache(4096)
def _spoken(words: str) -> str:
    if not _other:
        return words
    return _other.get(words) or _book.say(words)
