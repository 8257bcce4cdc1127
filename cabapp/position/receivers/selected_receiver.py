"""The receiver that was chosen, as one source; another may be chosen while the cab is open.

With a recording chosen it is the recording's time as well, so it is a clock too.
"""

import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path

from cabapp.common.clock import Clock, ReplayClock, WallClock
from cabapp.position.fix import Fix, Source
from cabapp.position.protocols.byte_decoder import TimedFix
from cabapp.position.receivers.receiver_address import (
    ReceiverRefused,
    checked_words,
    open_receiver,
)
from cabapp.position.receivers.receiver_settings import ReceiverSettings
from cabapp.position.recordings.replay_source import Replay

RECENT = 1200


class SelectedReceiver:
    """A `Source` and a `Clock`.

    Parameters
    ----------
    folder : Path or None
        Where raw logs are kept, and what is known of the receivers.
    words : str or Source, optional
        The receiver for this run, as `receiver_address` names them, or one already open; by default
        the one chosen last.
    begin : callable, optional
        Gives when to begin a recording, POSIX s; by default at its first fix.
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
        ``words`` name no receiver, or a recording that cannot be read.

    Examples
    --------
    >>> chosen = SelectedReceiver(None, "none")
    >>> chosen.name, chosen.words, chosen.poll(0.0), chosen.state
    ('', 'No receiver is used.', [], 'unused')
    >>> chosen.close()
    """

    def __init__(
        self,
        folder: Path | None,
        words: str | Source | None = None,
        begin: Callable[[Replay], float] | None = None,
        clock: Clock | None = None,
    ):
        self.kept = ReceiverSettings(folder)
        self.ended = False
        self._folder, self._begin = folder, begin or (lambda recording: recording.starts)
        self._wall = self._clock = clock or WallClock()
        self.given: deque[TimedFix] = deque(maxlen=RECENT)
        self.listeners: list[Callable[[list[Fix], float], None]] = []
        self._held: list[Fix] = []
        self._source: Source | None = None
        self.using = "none"
        self._changing = threading.Lock()
        if words is None or isinstance(words, str):
            self._open(words if words is not None else self._kept_words())
        else:
            self._source, self.using = words, f"file:{words.name}"

    def _kept_words(self) -> str:
        """What was kept may have been written by a later version, or be a recording: find one."""
        use = self.kept.use
        try:
            return "auto" if use.startswith("file:") else checked_words(use)
        except ReceiverRefused:
            return "auto"

    def use(self, words: str) -> None:
        """Use another receiver from now on, and when the cab is opened again.

        A recording is for this run only. The receiver used before is let go first, aside, because
        one port cannot be read by two.

        Raises
        ------
        Refused
            As at the beginning; the receiver used before is then still used.
        """
        checked_words(words)
        before = self._source
        if words.startswith("file:"):
            self._open(words)
            if before is not None:
                threading.Thread(target=before.close, daemon=True).start()
            return
        self._source, self.using, self._clock = None, words, self._wall
        self.given.clear()
        self.kept.use = words
        threading.Thread(target=self._exchange, args=(before, words), daemon=True).start()

    def _exchange(self, before, words):
        with self._changing:
            if before is not None:
                before.close()
            if self.using == words and self._source is None and not self.ended:
                self._open(words)

    def _open(self, words):
        source = open_receiver(words, self._folder, self.kept)
        self._source, self.using = source, words
        self.given.clear()
        self._clock = ReplayClock(self._begin(source)) if isinstance(source, Replay) else self._wall

    # --- a clock -----------------------------------------------------------------------------

    @property
    def replaying(self) -> bool:
        """Whether a recording is played: its time is of another day."""
        return self._clock is not self._wall

    def now(self) -> float:
        """Return POSIX s: the wall's, or the recording's."""
        return self._clock.now()

    # --- a source ----------------------------------------------------------------------------

    @property
    def name(self) -> str:
        """The name of the receiver in use; "" while none is found or none is used."""
        return self._source.name if self._source else ""

    @property
    def words(self) -> str:
        """The state in words for a person."""
        if self._source is None:
            return "No receiver is used." if self.using == "none" else "Changing the receiver."
        return self._source.words

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
        """Let go of the receiver."""
        self.ended = True
        with self._changing:
            if self._source is not None:
                self._source.close()

    # --- for looking at it -------------------------------------------------------------------

    @property
    def active(self) -> Source | None:
        """The one receiver whose fixes are given, or the first that is there."""
        source = self._source
        if not hasattr(source, "sources"):
            return source
        return source.active or next(iter(source.sources), None)

    @property
    def names(self) -> tuple[str, ...]:
        """The names of all receivers that are there."""
        source = self._source
        there = getattr(source, "sources", (source,) if source else ())
        return tuple(one.name for one in there)

    @property
    def heard(self) -> list[TimedFix]:
        """The last fixes as they came; without a receiver of its own, as they were asked for."""
        return list(getattr(self.active, "recent", self.given))

    @property
    def state(self) -> str:
        """The link's state as `health.judge` takes it."""
        active = self.active
        if active is None:
            return "unused" if self.using == "none" else "absent"
        return getattr(active, "state", "blind")

    @property
    def said(self) -> dict:
        """What the receiver said besides places."""
        return getattr(self.active, "said", {})

    @property
    def trouble(self) -> str | None:
        """Why what it says is not being kept, in words; None while it is."""
        return getattr(self.active, "trouble", None)

    def place_antenna(self, name: str, antenna) -> None:
        """Write down where a receiver's antenna sits, and use it from the next fix on."""
        self.kept.put_antenna(name, antenna)
        if hasattr(self._source, "antennas_moved"):
            self._source.antennas_moved()
