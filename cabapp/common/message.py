"""Messages as they are kept in records: a message to plain JSON values and back."""

from typing import TypeVar

from cabapp.common.quantities import KINDS, Quantity
from store.errors import Message, message, plural

__all__ = ["N_", "Message", "as_json", "from_json", "message", "plural"]


_Words = TypeVar("_Words")


def N_(words: _Words) -> _Words:
    """Return a word, or a table of words, as it is: each of its strings (of a mapping its values) is a message."""
    return words


def as_json(said: object) -> object:
    """Return a message as JSON values: a string where nothing stands in places.

    >>> from cabapp.common.quantities import Area
    >>> as_json(message("for {area}, {times}", area=Area(4047.0), times=message("twice")))
    {'id': 'for {area}, {times}', 'values': {'area': {'Area': 4047.0}, 'times': {'id': 'twice'}}}
    """
    if isinstance(said, Quantity):
        return {type(said).__name__: said.value}
    if isinstance(said, tuple | list):
        return [as_json(one) for one in said]
    if not isinstance(said, Message):
        return said
    kept: dict[str, object] = {"id": said.id}
    if said.values:
        kept["values"] = {name: as_json(value) for name, value in said.values.items()}
    return kept | ({"plural": said.plural, "count": said.count} if said.plural is not None else {})


def from_json(kept: object) -> object:
    """Return what ``as_json`` kept; ValueError for what it cannot have written.

    >>> str(from_json({"id": "for {area}", "values": {"area": {"Area": 247000.0}}}))
    'for 61 ac'
    """
    if isinstance(kept, list):
        return tuple(from_json(one) for one in kept)
    if not isinstance(kept, dict):
        return kept
    if "id" not in kept:
        ((kind, value),) = kept.items()
        if kind not in KINDS or not isinstance(value, int | float | None):
            raise ValueError(f"no quantity: {kept!r}")
        return KINDS[kind](value)
    values, many, count = kept.get("values", {}), kept.get("plural"), kept.get("count")
    if not (isinstance(values, dict) and isinstance(many, str | None) and isinstance(count, int | None)):
        raise ValueError(f"no message: {kept!r}")
    said = Message(str(kept["id"]), {str(name): from_json(value) for name, value in values.items()}, many, count)
    try:
        str(said)
    except (LookupError, AttributeError, ArithmeticError, OSError) as error:
        raise ValueError(f"no message: {kept!r}") from error
    return said
