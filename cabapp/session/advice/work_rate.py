"""The operator's work rate, pass area against time worked, from this stint and earlier ones. Pure."""

import numpy as np

from cabapp.planning.finish_time import FEWEST, SPANS, Finish, finish_time, paces

NOTE_S = 60.0
"""Time worked between two notes, s."""


class WorkRate:
    """Notes what was covered while working.

    `before`: sequence of float: work rates of stints before, m2 of passes a second for every ten minutes at work,
        oldest first; used until this stint has two hours of its own.
    """

    def __init__(self, before=()):
        self._before = np.asarray(before, float)
        self._notes: list[tuple[float, float]] = []

    def note(self, worked: float, pass_area: float) -> None:
        """Take the seconds worked and the pass area of the job, m2, so far."""
        if not self._notes or worked - self._notes[-1][0] >= NOTE_S:
            self._notes.append((worked, pass_area))

    @property
    def own(self) -> np.ndarray:
        """Work rate in every ten minutes at work of this stint, m2/s, oldest first."""
        return paces(*zip(*self._notes)) if len(self._notes) > 1 else np.zeros(0)

    @property
    def last(self) -> np.ndarray:
        """Work rates in the last two hours at work, m2/s."""
        return np.concatenate([self._before, self.own])[-SPANS:]

    def usual(self) -> float | None:
        """Return the median, m2/s; None while not known."""
        last = self.last
        return float(np.median(last)) or None if len(last) >= FEWEST else None

    def finish(self, now: float, left: float | None) -> Finish | None:
        """Return when ``left`` m2 of passes will likely be done; None while not known."""
        return None if left is None else finish_time(now, left, self.last)
