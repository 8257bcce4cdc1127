"""A recorded drive that gives its fixes again at their times."""

from collections.abc import Iterable

from cabapp.position.fix import Fix
from store.errors import Message, message


class Replay:
    """A `Source` that gives recorded fixes.

    Parameters
    ----------
    fixes : iterable of Fix
        In any order; given again in order of time, equal times in the order they came.
    name : str
        What was recorded, for the stint's record.

    Examples
    --------
    >>> drive = Replay([Fix(10.0, 52.0, -106.0), Fix(11.0, None, None)], "a short drive")
    >>> [fix.t for fix in drive.poll(10.5)], drive.ended
    ([10.0], False)
    >>> [fix.t for fix in drive.poll(60.0)], drive.poll(60.0), drive.ended
    ([11.0], [], True)
    >>> str(drive.status)
    'The recording has ended.'
    """

    def __init__(self, fixes: Iterable[Fix], name: str):
        self._fixes = sorted(fixes, key=lambda fix: fix.t)
        self._next = 0
        self.name = name

    @property
    def starts(self) -> float | None:
        """Time of the first fix, POSIX seconds; None when there is no fix."""
        return self._fixes[0].t if self._fixes else None

    @property
    def ends(self) -> float | None:
        """Time of the last fix, POSIX seconds; None when there is no fix."""
        return self._fixes[-1].t if self._fixes else None

    @property
    def status(self) -> Message:
        """The state for a person."""
        return message("The recording has ended.") if self.ended else message("Replaying {name}.", name=self.name)

    @property
    def ended(self) -> bool:
        """Whether every fix has been given."""
        return self._next == len(self._fixes)

    def poll(self, now: float) -> list[Fix]:
        """Return the fixes with t <= now that were not given before."""
        first = self._next
        while self._next < len(self._fixes) and self._fixes[self._next].t <= now:
            self._next += 1
        return self._fixes[first : self._next]

    def close(self) -> None:
        """End the replay."""
        self._next = len(self._fixes)
