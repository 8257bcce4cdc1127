"""The receiver in use, as one source; another may be selected while the cab is open.

With a recording selected it is the recording's time as well, so it is a clock too.
"""

import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any

from cabapp.common.clock import Clock, ReplayClock, WallClock
from cabapp.position.calibration.antenna_offset import Antenna
from cabapp.position.fix import Fix, Source
from cabapp.position.protocols.byte_decoder import TimedFix
from cabapp.position.receivers.receiver_address import ReceiverRefused, checked_address, open_receiver
from cabapp.position.receivers.receiver_group import ReceiverGroup
from cabapp.position.receivers.receiver_settings import ReceiverSettings
from cabapp.position.recordings.replay_source import Replay
from store.errors import Message, message

RECENT = 1200


class SelectedReceiver:
    """A `Source` and a `Clock`.

    Parameters
    ----------
    folder : Path or None
        For raw logs and receiver settings.
    address : str or Source, optional
        The receiver for this run, as `receiver_address` names it, or one already open; by default
        the one selected last.
    begin : callable, optional
        Returns when to begin a recording, POSIX s; by default at its first fix.
    clock : Clock, optional
        The time when no recording is replayed.

    Attributes
    ----------
    given : deque of TimedFix
        The newest fixes with the time of the poll that gave them.
    listeners : list of callable
        Called with the new fixes, perhaps none, and the time of each poll.

    Raises
    ------
    Refused
        The address names no receiver, or a recording that cannot be read.

    Examples
    --------
    >>> receiver = SelectedReceiver(None, "none")
    >>> receiver.name, str(receiver.status), receiver.poll(0.0), receiver.state
    ('', 'No receiver is used.', [], 'unused')
    >>> receiver.close()
    """

    def __init__(
        self,
        folder: Path | None,
        address: str | Source | None = None,
        begin: Callable[[Replay], float] | None = None,
        clock: Clock | None = None,
    ):
        self.settings = ReceiverSettings(folder)
        self.ended = False
        self._folder, self._begin = folder, begin or (lambda recording: recording.starts or 0.0)
        self._wall: Clock = clock or WallClock()
        self._clock, self.boot = self._wall, self._wall.boot
        self.given: deque[TimedFix] = deque(maxlen=RECENT)
        self.listeners: list[Callable[[list[Fix], float], None]] = []
        self._held: list[Fix] = []
        self._source: Source | None = None
        self.address = "none"
        self._changing = threading.Lock()
        if address is None or isinstance(address, str):
            self._open(self._saved_address() if address is None else address)
        else:
            self._source, self.address = address, f"file:{address.name}"

    def _saved_address(self) -> str:
        """Return the saved address; "auto" for a recording, or what a later version has written."""
        use = self.settings.use
        try:
            return "auto" if use.startswith("file:") else checked_address(use)
        except ReceiverRefused:
            return "auto"

    def use(self, address: str) -> None:
        """Use another receiver from now on, and when the cab is opened again.

        A recording is for this run only. The receiver used before is closed first, in a thread,
        because one port cannot be read by two.

        Raises
        ------
        Refused
            As at the beginning; the receiver used before is then still used.
        """
        checked_address(address)
        before = self._source
        if address.startswith("file:"):
            self._open(address)
            if before is not None:
                threading.Thread(target=before.close, daemon=True).start()
            return
        self._source, self.address, self._clock = None, address, self._wall
        self.given.clear()
        self.settings.use = address
        threading.Thread(target=self._exchange, args=(before, address), daemon=True).start()

    def _exchange(self, before: Source | None, address: str) -> None:
        with self._changing:
            if before is not None:
                before.close()
            if self.address == address and self._source is None and not self.ended:
                self._open(address)

    def _open(self, address: str) -> None:
        source = open_receiver(address, self._folder, self.settings)
        self._clock = ReplayClock(self._begin(source)) if isinstance(source, Replay) else self._wall
        self.given.clear()
        self._source, self.address = source, address

    # --- a clock -----------------------------------------------------------------------------

    @property
    def replaying(self) -> bool:
        """Whether a recording is played: its time is of another day."""
        return self._clock is not self._wall

    def now(self) -> float:
        """Return POSIX s: of the tablet's clock, or of the recording."""
        return self._clock.now()

    def steady(self) -> float:
        """Return steady seconds of the tablet, whatever is played."""
        return self._wall.steady()

    # --- a source ----------------------------------------------------------------------------

    @property
    def name(self) -> str:
        """The name of the receiver in use; "" while none is found or none is used."""
        return self._source.name if self._source else ""

    @property
    def status(self) -> Message:
        """The state for a person."""
        if self._source is not None:
            return self._source.status
        return message("No receiver is used.") if self.address == "none" else message("Changing the receiver.")

    def poll(self, now: float) -> list[Fix]:
        """Return the new fixes, those held first."""
        self.hold(now)
        fixes, self._held = self._held, []
        return fixes

    def hold(self, now: float) -> None:
        """Take the new fixes, pass them to the listeners and keep them until the next poll."""
        fixes = self._source.poll(now) if self._source else []
        self.given.extend(TimedFix(fix, now) for fix in fixes)
        self._held += fixes
        for listen in self.listeners:
            listen(fixes, now)

    def close(self) -> None:
        """Close the receiver."""
        self.ended = True
        with self._changing:
            if self._source is not None:
                self._source.close()

    # --- for its report ----------------------------------------------------------------------

    @property
    def active(self) -> Source | None:
        """The one receiver whose fixes are given, or the first that is there."""
        source = self._source
        if not isinstance(source, ReceiverGroup):
            return source
        return source.active or next(iter(source.sources), None)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of all receivers that are there."""
        source = self._source
        there = source.sources if isinstance(source, ReceiverGroup) else (source,) if source else ()
        return tuple(one.name for one in there)

    @property
    def recent(self) -> list[TimedFix]:
        """The last fixes with their times of arrival, or of the poll where the source keeps none."""
        return list(getattr(self.active, "recent", self.given))

    def arrival_now(self, polled: float) -> float:
        """Return now by the clock that the times of arrival in `recent` are of, given the time of the last poll."""
        now: Callable[[], float] | None = getattr(self.active, "arrival_now", None)
        return polled if now is None else now()

    @property
    def state(self) -> str:
        """The state as `receiver_report.assess` takes it."""
        if self.active is None:
            return "unused" if self.address == "none" else "absent"
        return getattr(self.active, "state", "blind")

    @property
    def latest(self) -> dict[str, Any]:
        """The newest of all values besides places."""
        return getattr(self.active, "latest", {})

    @property
    def trouble(self) -> Message | None:
        """Why the raw log is not being written; None while it is."""
        return getattr(self.active, "trouble", None)

    def set_antenna(self, name: str, antenna: Antenna) -> None:
        """Save where a receiver's antenna sits, and use it from the next fix on."""
        self.settings.set_antenna(name, antenna)
        if isinstance(self._source, ReceiverGroup):
            self._source.reload_antennas()
