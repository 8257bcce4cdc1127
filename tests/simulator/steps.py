"""What people do: drive and tap, hand over, correct, edit, exchange, read, shut down."""

from tests.simulator import adapter, clocks
from tests.simulator.device import Wrong


def drive(season, device, seconds: int) -> None:
    """Drive on for some seconds; the session looks once, or each second until the time is proven."""
    found = device.receiver.found
    looks = seconds if found and device.heard < 3 else 1
    for _ in range(looks):
        season.true.t += seconds / looks
        if fault := adapter.tick(device.session):
            raise Wrong(f"{device.name} says: {fault}")
        if found:
            device.hears()


def set_clock(season, device) -> None:
    """Set the clock of a machine: it was wrong, the network or a person says so, or its battery is dead."""
    chance = season.chance
    how = chance.random()
    if how < 0.15:
        device.clock.off = clocks.DEAD - season.true.t
    elif how < 0.4:
        device.clock.off = 0.0
    else:
        device.clock.off += chance.choice(clocks.STEPS)
    season.note("  ", f"clock {device.clock.off:+.0f} s")


def work(season, device) -> None:
    """Some acts of an operator, each as the state allows or not."""
    if not device.cab:
        look(season, device)
        return
    with season.act(device):
        drive(season, device, 3)
        for _ in range(season.chance.randint(2, 5)):
            if "clock" not in season.without and season.chance.random() < 0.1:
                set_clock(season, device)
            one_act(season, device)


def one_act(season, device) -> None:
    """One act: what it wrote is acknowledged when it returns."""
    chance, session = season.chance, device.session
    state = adapter.state(session)
    device.receiver.turn(chance.uniform(-30, 0), chance.uniform(-20, 20), 0.0)
    what, given = "take_over", {}
    if state in adapter.TAPS:
        main = {adapter.READY: "start", adapter.WORKING: "stop", adapter.STOPPED: "restart"}[state]
        what = main if chance.random() < 0.55 else ""
        if what == "stop":
            given = {"reason": chance.choice(("fuel", "dark"))}
        elif state == adapter.STOPPED and chance.random() < 0.3:
            what = "hand_over"
        elif not what:
            what, given = chance.choice(adapter.TAPS[state])
    elif chance.random() < 0.3:
        what = "receive"
    season.note("  ", f"{what} {given or ''}")
    try:
        with device.acknowledging(None if what in ("receive", "caution") else {"take_over": "stint"}.get(what, what)):
            match what:
                case "take_over":
                    adapter.take_over(session, chance)
                case "receive":
                    adapter.receive(device.store, session, chance)
                case "hand_over":
                    adapter.hand_over(session, chance)
                case _:
                    adapter.tap(session, what, **given)
    except adapter.SAID as said:
        season.sentence(said)
    if adapter.state(session) == adapter.WORKING:
        device.receiver.speed = 2.5
    drive(season, device, chance.choice((2, 4, 7)))


def look(season, device) -> None:
    """The office reads its pages' figures and the check."""
    with season.act(device):
        season.note("  ", f"{len(adapter.figures(device.store))} jobs")


def correct(season, device) -> None:
    """A correction by command, in a program beside the cab or after it."""
    _command(season, device, adapter.correction)


def edit(season, device) -> None:
    """An edit by command."""
    _command(season, device, lambda store, chance: list(chance.choice(adapter.EDITS)))


def _command(season, device, words_of) -> None:
    with season.act(device):
        words = words_of(device.store, season.chance)
        if words is None:
            return
        season.note("  ", " ".join(words))
        season.corrected.update(words)
        if season.chance.random() < 0.3:
            since = adapter.mark(device.store)
            with adapter.another_process():
                code, said = adapter.command(device.path, *words)
            if code == 0 and adapter.mark(device.store) != since:
                raise Wrong(f"two programs wrote to one logbook: {said}")
        else:
            device.stop()
            code, said = adapter.command(device.path, *words)
            device.start()
        season.note("  said:", f"{code} {said.strip()}")
        if code not in (0, 1):
            raise Wrong(f"a command ended with {code}: {said}")


def exchange(season, device) -> None:
    """A stick is put in, or the shared folder looked into."""
    carrier = season.chance.choice(season.carriers)
    with season.act(device):
        season.note("  ", carrier.name)
        device.disk.mounted = [carrier.folder]
        season.meet(device, carrier)
    device.disk.mounted = []


def by_hand(season, device) -> None:
    """Two machines exchange one file each way, after which they are equal row by row."""
    other = season.chance.choice([one for one in season.devices if one is not device and one.honest] or [device])
    season.note("  ", f"with {other.name}")
    if other is device:
        return
    mail = season.yard.root / "mail"
    done = []
    for reader, writer in ((other, device), (device, other)):
        bundle = None
        with season.act(writer):
            writer.end_session()
            bundle = adapter.export(writer.store, mail)
            sent, trouble = frozenset(writer.kept), adapter.saves_nothing(writer.store)
        with season.act(reader):
            reader.end_session()
            added, refused, _missing = adapter.merge(reader.store, [bundle])
            season.note("  ", f"{reader.name}: {added} added" + "".join(f"; {one}" for one in refused))
            for one in refused:
                season.sentence(one)
            full = reader.disk.full or adapter.saves_nothing(reader.store)
            if refused and not (season.split or adapter.waits(refused) or full):
                raise Wrong(f"an honest bundle was refused: {refused}")
            if not refused and not full and not trouble:
                reader.kept |= sent
                done.append(reader)
    if len(done) == 2 and (apart := season.apart([device, other])):
        raise Wrong(f"after they exchanged differ {apart}")


def find_lost(season, device) -> None:
    """On a cab, not the office, somebody tries to strike off a tablet that is not there: refused, and nothing is done."""
    if device.name == "office":
        return
    with season.act(device):
        device.stop()
        before = adapter.mark_of(device.path)
        code, said = adapter.command(device.path, "enrol", "--lost", "nobody")
        season.note("  said:", f"{code} {said.strip()}")
        if code != 1 or adapter.mark_of(device.path) != before:
            raise Wrong(f"a refused command has done something: {said}")


def backup(season, device) -> None:
    """A backup is written; it may be put into a new tablet."""
    with season.act(device):
        path = adapter.backup(device.store, season.yard.root / "backups" / device.name)
        kept = set(device.kept)
        trouble = adapter.saves_nothing(device.store)
    if season.chance.random() < 0.5 and len(season.devices) < 14 and not trouble:
        new = season.machine(f"{device.name}-anew{len(season.devices)}", device.cab)
        new.path.write_bytes(path.read_bytes())
        new.kept = kept
        season.note("  ", f"put into {new.name}")
        with season.act(new):
            pass


def shut(season, device) -> None:
    """It is switched off properly, and on again some time later."""
    with season.act(device, on=False):
        device.stop()
    device.clock.start()


STEPS = {
    "work": (30, work), "look": (2, look), "correct": (4, correct), "edit": (4, edit), "exchange": (14, exchange),
    "by hand": (6, by_hand), "shut": (3, shut), "find lost": (1, find_lost), "backup": (2, backup),
}  # fmt: skip
