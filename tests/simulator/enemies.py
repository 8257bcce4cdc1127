"""What is not bad luck: an enrolled device that lies, strangers, and programs of another version."""

from tests.simulator import adapter, clocks

EDGES = (0.0, clocks.BEGIN, clocks.BEGIN - 400 * clocks.DAY, clocks.BEGIN + 4000 * clocks.DAY, 4.09e9)


def _own_machine(season, name: str):
    """Return a machine of one who has what a carrier or machine has, begun anew."""
    found = [one for one in season.devices if one.name == name]
    if found:
        return found[0]
    made = season.machine(name, cab=False)
    made.honest = False
    return made


def _read(season, device) -> object:
    """Return a bundle of an honest machine, as it lies on any stick."""
    with season.act(device):
        return adapter.export(device.store, season.yard.root / "mail")


def _tell_lies(season, made, count: int) -> None:
    for _ in range(count):
        try:
            season.note("  ", adapter.lie(made.store, season.chance))
        except (adapter.SAID, ValueError) as said:  # its own program refuses
            season.note("  ", f"refused: {said}")
    if season.chance.random() < 0.2:
        adapter.lie_with_trace(made.store, season.chance)


def liar(season, device) -> None:
    """A known device writes, correctly signed, what no honest one writes, and exchanges."""
    made = _own_machine(season, "liar")
    bundle = _read(season, device)
    if not made.path.exists():
        office = season.devices[0]
        with season.act(made):
            card = adapter.card(made.store)
        with season.act(office):
            adapter.enrol(office.store, [card])
            office_card = adapter.card(office.store)
        with season.act(made):
            adapter.hold_to(made.store, office_card)
    made.clock.off = season.chance.choice(EDGES) - season.true.t
    carrier = season.chance.choice(season.carriers)
    with season.act(made):
        adapter.merge(made.store, [bundle])
        _tell_lies(season, made, season.chance.randint(1, 3))
        carrier.foreign = True
        _added, refused = adapter.exchange(made.store, [carrier.folder])
        season.note("  ", f"{carrier.name} {refused}")


def stranger(season, device) -> None:
    """One who read a stick writes to it what should make the farm his."""
    carrier = season.chance.choice(season.carriers)
    made = _own_machine(season, "stranger")
    bundle = _read(season, device)
    made.clock.off = season.chance.choice(EDGES) - season.true.t
    cards = [adapter.card(one.store) for one in season.honest() if one.store is not None]
    with season.act(made):
        adapter.merge(made.store, [bundle])
        what = season.chance.choice(("office", "keys", "lie"))
        season.note("  ", f"{what} on {carrier.name}")
        match what:
            case "office":
                adapter.become_office(made.store)
            case "keys":
                adapter.plant_keys(made.store, cards, season.chance.choice((0, 3, 300)))
            case "lie":
                _tell_lies(season, made, 2)
        adapter.export(made.store, carrier.folder)
        carrier.foreign = True


def other_farm(season, _device) -> None:
    """A bundle of another farm lies on the stick."""
    carrier = season.chance.choice(season.carriers)
    made = _own_machine(season, "neighbour")
    with season.act(made):
        if not adapter.figures(made.store) and adapter.mark(made.store)[1] == 1:
            adapter.stock(made.store, "other farm")
        adapter.export(made.store, carrier.folder)
        carrier.foreign = True


def newer(season, device) -> None:
    """A machine with a newer program writes its bundle, which older ones refuse until they are updated."""
    carrier = season.chance.choice(season.carriers)
    with season.act(device):
        device.end_session()
        adapter.export_newer(device.store, carrier.folder)
        carrier.foreign = True


STEPS = {"liar": (4, liar), "stranger": (3, stranger), "other farm": (1, other_farm), "newer": (1, newer)}
