"""One farm season from one seed: machines, carriers, steps, and what must hold after each step and at the end."""

import logging
import os
import shutil
import tempfile
import traceback
from collections import Counter
from contextlib import ExitStack, suppress
from pathlib import Path
from random import Random

from tests.simulator import adapter, clocks, enemies, mishaps, steps
from tests.simulator.carriers import Carrier
from tests.simulator.clocks import TrueTime
from tests.simulator.device import Device, Died, Wrong
from tests.simulator.disk import Disk, controlled

MOST = 12
STEPS = {**steps.STEPS, **mishaps.STEPS, **enemies.STEPS}
"""What can happen, and how often: name -> (weight, function of season and device)."""
ROUNDS = 5


class Yard:
    """A folder in memory where seasons are held one after the other; farms are set up in it once."""

    def __init__(self, root: Path | None = None):
        place = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
        self.root = Path(root or tempfile.mkdtemp(prefix="season-", dir=place))
        self._farm: list[tuple[str, dict[Path, bytes]]] = []

    def close(self) -> None:
        shutil.rmtree(self.root, ignore_errors=True)

    def clear(self) -> None:
        """Empty the folder."""
        shutil.rmtree(self.root, ignore_errors=True)
        self.root.mkdir(parents=True)

    def farm(self) -> list[tuple[str, dict[Path, bytes]]]:
        """Return the office's and eleven tablets' disks on the first morning, the farm known to all, and all paired."""
        if not self._farm:
            self._farm = self._set_up()
        return self._farm

    def _set_up(self):
        self.clear()
        chance, true = Random("farm"), TrueTime()
        mail = self.root / "mail"
        with adapter.world(chance, true, lambda: true.t), controlled():
            devices = [Device(self.root / n, n, true, chance, n != "office") for n in _names(MOST)]
            office = devices[0]
            for device in devices:
                with adapter.machine(device.machine):
                    device.store = adapter.open_logbook(device.path, device.name, device.clock, False)
            adapter.stock(office.store)
            adapter.enrol(office.store, [adapter.card(device.store) for device in devices[1:]])
            for device in devices[1:]:
                adapter.hold_to(device.store, adapter.card(office.store))
            bundle = adapter.export(office.store, mail)
            for device in devices[1:]:
                _added, refused, _missing = adapter.merge(device.store, [bundle])
                assert not refused, refused
            for device in devices:
                with adapter.machine(device.machine):
                    device.store.close()
            return [(device.name, device.disk.files()) for device in devices]


def _names(count: int) -> list[str]:
    return ["office", *(f"cab{n}" for n in range(1, count))]


class Season:
    """A season; `run` plays it and raises Wrong with all that was done.

    `most`: machines at its beginning and steps, at most; None: as the seed says.
    """

    def __init__(self, yard: Yard, seed: int, short: bool = True, without: frozenset[str] = frozenset(), say=None):
        self.seed, self.short, self.say = seed, short, say
        self.chance = Random(seed)
        self.yard, self.true, self.log = yard, TrueTime(), []
        self.without = without
        self.counts: Counter[str] = Counter()
        self.acting: Device | None = None
        self.corrected: set[str] = set()  # words of corrections by people, ids among them
        self.split = False  # whether two files of one device were ever in use
        self.tracebacks = adapter.Tracebacks()

    # --- playing ----------------------------------------------------------------------------------

    def run(self) -> Counter[str]:
        """Play it all and return how often what was done."""
        farm = self.yard.farm()
        self.yard.clear()
        count = self.chance.choice((2, 2, 2, 3, 3, 4) if self.short else (2, 3, 3, 4, 5, 6, 8, 10, MOST))
        length = self.chance.randint(5, 12) if self.short else self.chance.randint(10, 80)
        self.devices: list[Device] = []
        for name, files in farm[:count]:
            device = self.machine(name, name != "office")
            Disk.put(files, [device.folder])
            device.receiver.found = self.chance.random() < 0.5
            if self.chance.random() < 0.3:
                device.clock.off = self.chance.choice(clocks.STEPS)
        self.carriers = [Carrier(self.yard.root / "carriers" / name, name) for name in ("stick", "share", "stick2")]
        logger = logging.getLogger()
        logger.addHandler(self.tracebacks)
        # what it says of its own accord is not read here
        quiet = logging.getLogger().level
        with ExitStack() as stack:
            stack.callback(logger.removeHandler, self.tracebacks)
            stack.callback(logger.setLevel, quiet)
            stack.enter_context(adapter.world(self.chance, self.true, self._wall))
            stack.enter_context(controlled())
            stack.callback(self._power_off)
            try:
                for _ in range(length):
                    self._step()
                self.note("settles", "")
                self._settle()
            except Wrong as wrong:
                raise Wrong(self._told(str(wrong))) from wrong
            except Exception as error:
                raise Wrong(self._told(f"{type(error).__name__}: {error}\n{traceback.format_exc()}")) from error
        return self.counts

    def _wall(self) -> float:
        return self.acting.clock.now() if self.acting else self.true.t

    def machine(self, name: str, cab: bool) -> Device:
        """Return a new machine of the season."""
        device = Device(self.yard.root / name, name, self.true, self.chance, cab)
        self.devices.append(device)
        return device

    def note(self, what: str, detail: object) -> None:
        """Write down what is done."""
        line = f"{len(self.log) + 1:3} {what} {detail}".rstrip()
        self.log.append(line)
        if self.say:
            self.say(line)

    def act(self, device: Device, on: bool = True):
        """A machine is at work."""
        self.acting = device
        return device.running(on)

    def honest(self) -> list[Device]:
        return [device for device in self.devices if device.honest]

    def _step(self) -> None:
        names = [name for name in STEPS if name not in self.without]
        (name,) = self.chance.choices(names, [STEPS[one][0] for one in names])
        device = self.chance.choice(self.honest())
        self.true.t += self.chance.choice((2.0, 20.0, 120.0, 3600.0, 6 * 3600.0))
        self.note(name, device.name)
        self.counts[name] += 1
        try:
            STEPS[name][1](self, device)
        except adapter.SAID as said:
            self.sentence(said)
        except Died as died:
            self.note("  cut off:", died)
        self.acting = None
        if self.tracebacks.found:
            raise Wrong("; ".join(self.tracebacks.found))

    def sentence(self, said: object) -> None:
        """What the product refuses is a sentence."""
        text = str(said)
        self.note("  said:", text)
        if not text.rstrip().endswith((".", "?", ")")) or len(text.split()) < 4:
            raise Wrong(f"no sentence: {text!r}")

    def _told(self, what: str) -> str:
        again = f"python -m tests.simulator --seed {self.seed}" + (" --short" if self.short else "")
        there = [name for name in STEPS if name not in self.without]
        which = ("without", self.without) if len(self.without) <= len(there) else ("only", there)
        again += "".join(f" --{which[0]} '{name}'" for name in sorted(which[1]))
        return "\n".join([f"seed {self.seed}: {what}", again, *self.log])

    def _power_off(self) -> None:
        for device in self.devices:
            with suppress(Exception):  # the season is over
                device._drop()

    # --- exchange ---------------------------------------------------------------------------------

    def meet(self, device: Device, carrier: Carrier) -> None:
        """Let a machine exchange with a carrier, and hold what it must know by now."""
        if device.session is not None and adapter.state(device.session) == adapter.WORKING:
            adapter.tap(device.session, "stop", reason="fuel")
        before, trouble = carrier.acts(), adapter.saves_nothing(device.store)
        added, refused = adapter.exchange(device.store, [carrier.folder])
        if device.session is not None:
            adapter.follow_merge(device.session)
        self.note("  exchanged", f"{added} added" + "".join(f"; {one}" for one in refused))
        for one in refused:
            self.sentence(one)
        if not refused and not carrier.spoiled and not adapter.saves_nothing(device.store):
            (device.held.extend if trouble else device.kept.update)(before - {*device.held})
        elif refused and not (
            carrier.spoiled or carrier.foreign or self.split or adapter.waits(refused) or device.disk.full
        ):
            raise Wrong(f"an honest bundle was refused: {refused}")
        if not trouble and not adapter.saves_nothing(device.store) and not device.disk.full and not refused:
            carrier.wrote[device.name] = frozenset(device.kept)

    # --- the end ----------------------------------------------------------------------------------

    def _settle(self) -> None:
        """Put all machines right, let all meet, and compare."""
        for device in self.devices:
            device.disk.full, device.disk.mounted = False, []
        honest = self.honest()
        for device in honest:
            with self.act(device, on=False):
                again = self.chance.random() < 0.3 or (device.store and adapter.saves_nothing(device.store))
                device.stop() if again else device.end_session()
            device.cab = False
            device.clock.off = 0.0
            with self.act(device):
                pass
        everything = set().union(*(device.kept for device in honest))
        everything |= {act for c in self.carriers if not c.spoiled for act in c.acts()}
        said: list[str] = []
        for turn in range(ROUNDS):
            self._enrol(honest)
            said = self._gather(honest, [c.folder for c in self.carriers if c.files()] if turn == 0 else [])
            apart = self.apart(honest)
            if (not said or turn == 0) and not apart:
                break
        else:
            raise Wrong(f"after {ROUNDS} rounds honest machines differ, refuse or miss: {apart} {said}")
        self._end_doubled(honest)
        self._compare(honest, everything)

    def _end_doubled(self, honest: list[Device]) -> None:
        """Let the office end a device as which two machines wrote that both are no more: an image was put back twice.

        Those that are there have met, so each has gone on as a device of its own.
        """
        office = honest[0]
        with self.act(office):
            doubled = adapter.doubled(office.store)
        for device in honest if doubled else ():
            with self.act(device):
                if adapter.mark(device.store)[0] in doubled:
                    raise Wrong(f"{device.name} still writes as a device as which another machine wrote")
        if doubled:
            with self.act(office):
                adapter.end_doubled(office.store)
            said, apart = self._gather(honest, []), self.apart(honest)
            if said or apart:
                raise Wrong(f"after the office ended that two wrote as one, machines differ or refuse: {apart} {said}")

    def _gather(self, honest: list[Device], more: list[Path]) -> list[str]:
        """Bring all to the office and from there to all; return what was refused or is missing."""
        hub, *others = honest
        out, said = self.yard.root / "out", []
        sent = []
        for device in others:
            try:
                with self.act(device):
                    sent.append(adapter.export(device.store, out))
            except adapter.SAID as nothing:  # it has no farm yet
                self.sentence(nothing)
        paths = [*sent, *more]
        for device in honest:
            with self.act(device):
                _added, refused, missing = adapter.merge(device.store, paths)
                said += [f"{device.name}: {one}" for one in refused + missing]
                if device is hub:
                    paths = [adapter.export(hub.store, self.yard.root / "whole")]
        return said

    def apart(self, honest: list[Device]) -> str:
        """Return which machines differ, and in what."""
        found = []
        for device in honest:
            with self.act(device):
                found.append(adapter.rows(device.store))
            for table, rows in found[-1].items():
                if rows != found[0][table]:
                    rows = sorted({*rows} ^ {*found[0][table]}, key=str)
                    return f"{device.name} and {honest[0].name} in {table}: {rows[:3]}"
        return ""

    def _check_times(self, honest: list[Device], figures: dict) -> None:
        """Where satellites were heard a stint is dated by them and in its season, whatever the clock said."""
        known = {id: when for device in honest for id, when in device.taken_over.items()}
        for year, _areas, hours, *_held in (one for one in figures.values() if len(one) > 1):
            for id, at, worked, ended in hours:
                true, heard = known.get(id, (at, False))
                if heard and id not in self.corrected and (abs(at - true) > 5.0 or year != 2026):
                    raise Wrong(f"stint {id} was taken over at {true} and is dated {at:.0f}, season {year}")
                if worked < 0 or ended < at:
                    raise Wrong(f"stint {id} ends {ended - at} s after it began and worked {worked} s")

    def _enrol(self, honest: list[Device]) -> None:
        """Give cards to and from the office by hand: of a machine begun since, or reported lost and found."""
        office = honest[0]
        with self.act(office):
            adapter.enrol(office.store, [adapter.card(device.store) for device in honest[1:]])
        for device in honest[1:]:
            with self.act(device):
                adapter.hold_to(device.store, adapter.card(office.store))

    def _compare(self, honest: list[Device], everything: set[str]) -> None:
        figures = []
        looked_at = {honest[0].name, self.chance.choice(honest).name} if self.short else {d.name for d in honest}
        for device in honest:
            with self.act(device):
                if missing := everything - adapter.acts_in(device.store):
                    kinds = sorted({what for d in self.devices for id, what in d.taps if id in missing})
                    raise Wrong(f"{len(missing)} acknowledged acts are not on {device.name}: {', '.join(kinds)}")
                if device.name not in looked_at:
                    continue
                if faults := adapter.faults(device.store):
                    raise Wrong(f"check says of {device.name}: {faults}")
                figures.append((device.name, adapter.figures(device.store)))
        if not self.counts["liar"] + self.counts["stranger"]:  # they may say anything of anybody's stint
            self._check_times(honest, figures[0][1])
        for name, figure in figures[1:]:
            if repr(figure) != repr(figures[0][1]):
                raise Wrong(f"{name} and {figures[0][0]} differ in areas or hours: {figure} {figures[0][1]}")
        if self.tracebacks.found:
            raise Wrong("; ".join(self.tracebacks.found))
