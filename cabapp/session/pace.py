"""Her pace at work: pass area against time worked, from this stint. Pure."""

from __future__ import annotations

import numpy as np

from cabapp.reckoning.finish import FEWEST, Finish, finish_time, paces

NOTE_S = 60.0
"""Time worked between two notes, s."""


class Pace:
    """Notes what was covered while working."""

    def __init__(self):
        self._notes: list[tuple[float, float]] = []

    def note(self, worked: float, pass_area: float) -> None:
        """Take the seconds worked and the pass area of the job, m2, so far."""
        if not self._notes or worked - self._notes[-1][0] >= NOTE_S:
            self._notes.append((worked, pass_area))

    @property
    def spans(self) -> np.ndarray:
        """Her pace in every span of ten minutes at work, m2/s, oldest first."""
        return paces(*zip(*self._notes)) if len(self._notes) > 1 else np.zeros(0)

    def usual(self) -> float | None:
        """Return the middle one, m2/s; None while not known."""
        spans = self.spans
        return float(np.median(spans)) or None if len(spans) >= FEWEST else None

    def finish(self, now: float, left: float | None) -> Finish | None:
        """Return when ``left`` m2 of passes will likely be done; None while not known."""
        return None if left is None else finish_time(now, left, self.spans)
