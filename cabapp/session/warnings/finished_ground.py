"""Decides when to warn before finished ground is covered again. Pure.

Notes: Two thresholds: the warning comes at ``e_on`` and goes at ``e_off``. One sound an event, one repeat. Silent in a
turn, slow, reversing, just started, or without a position.
"""

import math
from dataclasses import dataclass

from cabapp.geometry.angles import turn_between
from cabapp.planning.half_lap import MISS_TO_EXTRA, best_inside

ON_S, OFF_S, REPEAT_S = 1.5, 3.0, 20.0
PASS_ENDS = math.radians(60.0)
"""A pass has ended when the heading has left it by more than this, rad."""

_REACTION_S = 2.5 + 1.0  # reaction, and the delay of receiver and screen
_SIDESTEP = math.radians(8.0)  # angle at which a tool is moved over


def look_ahead_seconds(speed: float, move: float = 1.0) -> float:
    """Return how far ahead to look, s.

    `speed`: m/s, above 0.
    `move`: how far over the tool may have to go meanwhile, m.

    Notes: Reaction 2.5 s, receiver and screen 1 s, and moving over by ``move`` at 8 degrees; at most 10 s, because no
    one holds a line for longer. The 2.5 s is a common design value (1.5 to 2.5 s); 1 m and 8 degrees are common
    practice.

    At 6 mph moving over takes 2.7 s, so about 6 s:

    >>> round(look_ahead_seconds(6 * 0.44704), 1)
    6.2
    """
    if not speed > 0:
        raise ValueError(f"the speed must be above 0 m/s, not {speed!r}")
    return min(10.0, _REACTION_S + move / (speed * math.sin(_SIDESTEP)))


def thresholds(width: float, lap_sigma: float | None, gps_sigma: float) -> tuple[float, float]:
    """Return ``e_on`` and ``e_off``: metres of tool on finished ground that matter, and no longer do.

    `width`: tool width, m.
    `lap_sigma`: the operator's own spread of lap, m; None while it is not known.
    `gps_sigma`: standard deviation of the position, m.

    Notes: ``max(2 b + 2 S, 2.33 gps_sigma, width / 10)``, at most a third of the width; ``b`` is ``best_inside`` and
    ``S = lap_sigma * sqrt(2)``. 2.33 is the one-sided 95 % point of the difference of two positions: 1.645 * sqrt(2).

    A 45 ft tool, in feet, steered to 1 ft and to 2 ft:

    >>> [round(thresholds(45, sigma, 0.0)[0], 1) for sigma in (1, 2)]
    [4.5, 8.4]
    """
    own = 0.0
    if lap_sigma is not None:
        own = 2 * best_inside(lap_sigma, MISS_TO_EXTRA) + 2 * lap_sigma * math.sqrt(2)
    e_on = min(max(own, 2.33 * gps_sigma, width / 10), width / 3)
    return e_on, e_on / 2


@dataclass(frozen=True, slots=True)
class AlarmState:
    """State of the alarm: ``shown``, ``rising`` when it just began, ``sound`` when one is due."""

    shown: bool
    rising: bool
    sound: bool


_NOTHING = AlarmState(False, False, False)


class FinishedGroundAlarm:
    """Alarm for finished ground ahead, with hysteresis.

    >>> judge = FinishedGroundAlarm()
    >>> [judge.feed(t, 3.0, 1.4, 0.7, heading=0.0, quiet=False).rising for t in (0, 1, 2, 3)]
    [False, False, True, False]
    """

    def __init__(self):
        self.on = False
        self._known = False
        self._heading: float | None = None
        self._above: float | None = None
        self._below: float | None = None
        self._rose = 0.0
        self._repeated = False

    def i_know(self) -> None:
        """Silence the alarm to the end of this pass."""
        self._known = True

    def end_pass(self) -> None:
        """Reset for the next pass."""
        self.on = self._known = False
        self._heading = self._above = self._below = None

    def feed(self, now: float, over: float, e_on: float, e_off: float, *, heading: float, quiet: bool) -> AlarmState:
        """Return the state of the alarm.

        `now`: s, not going back.
        `over`: metres of the tool on finished ground over the stretch ahead.
        `e_on`, `e_off`: from ``thresholds``, m.
        `heading`: rad.
        `quiet`: true when nothing may be said now (turning, slow, reversing, just started, ...).
        """
        if self._heading is not None and abs(turn_between(self._heading, heading)) > PASS_ENDS:
            self.end_pass()
        if quiet:
            self._above = self._below = None
            return _NOTHING
        # A pass may bend along an edge, so the heading it is known by follows it.
        self._heading = heading
        if self.on:
            return self._while_on(now, over, e_on, e_off)
        return self._while_off(now, over, e_on)

    def _while_off(self, now, over, e_on):
        if over < e_on:
            self._above = None
            return _NOTHING
        self._above = now if self._above is None else self._above
        if now - self._above < ON_S:
            return _NOTHING
        self.on, self._rose, self._repeated, self._below = True, now, False, None
        return _NOTHING if self._known else AlarmState(True, True, True)

    def _while_on(self, now, over, e_on, e_off):
        if over > e_off:
            self._below = None
        else:
            self._below = now if self._below is None else self._below
            if now - self._below >= OFF_S:
                self.on, self._above = False, None
                return _NOTHING
        if self._known:
            return _NOTHING
        repeat = not self._repeated and over >= e_on and now - self._rose >= REPEAT_S
        self._repeated = self._repeated or repeat
        return AlarmState(True, False, repeat)
