"""The words of the session: verbs, counts, sides. It knows no figures and no units."""

from __future__ import annotations

import math

WAYS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")
_VERBS = {
    "rolling": "Rolled",
    "harrowing": "Harrowed",
    "spraying": "Sprayed",
    "seeding": "Seeded",
    "swathing": "Swathed",
}


HARVESTS = ("combining", "harvesting")  # where a stone that was hit is marked instead of a rock seen


def verb(operation: str) -> str:
    """Return what has been done to ground by an operation.

    >>> verb("rolling"), verb("mulching")
    ('Rolled', 'Covered')
    """
    return _VERBS.get(operation, "Covered")


def times(count: int) -> str:
    """Return a number of passes in words.

    >>> times(1), times(2), times(3)
    ('once', 'twice', '3 times')
    """
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def side(sign: int) -> str:
    """Return a side as seen by the operator, looking ahead: -1 left, +1 right.

    >>> side(-1), side(1)
    ('left', 'right')
    """
    return "left" if sign < 0 else "right"


def way(east: float, north: float) -> str:
    """Return the compass way of a displacement, m.

    >>> way(0, 5), way(-3, -3)
    ('north', 'south-west')
    """
    return WAYS[round(math.atan2(east, north) / (math.pi / 4)) % 8]
