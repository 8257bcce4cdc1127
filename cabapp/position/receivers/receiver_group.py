"""Several receivers as one source: the best fix wins, and a change is said in words.

Knows nothing of ports. Only one receiver's fixes are given at a time: two antennas sit in two
places, and going to and fro between them would look like sideways driving.
"""

from collections.abc import Callable
from typing import Protocol

from cabapp.position.calibration.antenna_offset import Antenna, AntennaTransfer
from cabapp.position.calibration.fix_error import sigma_of
from cabapp.position.fix import Fix, Source

SILENT_S = 2.0
"""A receiver without a position for this long gives way, s."""
BETTER, BETTER_S = 2.0, 20.0
"""One with an error this many times less takes over after this long, s (common practice: a short
visit of a better mode is not worth a jump sideways)."""

TOLD_S = 120.0
"""A change of receiver is said for this long, s."""


class Discovery(Protocol):
    """A search that adds receivers to a group."""

    def close(self) -> None:
        """End the search."""


class _Member:
    """What is known of one receiver."""

    def __init__(self, source: Source, antenna: Antenna):
        self.source = source
        self.carrier = AntennaTransfer(antenna)
        self.fix: Fix | None = None
        self.seen = float("-inf")
        self.better_since: float | None = None

    def error(self, now: float) -> float:
        """Return the deviation of its place, m; infinite without one."""
        return sigma_of(self.fix) if now - self.seen <= SILENT_S else float("inf")


class ReceiverGroup:
    """A `Source` made of the receivers that are there.

    Parameters
    ----------
    sources : list of Source
        In order of liking; more may be added, and taken away, at any time.
    antenna_of : callable, optional
        Gives where the antenna of a receiver sits, by its name; fixes are carried from there to
        the antenna the hitchings are measured from.

    Attributes
    ----------
    discovery : Discovery or None
        The search that alters the members; it ends with the group.
    trying : str
        The port that is being searched for a receiver; "" for none.

    Examples
    --------
    >>> from cabapp.position.recordings.replay_source import Replay
    >>> near = Replay([Fix(float(n), 52.0, -106.0, sigma=0.1) for n in range(3)], "roof")
    >>> far = Replay([Fix(float(n), 52.1, -106.0, sigma=0.9) for n in range(9)], "hood")
    >>> team = ReceiverGroup([near, far])
    >>> [team.poll(float(n))[0].lat for n in range(3)], team.poll(4.0)
    ([52.0, 52.0, 52.0], [])
    >>> [fix.lat for fix in team.poll(5.0)], team.words
    ([52.1], 'roof gives no position. Using hood. Replaying hood.')
    """

    ended = False

    def __init__(
        self,
        sources: list[Source] | None = None,
        antenna_of: Callable[[str], Antenna | None] = lambda name: Antenna(),
    ):
        self.discovery: Discovery | None = None
        self.trying = ""
        self._antenna_of = antenna_of
        self._members: list[_Member] = []
        for source in sources or ():
            self.add(source)
        self._active: _Member | None = None
        self._change = self._noted = ""
        self._changed = float("-inf")
        self._last_t = float("-inf")

    @property
    def sources(self) -> tuple[Source, ...]:
        """The receivers, in order of liking."""
        return tuple(member.source for member in self._members)

    @property
    def active(self) -> Source | None:
        """The receiver whose fixes are given."""
        return self._active.source if self._active else None

    @property
    def name(self) -> str:
        """The name of the receiver whose fixes are given, else of the first; "" while none is there."""
        first = next(iter(self._members), None)
        chosen = self._active or first
        return chosen.source.name if chosen else ""

    @property
    def words(self) -> str:
        """The state in words for a person."""
        if self._active is not None:
            return f"{self._change} {self._active.source.words}".strip()
        if not self._members and self.trying:
            return f"Listening whether {self.trying} is a receiver."
        if not self._members:
            return "No receiver is found. Plug one in; I keep looking."
        return " ".join(source.words for source in self.sources)

    def add(self, source: Source) -> None:
        """Take one more receiver in."""
        self._members.append(_Member(source, self._antenna_of(source.name) or Antenna()))

    def antennas_moved(self) -> None:
        """Ask anew where the antennas sit, because somebody has written it down."""
        for member in self._members:
            member.carrier = AntennaTransfer(self._antenna_of(member.source.name) or Antenna())

    def remove(self, source: Source) -> None:
        """Let one go; whoever added it closes it."""
        self._members = [member for member in self._members if member.source is not source]
        if self._active is not None and self._active.source is source:
            self._active = None
            self._change = f"{source.name} is gone."

    def poll(self, now: float) -> list[Fix]:
        """Return the new fixes of the receiver that is best now."""
        came: dict[_Member, list[Fix]] = {}
        members = list(self._members)
        for member in members:
            # those not in use are carried too: their heading is wanted at once when they take over
            came[member] = [member.carrier.carry(fix) for fix in member.source.poll(now)]
            for fix in came[member]:
                member.fix = fix
                member.seen = now if fix.has_position else float("-inf")
        self._choose(members, now)
        if self._change != self._noted:
            self._noted, self._changed = self._change, now
        elif now - self._changed > TOLD_S:
            self._change = ""
        given = [fix for fix in came.get(self._active, ()) if fix.t > self._last_t]
        if given:
            self._last_t = given[-1].t
        return given

    def close(self) -> None:
        """End the search and let go of all of them."""
        if self.discovery is not None:
            self.discovery.close()
        self.ended = True
        for source in self.sources:
            source.close()

    def _choose(self, members, now):
        before = self._active
        known = [member for member in members if member.error(now) < float("inf")]
        if before is None or before not in members:
            self._active = min(known, key=lambda member: member.error(now), default=None)
            if self._active is None:  # nobody knows: their "no position" is news too
                self._active = next((m for m in members if m.seen == float("-inf") and m.fix), None)
        elif before.error(now) == float("inf"):
            if known:
                self._active = min(known, key=lambda member: member.error(now))
                self._change = (
                    f"{before.source.name} gives no position. "
                    f"Using {self._active.source.name}{self._from_where(before, self._active)}."
                )
        else:
            self._active = self._better(known, before, now)

    def _from_where(self, before, after) -> str:
        """Say what a change of receiver does to the passes."""
        there, here = (self._antenna_of(one.source.name) for one in (before, after))
        if there is None and here is None:
            return ", and nobody has said how far apart the antennas are: passes may lie off by that much"
        apart = (there or Antenna()) != (here or Antenna())
        return "; that its antenna sits elsewhere is allowed for" if apart else ""

    def _better(self, known, before, now):
        for member in known:
            if member is before or member.error(now) * BETTER > before.error(now):
                member.better_since = None
                continue
            if member.better_since is None:
                member.better_since = now
            elif now - member.better_since >= BETTER_S:
                member.better_since = None
                self._change = (
                    f"{member.source.name} knows better than {before.source.name}{self._from_where(before, member)}."
                )
                return member
        return before
