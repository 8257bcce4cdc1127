"""What a person is told: messages, and the refusals that carry one.

Everything else that escapes is a bug and is logged as one. A message is rendered in the farm's
units and language by ``cabapp.common.rendering``; ``str`` of it is English.
"""

import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Message:
    """A sentence for a person: its English text as id, and what stands in its named places.

    `id`: the English sentence, the singular where there is a plural.
    `values`: names (str), numbers, other messages, tuples of these, or quantities of ``cabapp.common.quantities``.
    `plural`: the English sentence for a ``count`` other than 1.

    >>> str(message("There is no field called {name}.", name="Home"))
    'There is no field called Home.'
    >>> [str(plural("{count} gap", "{count} gaps", n)) for n in (1, 3)]
    ['1 gap', '3 gaps']

    A place written with a capital takes its value with a capital:

    >>> str(message("{Kind} ahead.", kind=message("rock")))
    'Rock ahead.'
    """

    id: str
    values: Mapping[str, object] = field(default_factory=dict, hash=False)
    plural: str | None = None
    count: int | None = None

    def filled(self, template: str, text: Callable[[object], str]) -> str:
        """Return a template, English or translated, with its values as ``text`` writes them; KeyError on an unknown place."""
        return template.format_map(_Places(self.values, text)) if self.values else template

    def __str__(self) -> str:
        one = self.plural is None or self.count == 1
        return self.filled(self.id if one else self.plural or "", english)


class _Places(dict[str, str]):
    """The named places of one message, each written when it is asked for."""

    def __init__(self, values: Mapping[str, object], text: Callable[[object], str]):
        super().__init__()
        self._values, self._text = values, text

    def __missing__(self, name: str) -> str:
        if name in self._values:
            return self._written(self._values[name])
        written = self._written(self._values[name[:1].lower() + name[1:]])
        return written[:1].upper() + written[1:]

    def _written(self, value: object) -> str:
        return self._text(value) if isinstance(value, Message) else printable(self._text(value))


def printable(text: str) -> str:
    r"""Return a text whose control characters, line ends and lone surrogates are written as escapes.

    >>> print(printable("a\x1b[2J\nb"), printable("Søren"))
    a\x1b[2J\nb Søren

    Notes: A name of a file may hold any of them, and a terminal would obey them.
    """
    if text.isprintable():
        return text
    return "".join(
        c.encode("unicode_escape").decode() if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") else c for c in text
    )


def english(value: object) -> str:
    """Return a value of a message in English; several are separated by commas."""
    return ", ".join(map(english, value)) if isinstance(value, tuple | list) else str(value)


def message(sentence: str, /, **values: object) -> Message:
    """Return a message. Its sentence is a literal, because translators' files are made from the source."""
    return Message(sentence, values)


def plural(one: str, many: str, count: int, /, **values: object) -> Message:
    """Return a message that depends on a number, which stands in the place ``{count}``."""
    return Message(one, values | {"count": count}, many, count)


class Refused(Exception):
    """A sentence for a person; nothing was changed and nothing was lost.

    `sentence`: str or Message: the English sentence, whole, with named places in braces: the message id.
    `**values`: what stands in the places.

    >>> str(Refused("There is no field called {name}.", name="Home"))
    'There is no field called Home.'
    """

    def __init__(self, sentence: str | Message, /, **values: object):
        self.message = sentence if isinstance(sentence, Message) else Message(sentence, values)
        super().__init__(self.message.id)

    def __str__(self) -> str:
        return str(self.message)


class StoreRefused(Refused):
    """The logbook file cannot be opened or written."""


class TraceRefused(Refused):
    """A trace file cannot be read."""


class BoundaryRefused(Refused):
    """A field boundary cannot be read, or cannot be a field."""


class BundleRefused(Refused):
    """A bundle cannot be merged or written."""
