"""A logbook that was copied, cloned or put back goes on as a new device, loses nothing and says so."""

import shutil
import uuid

import pytest

from store import open_store
from store.durability import machine_binding
from store.durability.machine_binding import binding_path
from store.facts.device_identity import renew_if_doubled
from store.models import FACTS, Operator, Retirement, SignedPage


@pytest.fixture
def machine(monkeypatch):
    """What names the machine, as a test likes it."""
    found = {"disk": "a", "system": "b"}
    monkeypatch.setattr(machine_binding, "machine_of", lambda _path: dict(found))
    return found


@pytest.fixture
def worked(tmp_path, begin_stint, drive, machine):
    """A closed logbook with a stint and an open trace, and its device."""
    path = tmp_path / "home" / "logbook.sqlite"
    with open_store(path, "tablet 1") as store:
        writer = store.trace(begin_stint(store).stint.id)
        for fix in zip(*drive(50), strict=True):
            writer.append(*fix)
        writer.sync()
        return path, store.device


def _facts(store):
    return {(name, row.id, row.device, row.seq) for name, model in FACTS.items() for row in store.all(model)}


def test_a_logbook_where_it_belongs_stays_the_same_device(worked, tmp_path):
    """Opened again, after a migration to where it lies, or moved with its folder, it is the same device."""
    path, device = worked
    for _ in range(2):
        with open_store(path) as store:
            assert store.device == device and store.renewed is None
            store.put(Operator, name="Bo")
    moved = tmp_path / "elsewhere"
    path.parent.rename(moved)
    with open_store(moved / path.name) as store:
        assert store.device == device and store.renewed is None
    binding_path(moved / path.name).unlink()
    with open_store(moved / path.name) as store:
        assert store.renewed is not None


@pytest.mark.parametrize("how", ["file", "folder", "cloned disk", "cloned system", "put back", "two of them"])
def test_a_stray_logbook_goes_on_as_a_new_device(worked, tmp_path, machine, how):
    """However it came there it becomes a new device once, keeps every record, and both copies give numbers of their own."""
    path, device = worked
    with open_store(path) as store:
        before = _facts(store)
    there = tmp_path / "there" / path.name
    there.parent.mkdir()
    if how == "file":
        shutil.copy(path, there)
    elif how == "two of them":  # one machine, two homes
        shutil.copytree(path.parent, there.parent, dirs_exist_ok=True)
    elif how == "put back":
        there = path
        old = path.read_bytes()
        with open_store(path) as store:
            store.put(Operator, name="Bo")
            store.seal_pages()
        path.write_bytes(old)
    else:
        there = path
        if how != "cloned system":
            machine["disk"] = "c"
        else:
            del machine["disk"]
        if how != "cloned disk":
            machine["system"] = "d"
    with open_store(there) as store:
        assert store.device != device and store.device[:8] in str(store.renewed)
        assert {fact for fact in _facts(store) if fact[2] == device} == before and store.check() == []
        with store.session() as session:
            signed = sum(p.last - p.first + 1 for p in session.query(SignedPage).filter_by(device=device))
        assert signed == len(before)  # others can still take what the old device wrote
        assert store.put(Operator, name="Cy").seq == 2  # after the record that says whom it goes on for
        new = store.device
    with open_store(there) as store:
        assert store.device == new and store.renewed is None


def test_cards_cloned_before_the_first_record_become_devices_of_their_own(tmp_path, machine):
    """A tablet set up once and cloned before anything was written on it: each clone has its own identity."""
    path = tmp_path / "home" / "logbook.sqlite"
    open_store(path, "tablet").close()
    devices = set()
    for name in ("x", "y"):
        shutil.copytree(path.parent, tmp_path / name)
        machine["disk"] = name
        with open_store(tmp_path / name / path.name) as store:
            assert store.renewed is not None and store.check() == []
            assert store.put(Operator, name="Cy").seq == 2  # after whom it goes on for
            devices.add(store.device)
    machine["disk"] = "a"
    with open_store(path) as store:
        assert store.renewed is None and len(devices | {store.device}) == 3


def test_the_same_end_of_a_trace_sealed_by_two_counts_once(worked, tmp_path, drive):
    """The open end of a trace, in two copies of a file, is sealed by both and read once."""
    from sync import export_bundle, merge_bundles
    from sync.enrolment import pair

    path, _device = worked
    twin = shutil.copy(path, tmp_path / "twin.sqlite")
    with open_store(path) as store, open_store(twin) as other:
        pair(store, other)
        for a, b in ((store, other), (other, store)):
            assert merge_bundles(b, [export_bundle(a, tmp_path / a.device)]).refused == []
        (stint,) = {row[0] for row in _stints(store)}
        assert len(store.read_trace(stint)) == len(other.read_trace(stint)) == 50
        assert store.check() == other.check() == []
        assert _facts(store) == _facts(other)


def _stints(store):
    with store.session() as session:
        return session.connection().exec_driver_sql("SELECT id FROM stint").all()


def test_what_a_machine_is_reads_only_what_is_there(tmp_path, monkeypatch):
    """Without a disk's number and a machine id nothing names the machine; an unreadable binding is none."""
    monkeypatch.setattr(machine_binding, "MACHINE_IDS", (tmp_path / "none",))
    monkeypatch.setattr(machine_binding, "BLOCK_DEVICES", tmp_path)
    assert machine_binding.machine_of(tmp_path / "x.sqlite") == {}
    (tmp_path / "x-bound.json").write_text("{]")
    assert machine_binding.read_binding(tmp_path / "x.sqlite") is None


@pytest.mark.parametrize(("first", "last", "renewed"), [(2, 4, False), (3, 3, False), (4, 9, True), (1, 2, True)])
def test_numbers_of_a_machine_that_left_are_no_reason_to_renew(worked, first, last, renewed):
    """A bundle brings number 3 of this device with another record: a device goes on as new, but not for numbers that were ended."""
    with open_store(worked[0]) as store:
        for n in range(9):
            store.put(Operator, name=f"No. {n}")
        ended = Retirement(subject=store.device, first=first, last=last, at=1.0)
        with store.writing() as session:
            assert (renew_if_doubled(session, [(3, str(uuid.uuid4()))], [ended], [], 1.0) is not None) == renewed
