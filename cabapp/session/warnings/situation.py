"""Values the evaluator uses; marks in the way. Pure."""

import math
from dataclasses import dataclass

from cabapp.common.message import Message, message
from cabapp.jobs.records.field_marks import OBSTACLES
from cabapp.session.state.sentence import Advice, Sentence

DANGEROUS = (*OBSTACLES, "soft ground")
_CLEARANCE = 2.0  # m each side of the tool in which a mark is in the way


STOP_RULES = {
    "wet": message("The surface was wet when you looked. Stop until it is dry."),
    "mud": message("Mud sticks to the tool. Stop until the surface is dry."),
    "shoots": message("Shoots are just below the surface. Stop and ring before going on."),
    "blowing": message("The soil is blowing. Stop until the wind drops."),
}
"""What each bad answer of the look-first questions means; which of them stop the work is the farm's
rule (``cabapp.planning.go_rules``)."""


@dataclass(frozen=True, slots=True)
class Danger:
    """A mark in the way: ``ahead`` m along the heading, ``aside`` m to the right of it."""

    key: str
    kind: str
    ahead: float
    aside: float


def danger_ahead(x, y, heading, marks, width: float, reach: float) -> Danger | None:
    """Return the nearest dangerous mark in the tool's way, or None.

    `x`, `y`: place of the tractor, m east and north.
    `heading`: rad, counter-clockwise from east.
    `marks`: iterable of (key, kind, x, y).
    `width`, `reach`: tool width, and how far to look, m.

    >>> danger_ahead(0, 0, 0.0, [("a", "pole", 20.0, -3.0)], 12.0, 30.0)
    Danger(key='a', kind='pole', ahead=20.0, aside=3.0)
    >>> danger_ahead(0, 0, 0.0, [("a", "pole", 20.0, -9.0)], 12.0, 30.0) is None
    True
    """
    c, s = math.cos(heading), math.sin(heading)
    found = None
    for key, kind, mark_x, mark_y in marks:
        dx, dy = mark_x - x, mark_y - y
        ahead, aside = dx * c + dy * s, dx * s - dy * c
        in_way = 0 < ahead <= reach and abs(aside) <= width / 2 + _CLEARANCE
        if kind in DANGEROUS and in_way and (found is None or ahead < found.ahead):
            found = Danger(key, kind, ahead, aside)
    return found


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known at one moment. SI; headings rad; times POSIX s; None where not known.

    ``over``, ``move``, ``move_side`` are the look-ahead's: metres of tool on finished
    ground, how far to move, and to which side (-1 left, +1 right). ``edge_ahead`` is how
    far the edge of the field lies straight ahead; ``reach`` how far the look-ahead looks. ``away`` is how
    far the field lies where we are too far from it to be counted.
    ``stop_rule`` and ``seeder`` are messages. Where there is no warning, the line shows ``quiet``; without
    that, the first of ``advice``, whose most pressing stands first.
    """

    now: float
    state: str
    since: float
    operation: str = "rolling"
    target: int = 2
    width: float = 0.0
    position: str = "none"
    lost_since: float | None = None
    sigma: float = 0.0
    lap_sigma: float | None = None
    speed: float | None = None
    heading: float | None = None
    curvature: float = 0.0
    reversing: bool = False
    field: str = ""
    in_field: bool | None = None
    away: float | None = None
    edge_ahead: float | None = None
    reach: float = 0.0
    over: float | None = None
    move: float = 0.0
    move_side: int = 0
    danger: Danger | None = None
    stop_rule: Message | None = None
    seeder: Message | None = None
    quiet: Sentence | None = None
    advice: tuple[Advice, ...] = ()
