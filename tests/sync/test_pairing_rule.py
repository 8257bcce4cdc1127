"""Who is the office: a machine that a person said is it, never one that only paired first; and who is paired without one."""

import shutil
from time import time

import pytest

from store import open_store
from store.errors import BundleRefused
from store.facts.device_identity import renew
from store.models import Enrolment, Farm, Operator, Own
from sync import export_bundle, merge_bundles
from sync.device_trust import other_offices
from sync.enrolment import (
    OfficeKnown,
    card_of,
    cards_in,
    enrol,
    hold_to,
    is_office,
    office_of,
    pair_here,
    revoke,
    roll_of,
)


@pytest.fixture
def carry(tmp_path):
    """A function that carries everything from one copy to another: the refusal, or None."""

    def carried(source, target):
        result = merge_bundles(target, [export_bundle(source, tmp_path / source.device)])
        return str(result.refused[0][1]) if result.refused else None

    return carried


@pytest.fixture
def machine(tmp_path):
    """A function that opens a new machine of a name; all are closed at the end."""
    opened = []

    def new(name):
        opened.append(open_store(tmp_path / f"{name}.sqlite", name))
        return opened[-1]

    yield new
    for store in opened:
        store.close()


@pytest.fixture
def two(machine, carry):
    """Two tablets of a farm without an office, paired with each other by taps."""
    one, other = machine("tablet 1"), machine("tablet 2")
    one.put(Farm, name="Three Poplars", timezone="UTC")
    pair_here(one, card_of(other))
    pair_here(other, card_of(one))
    assert carry(one, other) is None
    other.put(Operator, name="Bea")
    assert carry(other, one) is None
    return one, other


def names(store):
    return {row.name for row in store.all(Operator)}


def states(store):
    return {entry.name: entry.state for entry in roll_of(store)}


def test_pairing_first_makes_nobody_the_office(two, rows_of):
    """Two tablets that have paired each other exchange both ways, and neither is the office, nor knows of one."""
    one, other = two
    assert rows_of(one) == rows_of(other) and names(one) == {"Bea"}
    assert [office_of(store) for store in two] == [None, None] and not any(map(is_office, two))
    with one.session() as session:
        assert session.query(Enrolment).filter_by(state="office").all() == []


def test_pairing_counts_one_way_only(machine, carry):
    """Who was paired here is taken in here; that one takes in nothing before a person there has compared the code too, and
    nobody takes in a third machine because another one has paired it."""
    one, other, third = machine("tablet 1"), machine("tablet 2"), machine("tablet 3")
    one.put(Farm, name="Three Poplars", timezone="UTC")
    other.put(Operator, name="Bea")
    pair_here(other, card_of(one), card_of(third))
    assert carry(one, other) is None
    assert "is not paired with this device yet" in carry(other, one)
    pair_here(one, card_of(other))
    assert carry(other, one) is None and carry(one, third) is not None
    pair_here(third, card_of(one))
    assert carry(one, third) is None
    assert "is not paired" in carry(third, one) and states(one) == {"tablet 2": "tablet"}


def test_the_office_comes_later_and_is_told_by_a_person(two, machine, carry, rows_of):
    """Each tablet is told at any time; whom it held to directly goes on counting until the office has its word on it."""
    one, other = two
    office = machine("office")
    hold_to(one, card_of(office))
    other.put(Operator, name="Cal")
    assert carry(other, one) is None  # paired here, and the office does not know it yet
    enrol(office, card_of(one))
    assert carry(one, office) is None and carry(office, one) is None
    assert states(office)["tablet 2"] == "known" and states(one)["tablet 2"] == "tablet"
    other.put(Operator, name="Dee")
    assert carry(other, one) is None and carry(one, office) is None
    assert names(office) == {"Bea", "Cal", "Dee"}
    hold_to(other, card_of(office))
    enrol(office, card_of(other))
    for store in (one, other):
        assert carry(office, store) is None and carry(store, office) is None and is_office(store) is False
    assert carry(office, one) is None and carry(office, other) is None
    assert rows_of(one) == rows_of(other) == rows_of(office)
    for store in (one, other, office):
        with store.session() as session:
            assert other_offices(session) == []


def test_whom_the_office_strikes_off_is_out_where_it_was_paired_directly(two, machine, carry):
    """Its roll counts more than what was paired here; here it cannot be put back, and under a new identity it is out too."""
    one, other = two
    office = machine("office")
    for store in two:
        hold_to(store, card_of(office))
    enrol(office, card_of(one), card_of(other))
    assert carry(one, office) is None
    revoke(office, "tablet 2", "stolen")
    assert carry(office, one) is None
    other.put(Operator, name="Eve")
    assert "reported lost (stolen)" in carry(other, one) and "reported lost" in carry(other, office)
    with pytest.raises(BundleRefused, match="struck off by the farm's office"):
        pair_here(one, card_of(other))
    with other.writing() as session:
        renewed = renew(session)
    other.go_on_as(renewed, "a test")
    other.put(Operator, name="Eve again")
    assert carry(other, one) is not None and carry(other, office) is not None
    assert "Eve again" not in names(one) | names(office)


def test_a_tablet_introduces_another_one_until_the_office_does(copies, machine, carry):
    """With an office too: both ways, and each then waits for nobody."""
    cab, office, _third = copies
    new = machine("tablet 4")
    pair_here(cab, card_of(new))
    pair_here(new, card_of(cab))
    assert carry(cab, new) is None
    new.put(Operator, name="Fay")
    assert carry(new, cab) is None and "Fay" in names(cab)
    assert office_of(cab) == office.device and office_of(new) is None
    assert "is not paired" in carry(new, office)
    enrol(office, card_of(new))
    assert carry(new, office) is None


def test_another_office_is_refused_and_nothing_is_done(copies, machine, rows_of):
    """Told 'it is our office' of a machine though there is one, or of one of another farm, a tablet says so and stays."""
    cab, office, third = copies
    before = rows_of(cab)
    for _ in range(2):
        with pytest.raises(OfficeKnown, match=rf"has an office already: tablet 2 \({office.device[:8]}\)"):
            hold_to(cab, card_of(third))
        assert office_of(cab) == office.device and rows_of(cab) == before
    with pytest.raises(OfficeKnown, match="This machine is the farm's office"):
        hold_to(office, card_of(third))
    hold_to(cab, card_of(office))  # said again
    hold_to(cab, card_of(third), instead=True)
    assert office_of(cab) == third.device


def test_a_machine_of_another_farm_is_neither_office_nor_paired(copies, machine, tmp_path, rows_of):
    """Its head says the farm, so the tap is refused in words; the same in the office's command."""
    cab, office, _ = copies
    far = machine("far")
    far.put(Farm, name="Far", timezone="UTC")
    export_bundle(far, tmp_path / "stick")
    (card,) = cards_in(tmp_path / "stick")
    assert card == card_of(far)
    alone = machine("alone")
    alone.put(Farm, name="Alone", timezone="UTC")
    for store, act in (
        (cab, lambda: hold_to(cab, card, instead=True)), (cab, lambda: pair_here(cab, card)),
        (office, lambda: enrol(office, card)), (alone, lambda: hold_to(alone, card)), (alone, lambda: pair_here(alone, card)),
    ):  # fmt: skip
        before, known = rows_of(store), office_of(store)
        with pytest.raises(BundleRefused, match="belongs to the farm 'Far'"):
            act()
        assert rows_of(store) == before and office_of(store) == known


def test_a_tablet_that_became_the_office_by_pairing_first_hands_it_on(machine, carry, rows_of):
    """Logbooks of the older program go on as they are; told who the office is, such a tablet hands on, and all follow."""
    one, other, office = machine("tablet 1"), machine("tablet 2"), machine("office")
    one.put(Farm, name="Three Poplars", timezone="UTC")
    enrol(one, card_of(other))  # as the older program did when a tablet was paired there first
    hold_to(other, card_of(one))
    assert carry(one, other) is None and carry(other, one) is None
    enrol(office, card_of(one))
    assert carry(one, office) is None
    with pytest.raises(OfficeKnown):
        hold_to(one, card_of(office))
    hold_to(one, card_of(office), instead=True)
    assert not is_office(one)
    for store in (other, office):
        assert carry(one, store) is None
    enrol(office, card_of(other))
    other.put(Operator, name="Gil")
    assert carry(other, office) is None
    for store in (one, other):
        assert carry(office, store) is None
    assert rows_of(one) == rows_of(other) == rows_of(office)
    revoke(office, "tablet 2")
    assert carry(office, one) is None
    assert "reported lost" in carry(other, one)
    for store in (one, other, office):
        with store.session() as session:
            assert other_offices(session) == []


def test_a_tablet_that_gave_the_office_up_is_said_to_be_none(tmp_path, carry):
    """Whatever its clock said when it became one."""
    with (
        open_store(tmp_path / "1.sqlite", "tablet 1", lambda: time() + 7200.0) as one,
        open_store(tmp_path / "2.sqlite", "office") as office,
    ):
        one.put(Farm, name="Three Poplars", timezone="UTC")
        enrol(office, card_of(one))
        enrol(one)
        assert carry(one, office) is None

        def said():
            with office.session() as session:
                return [str(sentence) for sentence in other_offices(session)]

        assert ["tablet 1" in sentence for sentence in said()] == [True]
        hold_to(one, card_of(office), instead=True)
        assert carry(one, office) is None and said() == []


def test_a_machine_that_goes_on_as_a_new_one_holds_to_whom_it_held(two, carry):
    """Both ways: the other one takes its successor in, and it goes on taking in the other one."""
    one, other = two
    revoked_before = states(one)
    with one.writing() as session:
        renewed = renew(session)
    one.go_on_as(renewed, "a test")
    assert states(one) == revoked_before
    one.put(Operator, name="Hal")
    other.put(Operator, name="Ivy")
    assert carry(one, other) is None and carry(other, one) is None
    assert names(one) == names(other) == {"Bea", "Hal", "Ivy"}


def test_what_another_machine_says_it_paired_counts_nowhere_else(two, machine, carry):
    """Not even where that machine is said to be the office: it is a person's word at that machine only."""
    one, other = two
    third, fourth = machine("tablet 3"), machine("tablet 4")
    pair_here(one, card_of(third))
    hold_to(fourth, card_of(one))
    assert "passes on records of a device" in carry(one, fourth)
    assert carry(one, other) is None
    third.put(Operator, name="Jo")
    pair_here(third, card_of(one))
    assert carry(one, third) is None
    for store in (other, fourth):
        assert "is not paired" in carry(third, store)
    enrol(one)  # now a person has said so
    assert is_office(one) and states(one) == {"tablet 1": "office", "tablet 2": "tablet", "tablet 3": "tablet"}
    assert carry(one, fourth) is None and carry(third, fourth) is None


def test_a_clone_is_not_put_back_with_its_original(copies, carry, tmp_path):
    """Struck off with it, and enrolled by its own code only."""
    cab, office, _third = copies
    (tmp_path / "there").mkdir()
    shutil.copy(cab.path, tmp_path / "there" / "cab.sqlite")
    with open_store(tmp_path / "there" / "cab.sqlite") as clone:
        assert clone.device != cab.device
        clone.put(Operator, name="from the clone")
        assert carry(clone, office) is None
        revoke(office, cab.device[:8])
        enrol(office, card_of(cab))
        cab.put(Operator, name="from the original")
        assert carry(cab, office) is None
        clone.put(Operator, name="late")
        assert "reported lost" in carry(clone, office) and "late" not in names(office)
        enrol(office, card_of(clone))
        assert carry(clone, office) is None and "late" in names(office)


def test_a_name_that_two_have_is_refused_with_the_ids(machine):
    """Which one is meant is said by the first letters of its id."""
    office = machine("office")
    enrol(office)
    for n in (1, 2):
        made = machine(f"new {n}")
        with made.writing() as session:
            session.query(Own).one().name = "tablet"
        enrol(office, card_of(made))
    ids = sorted(entry.device for entry in roll_of(office) if entry.name == "tablet")
    with pytest.raises(BundleRefused, match=rf"More than one device is called 'tablet': .*{ids[0][:8]}.*{ids[1][:8]}"):
        revoke(office, "tablet")
    assert revoke(office, ids[0][:8]).device == ids[0]
