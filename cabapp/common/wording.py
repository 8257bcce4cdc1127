"""Words of the work: what was done to ground, how often, to which side. It knows no figures and no units."""

import math

from cabapp.common.message import N_, Message, message, plural

WAYS = (
    N_("north"), N_("north-east"), N_("east"), N_("south-east"), N_("south"), N_("south-west"), N_("west"), N_("north-west"),
)  # fmt: skip
_DONE = {
    "rolling": message("rolled"),
    "harrowing": message("harrowed"),
    "spraying": message("sprayed"),
    "seeding": message("seeded"),
    "swathing": message("swathed"),
}
HARVESTS = ("combining", "harvesting")  # where a stone that was hit is marked instead of a rock seen


def covered(operation: str) -> Message:
    """Return what an operation has done to ground: "rolled"; "covered" for others."""
    return _DONE.get(operation, message("covered"))


def verb(operation: str) -> str:
    """Return the same in English, with a capital.

    >>> verb("rolling"), verb("mulching")
    ('Rolled', 'Covered')
    """
    return str(covered(operation)).capitalize()


def how_often(count: int) -> Message:
    """Return a number of passes in words."""
    if count in (1, 2):
        return message("once") if count == 1 else message("twice")
    return plural("{count} time", "{count} times", count)


def times(count: int) -> str:
    """Return the same in English.

    >>> times(1), times(2), times(3)
    ('once', 'twice', '3 times')
    """
    return str(how_often(count))


def side(sign: int) -> str:
    """Return a side as seen by the operator, looking ahead: -1 left, +1 right.

    >>> side(-1), side(1)
    ('left', 'right')
    """
    return N_("left") if sign < 0 else N_("right")


def way(east: float, north: float) -> str:
    """Return the compass way of a displacement, m.

    >>> way(0, 5), way(-3, -3)
    ('north', 'south-west')
    """
    return WAYS[round(math.atan2(east, north) / (math.pi / 4)) % 8]
