"""Rows of the logbook by the name a person typed."""

from collections.abc import Iterable
from typing import Any

from store.errors import Refused


def row_called(rows: list, kind: str, name: str | None, names: dict[str, str] | None = None) -> Any:
    """Return the one row of a name, letter case ignored; without a name, the only row.

    `kind` says what the rows are; `names` gives them by id where they are not the rows' own.

    Raises Refused: none is called so, or several are.
    """
    names = names or {row.id: row.name for row in rows}
    found = [row for row in rows if name is None or names[row.id].casefold() == name.casefold()]
    if len(found) == 1:
        return found[0]
    known = listed(names.values())
    if name is None:
        raise Refused("Say which {kind} it is. In this logbook: {known}.", kind=kind, known=known)
    sentence = (
        "More than one {kind} is called {name!r}."
        if found
        else "There is no {kind} called {name!r}. In this logbook: {known}."
    )
    raise Refused(sentence, kind=kind, name=name, known=known)


def listed(names: Iterable[str]) -> str:
    """Return names in order, separated by commas."""
    return ", ".join(sorted(names)) or "none yet"
