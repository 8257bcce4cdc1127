"""Several receivers as one source: the best is used, and a change becomes a message.

Knows nothing of ports. Only one receiver's fixes are used at a time: two antennas sit in two
places, and going to and fro between them would look like sideways driving.
"""

import functools
import math
from collections.abc import Callable
from typing import Protocol

from cabapp.common.message import N_
from cabapp.position.calibration.antenna_offset import Antenna, AntennaTransfer
from cabapp.position.calibration.fix_error import sigma_of
from cabapp.position.fix import Fix, Source
from store.errors import Message, message

SILENT_S = 2.0
"""A receiver without a position for this long gives way, s."""
BETTER, BETTER_S = 2.0, 20.0
"""One with an error this many times less takes over after this long, s (common practice: a short
visit of a better mode is not worth a jump sideways)."""

SHOW_CHANGE_S = 120.0
"""A change of receiver is shown for this long, s."""


_NO_POSITION = {
    "none": N_("{name} gives no position. Using {other}."),
    "applied": N_("{name} gives no position. Using {other}; that its antenna sits elsewhere is allowed for."),
    "unknown": N_(
        "{name} gives no position. Using {other}, and nobody has said how far apart the antennas are: "
        "passes may lie off by that much."
    ),
}
_BETTER = {
    "none": N_("{name} knows better than {other}."),
    "applied": N_("{name} knows better than {other}; that its antenna sits elsewhere is allowed for."),
    "unknown": N_(
        "{name} knows better than {other}, and nobody has said how far apart the antennas are: "
        "passes may lie off by that much."
    ),
}


class Discovery(Protocol):
    """A search that adds receivers to a group."""

    def close(self) -> None:
        """End the search."""


class _Member:
    """One receiver with its newest fix."""

    def __init__(self, source: Source, antenna: Antenna):
        self.source = source
        self.transfer = AntennaTransfer(antenna)
        self.fix: Fix | None = None
        self.seen = -math.inf
        self.better_since: float | None = None

    def error(self, now: float) -> float:
        """Return the standard deviation of its place, m; infinite without one."""
        return sigma_of(self.fix) if self.fix is not None and now - self.seen <= SILENT_S else math.inf


class ReceiverGroup:
    """A `Source` made of the receivers that are there.

    Parameters
    ----------
    sources : list of Source
        In order of preference; more may be added, and taken away, at any time.
    antenna_of : callable, optional
        Gives where the antenna of a receiver sits, by its name; fixes are transferred from there to
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
    >>> group = ReceiverGroup([near, far])
    >>> [group.poll(float(n))[0].lat for n in range(3)], group.poll(4.0)
    ([52.0, 52.0, 52.0], [])
    >>> [fix.lat for fix in group.poll(5.0)], str(group.status)
    ([52.1], 'roof gives no position. Using hood. Replaying hood.')
    """

    ended = False

    def __init__(
        self, sources: list[Source] | None = None, antenna_of: Callable[[str], Antenna | None] = lambda name: Antenna()
    ):
        self.discovery: Discovery | None = None
        self.trying = ""
        self._antenna_of = antenna_of
        self._members: list[_Member] = []
        for source in sources or ():
            self.add(source)
        self._active: _Member | None = None
        self._change: Message | None = None
        self._noted: Message | None = None
        self._changed = -math.inf
        self._last_t = -math.inf

    @property
    def sources(self) -> tuple[Source, ...]:
        """The receivers, in order of preference."""
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
    def status(self) -> Message:
        """The state for a person."""
        if self._active is not None:
            status = self._active.source.status
            return status if self._change is None else _both(self._change, status)
        if not self._members and self.trying:
            return message("Listening whether {port} is a receiver.", port=self.trying)
        if not self._members:
            return message("No receiver is found. Plug one in; I keep looking.")
        return functools.reduce(_both, (source.status for source in self.sources))

    def add(self, source: Source) -> None:
        """Add a receiver."""
        self._members.append(_Member(source, self._antenna_of(source.name) or Antenna()))

    def reload_antennas(self) -> None:
        """Look up again where the antennas sit."""
        for member in self._members:
            member.transfer = AntennaTransfer(self._antenna_of(member.source.name) or Antenna())

    def remove(self, source: Source) -> None:
        """Remove a receiver; whoever added it closes it."""
        self._members = [member for member in self._members if member.source is not source]
        if self._active is not None and self._active.source is source:
            self._active = None
            self._change = message("{name} is gone.", name=source.name)

    def poll(self, now: float) -> list[Fix]:
        """Return the new fixes of the receiver that is best now."""
        came: dict[_Member, list[Fix]] = {}
        members = list(self._members)
        for member in members:
            # those not in use are transferred too: their heading is wanted at once when they take over
            came[member] = [member.transfer.transfer(fix) for fix in member.source.poll(now)]
            for fix in came[member]:
                member.fix = fix
                member.seen = now if fix.has_position else -math.inf
        self._choose(members, now)
        if self._change != self._noted:
            self._noted, self._changed = self._change, now
        elif now - self._changed > SHOW_CHANGE_S:
            self._change = None
        used = came.get(self._active, []) if self._active else []
        given = [fix for fix in used if fix.t > self._last_t]
        if given:
            self._last_t = given[-1].t
        return given

    def close(self) -> None:
        """End the search and close all receivers."""
        if self.discovery is not None:
            self.discovery.close()
        self.ended = True
        for source in self.sources:
            source.close()

    def _choose(self, members: list[_Member], now: float) -> None:
        before = self._active
        known = [member for member in members if member.error(now) < math.inf]
        if before is None or before not in members:
            self._active = min(known, key=lambda member: member.error(now), default=None)
            if self._active is None:  # no position at all: that is reported too
                self._active = next((m for m in members if m.seen == -math.inf and m.fix), None)
        elif before.error(now) == math.inf:
            if known:
                self._active = min(known, key=lambda member: member.error(now))
                self._change = message(
                    _NO_POSITION[self._offset_between(before, self._active)],
                    name=before.source.name, other=self._active.source.name,
                )  # fmt: skip
        else:
            self._active = self._better(known, before, now)

    def _offset_between(self, before: _Member, after: _Member) -> str:
        """Return whether the offset between two antennas is "unknown", "applied" or "none"."""
        there, here = (self._antenna_of(one.source.name) for one in (before, after))
        if there is None and here is None:
            return "unknown"
        return "applied" if (there or Antenna()) != (here or Antenna()) else "none"

    def _better(self, known: list[_Member], before: _Member, now: float) -> _Member:
        """Return the receiver to use: another only after it was much better for a while."""
        for member in known:
            if member is before or member.error(now) * BETTER > before.error(now):
                member.better_since = None
                continue
            if member.better_since is None:
                member.better_since = now
            elif now - member.better_since >= BETTER_S:
                member.better_since = None
                self._change = message(
                    _BETTER[self._offset_between(before, member)], name=member.source.name, other=before.source.name
                )
                return member
        return before


def _both(one: Message, other: Message) -> Message:
    """Return two whole sentences as one message."""
    return message("{one} {other}", one=one, other=other)
