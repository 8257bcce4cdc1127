"""Ordinary bad luck: clocks, power, disks, sticks, copies of cards, images put back, two programs at once."""

from tests.simulator import adapter, steps
from tests.simulator.carriers import Held, hanging
from tests.simulator.device import Died, Wrong
from tests.simulator.disk import Disk


def clock(season, device) -> None:
    """The clock is set, steps, or has lost its battery."""
    steps.set_clock(season, device)
    if device.session is not None and device.cab:
        with season.act(device):
            steps.drive(season, device, 2)


def satellites(season, device) -> None:
    """The receiver is found or lost."""
    device.receiver.found = not device.receiver.found
    season.note("  ", "found" if device.receiver.found else "lost")


def kill(season, device) -> None:
    """The program is killed between two acts."""
    with season.act(device):
        pass
    device.kill()


def cut(season, device) -> None:
    """The power goes, or the program is killed, at any write of what follows."""
    chance = season.chance
    power, after = chance.random() < 0.6, chance.choice((1, 2, 3, 5, 8, 13, 21, 34))
    what = chance.choice((steps.work, steps.work, steps.exchange, steps.shut, steps.by_hand, None))
    season.note(
        "  ", f"{'power' if power else 'process'} after {after} writes of {getattr(what, '__name__', 'opening')}"
    )
    if what is None:
        with season.act(device, on=False):
            device.stop()
    device.disk.arm(after, power)
    try:
        if what is None:
            with season.act(device):
                pass
        else:
            what(season, device)
    finally:
        device.disk.disarm()
        device.disk.mounted = []


def first_start(season, _device) -> None:
    """A new tablet's first start is killed, some times over, and then not."""
    if len(season.devices) > 14:
        return
    new = season.machine(f"new{len(season.devices)}", True)
    for _ in range(season.chance.choice((0, 1, 1, 2))):
        after = season.chance.randint(1, 45)
        new.disk.arm(after, season.chance.random() < 0.6)
        season.note("  ", f"{new.name} killed after {after} writes")
        try:
            with season.act(new):
                new.disk.disarm()  # it was over before
        except Died:
            season.note("  ", "cut off")
    with season.act(new):
        season.note("  ", f"{new.name} begun")
    carrier = season.chance.choice(season.carriers)
    with season.act(new):
        season.meet(new, carrier)


def story(season, device, carrier) -> None:
    """A machine works and then exchanges with a carrier."""
    season.note("  ", f"{device.name} works and exchanges with {carrier.name}")
    steps.work(season, device)
    with season.act(device):
        device.disk.mounted = [carrier.folder]
        season.meet(device, carrier)
    device.disk.mounted = []


def full(season, device) -> None:
    """The disk is full, or has room again."""
    device.disk.full = not device.disk.full
    season.note("  ", "full" if device.disk.full else "room again")
    if (
        device.disk.full and season.chance.random() < 0.5
    ):  # what was only in memory is gone, and the numbers are given again
        carrier = season.chance.choice(season.carriers)
        other = season.chance.choice(season.honest())
        story(season, device, carrier)
        story(season, other, carrier)
        device.kill()
        device.disk.full = False
        season.note("  ", "killed, and room again")
        story(season, device, carrier)
        story(season, other, carrier)


def two_programs(season, device) -> None:
    """A second program opens the logbook while the first has it."""
    with season.act(device):
        try:
            with adapter.another_process():
                second = adapter.open_logbook(device.path, device.name, device.clock, season.chance.random() < 0.5)
        except adapter.SAID as said:
            season.sentence(said)
            return
        try:
            since = adapter.mark(device.store)
            adapter.stock_operator(second)
            if adapter.mark(device.store) != since:
                raise Wrong("two programs write to one logbook")
        except adapter.SAID as said:
            season.sentence(said)
        finally:
            with adapter.another_process():
                second.close()


def clone(season, device) -> None:
    """A card is cloned, with all or the logbook alone, and put into another tablet."""
    if len(season.devices) > 14:
        return
    with season.act(device):
        pass
    files = device.disk.files([device.folder])
    twin = season.machine(f"{device.name}-twin{len(season.devices)}", device.cab)
    if season.chance.random() < 0.3:
        files = {path: data for path, data in files.items() if path.suffix != ".json"}
    Disk.put({twin.folder / path.relative_to(device.folder): data for path, data in files.items()}, [twin.folder])
    twin.kept = set(device.kept)
    season.split = True
    season.note("  ", twin.name)
    with season.act(twin):
        pass
    if season.chance.random() < 0.5:  # both go on, and one carrier meets both, and a third
        carrier = season.chance.choice(season.carriers)
        for one in (device, twin, season.chance.choice(season.honest()), device):
            story(season, one, carrier)


def image(season, device) -> None:
    """An image of the disk is made."""
    with season.act(device):
        pass
    device.image = device.disk.files([device.folder]), set(device.kept)


def put_back(season, device) -> None:
    """An image made before, or the logbook of it alone, is put back: what nobody else has is gone by this."""
    carrier = season.chance.choice(season.carriers)
    if device.image is None:
        image(season, device)
        story(season, device, carrier)
    with season.act(device, on=False):
        device.stop()
    files, kept = device.image
    alone = season.chance.random() < 0.4
    if alone:
        files = {p: d for p, d in files.items() if p.suffix != ".json"}
        binding = {p: d for p, d in device.disk.files([device.folder]).items() if p.suffix == ".json"}
        files |= binding
    Disk.put(files, [device.folder])
    device.kept = set(kept)
    season.split = True
    season.note("  ", "the logbook alone" if alone else "whole")
    with season.act(device):
        pass
    if season.chance.random() < 0.5:
        story(season, device, carrier)


def harm(season, _device) -> None:
    """Something happens to the files on a carrier."""
    carrier = season.chance.choice(season.carriers)
    season.note("  ", f"{carrier.name}: {carrier.harm(season.chance)}")


def hang(season, device) -> None:
    """A stick stops to answer at some call; a tap is made meanwhile, and later it answers again."""
    carrier = season.chance.choice(season.carriers)
    after = season.chance.choice((0, 1, 2, 4, 8, 16, 32))
    season.note("  ", f"{carrier.name} after {after} calls")
    with season.act(device):
        if device.session is not None and adapter.state(device.session) == adapter.WORKING:
            adapter.tap(device.session, "stop", reason="fuel")
        try:
            with hanging(carrier.folder, after):
                _added, refused = adapter.exchange(device.store, [carrier.folder])
        except Held as held:
            raise Wrong(f"a hanging stick holds the whole program at {held}") from held
        for said in refused:
            season.sentence(said)
        carrier.wrote.pop(device.name, None)  # its file may be there or not
        if device.session is not None:
            adapter.follow_merge(device.session)


def lose(season, _device) -> None:
    """A stick is lost, and another takes its place; or two are mixed up."""
    carrier = season.chance.choice(season.carriers)
    if season.chance.random() < 0.5:
        carrier.wipe()
        season.note("  ", f"{carrier.name} lost")
        return
    other = season.chance.choice(season.carriers)
    season.note("  ", f"{carrier.name} and {other.name} swapped")
    carrier.folder, other.folder = other.folder, carrier.folder
    carrier.wrote, other.wrote = other.wrote, carrier.wrote
    carrier.spoiled, other.spoiled = other.spoiled, carrier.spoiled
    carrier.foreign, other.foreign = other.foreign, carrier.foreign


STEPS = {
    "clock": (8, clock), "satellites": (4, satellites), "kill": (3, kill), "cut": (10, cut), "first start": (3, first_start),
    "full": (4, full), "two programs": (2, two_programs), "clone": (3, clone), "image": (3, image),
    "put back": (3, put_back), "harm": (3, harm), "hang": (2, hang), "lose": (2, lose),
}  # fmt: skip
