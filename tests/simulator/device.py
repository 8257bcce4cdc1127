"""One machine of the season: its disk, its clock, what runs on it, and, apart from all that, what was acknowledged there."""

from contextlib import ExitStack, contextmanager
from pathlib import Path
from random import Random

from tests.simulator import adapter
from tests.simulator.clocks import MachineClock, Receiver, TrueTime
from tests.simulator.disk import Disk, PowerCut, at_work


class Wrong(AssertionError):
    """The product broke its promise; the text says how."""


class Died(Exception):
    """A machine ended in the midst of what it did; its disk is left as that would be."""


class Device:
    """A machine with one logbook.

    `machine`: what names it to the product.
    `cab`: whether a session runs on it, else it is the office's or a program for moments.
    `kept`: ids of the acts that were acknowledged and are on this disk, by the season's own book.
    `taken_over`: true time, POSIX s, of each stint begun here, and whether the satellites' time was heard since.
    `held`: those that were acknowledged while the product said that nothing is being saved.
    """

    def __init__(self, folder: Path, name: str, true: TrueTime, chance: Random, cab: bool = True):
        self.name, self.machine, self.cab = name, f"disk of {name}", cab
        self.honest = True
        self.folder = folder
        self.folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / "logbook.sqlite"
        self.disk = Disk(folder, chance)
        self.clock = MachineClock(true)
        self.receiver = Receiver(true, *adapter.receiver_parts())
        self.true = true
        self.kept: set[str] = set()
        self.held: list[str] = []
        self.taps: list[tuple[str, str]] = []
        self.taken_over: dict[str, tuple[float, bool]] = {}
        self._unheard: list[str] = []
        self.heard = 0
        self.image: tuple[dict, set[str]] | None = None
        self.store = self.session = None

    # --- power --------------------------------------------------------------------------------------

    @contextmanager
    def running(self, on: bool = True):
        """This machine is at work; what ends it in its midst leaves its disk as that would be."""
        with ExitStack() as stack:
            stack.enter_context(at_work(self.disk))
            stack.enter_context(adapter.machine(self.machine))
            try:
                if on:
                    self.start()
                yield self
                if self.disk.dead:  # some clean-up hid it
                    raise PowerCut
                self.disk.disarm()
                self._settle()
            except PowerCut as cut:
                self._drop()
                raise Died(self.name) from cut
            finally:
                self.disk._at = None

    def start(self) -> None:
        """Open the logbook, and the cab's session, unless they are."""
        if self.store is None:
            self.store = adapter.open_logbook(self.path, self.name, self.clock, self.cab)
            self.held = []
            missing = self.kept - adapter.acts_in(self.store)
            if missing:
                raise Wrong(f"{len(missing)} acknowledged acts are gone from {self.name} at opening")
        if self.cab and self.session is None:
            self.heard, self._unheard = 0, []
            self.session = adapter.open_session(self.store, self.clock, self.receiver)

    def stop(self) -> None:
        """Shut it down properly."""
        if self.session is not None:
            self.session.close()
        if self.store is not None:
            self.store.close()
            if not adapter.saves_nothing(self.store):
                self.kept |= {*self.held}
        self.held = []
        self.store = self.session = None

    def hears(self) -> None:
        """Note that satellites were heard by the session: three times prove the time."""
        self.heard += 1
        if self.heard >= 3 and not self.disk.full:
            self.taken_over |= {id: (self.taken_over[id][0], True) for id in self._unheard}
            self._unheard = []

    def end_session(self) -> None:
        """Close the session and go on with the logbook alone."""
        if self.session is not None:
            self.session.close()
        self.session = None

    def _drop(self) -> None:
        """What a cut leaves: the disk."""
        store, self.store, self.session, self.held = self.store, None, None, []
        with at_work(None):
            if store is not None:
                adapter.end_process(store)
            adapter.release_all(self.path)
            self.disk.disarm()
        if self.disk.power:
            self.clock.start()

    def kill(self) -> None:
        """End the process now, between two acts."""
        left = self.disk.files([self.folder])
        self._drop()
        Disk.put(left, [self.folder])

    # --- the season's own book ----------------------------------------------------------------------

    @contextmanager
    def acknowledging(self, kind: str | None = None):
        """What is done here is acknowledged if it ends: the acts written are noted, one of the kind among them."""
        since = adapter.mark(self.store)
        yield
        written = adapter.written_since(self.store, since)
        if kind is not None and kind not in {what for _id, what in written}:
            raise Wrong(f"{self.name} acknowledged {kind!r} and wrote {[what for _, what in written]}")
        self.taps += written
        stints = [id for id, what in written if what == "stint"]
        self.taken_over |= dict.fromkeys(stints, (self.true.t, False))
        self._unheard += stints
        if adapter.saves_nothing(self.store):
            self.held += [id for id, _what in written]
        else:
            self.kept |= {id for id, _what in written}

    def _settle(self) -> None:
        if self.store is None:
            return
        if self.held and not adapter.saves_nothing(self.store):
            self.kept |= {*self.held}
            self.held = []
        missing = {*self.kept, *self.held} - adapter.acts_in(self.store)
        if missing:
            kinds = sorted(what for id, what in self.taps if id in missing) or ["of others"]
            raise Wrong(f"{len(missing)} acknowledged acts are gone from {self.name}: {', '.join(kinds)}")
