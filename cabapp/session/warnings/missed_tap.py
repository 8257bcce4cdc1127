"""Detects a missed tap: work without recording, or recording without work. Pure."""

from dataclasses import dataclass

MPH = 0.44704
SLOWEST, FASTEST = 1.5 * MPH, 12.0 * MPH
"""Working speed, m/s: slower is creeping, faster is travel (common practice)."""

ASK_AFTER_S = 120.0
ROAD_S = 20.0
STANDING = 0.5
"""Below this a receiver's own noise looks like movement, m/s."""
_BREAK_S = 10.0  # a turn or a short stop does not end a spell
_BACK_S = 5.0


@dataclass(frozen=True, slots=True)
class Question:
    """``kind`` is "forgotten" (work without recording) or "still on" (recording without work)."""

    kind: str
    since: float


class MissedTapDetector:
    """Asks once about a missed tap.

    >>> noticed = MissedTapDetector()
    >>> [noticed.feed(float(t), "ready", 0.0, 2.7, True) for t in (0, 60, 119)]
    [None, None, None]
    >>> noticed.feed(120.0, "ready", 0.0, 2.7, True)
    Question(kind='forgotten', since=0.0)
    """

    def __init__(self):
        self._spell: tuple[str, float] | None = None
        self._reset()

    def _reset(self):
        self.question: Question | None = None
        self._answered = False
        self._began: float | None = None
        self._last: float | None = None
        self._why = ""
        self._working: float | None = None

    def answered(self) -> None:
        """Take the question away; it is not asked again in this spell."""
        self.question, self._answered = None, True

    def feed(self, now: float, state: str, since: float, speed: float | None, in_field: bool | None) -> Question | None:
        """Take what is known now and return the question that stands, or None.

        `now`, `since`: now, and the start of the present state, s.
        `state`: "ready", "working" or "stopped"; others are never asked about.
        `speed`: m/s; None when the position is not known.
        `in_field`: None when the field has no boundary, taken as inside.
        """
        if (state, since) != self._spell:
            self._spell = (state, since)
            self._reset()
        if speed is None:
            return self.question
        at_work = SLOWEST <= speed <= FASTEST and in_field is not False
        if state in ("ready", "stopped"):
            self._while_off(now, at_work)
        elif state == "working":
            self._while_working(now, speed, at_work)
        else:
            self.question = None
        return self.question

    def _while_off(self, now, at_work):
        if self.question or self._answered:
            return
        self._hold(now, at_work, "at work")
        if self._began is not None and now - self._began >= ASK_AFTER_S:
            self.question = Question("forgotten", self._began)

    def _while_working(self, now, speed, at_work):
        if not at_work:
            self._working = None
        elif self._working is None:
            self._working = now
        if self._working is not None and now - self._working >= _BACK_S:
            # work goes on: nothing to ask now
            working = self._working
            self._reset()
            self._working = working
            return
        if self.question or self._answered:
            return
        road = speed > FASTEST
        self._hold(now, road or speed < STANDING, "road" if road else "standing")
        if self._began is not None and now - self._began >= (ROAD_S if road else ASK_AFTER_S):
            self.question = Question("still on", self._began)

    def _hold(self, now, holds, why):
        """Keep the start of a spell in which something holds, over short breaks."""
        if holds:
            if self._began is None or why != self._why:
                self._began, self._why = now, why
            self._last = now
        elif self._last is not None and now - self._last > _BREAK_S:
            self._began = self._last = None
