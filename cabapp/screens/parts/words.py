"""The words of the screens, in the tablet's language. All of them are in words.json, once.

A language is a copy of that file with the right-hand sides filled in; what it leaves out stays
English. Sentences of the session (what matters now) are not among them.
"""

import json
import logging
from pathlib import Path

LOG = logging.getLogger("rollbook.words")
ENGLISH = Path(__file__).parent.with_name("words.json")
_other: dict[str, str] = {}


def use(path: Path | None) -> None:
    """Speak the language of a file from now on; None, or a file that cannot be read: English."""
    _other.clear()
    if path is None:
        return
    try:
        _other.update({k: v for k, v in json.loads(Path(path).read_text(encoding="utf-8")).items() if v})
    except (OSError, ValueError, AttributeError):
        LOG.warning("the language file %s could not be read", path, exc_info=True)


def say(words: str, /, **figures) -> str:
    """Return English words in the tablet's language, with figures put in.

    Examples
    --------
    >>> say("{area} to finish", area="61 acres")
    '61 acres to finish'
    """
    said = _other.get(words, words)
    try:
        return said.format(**figures) if figures else said
    except (KeyError, IndexError, ValueError):
        LOG.warning("the words %r do not take %s", said, list(figures))
        return words.format(**figures)
