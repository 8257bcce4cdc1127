"""The office moves by a deliberate, recorded step: to a new computer, or from a backup; two offices are noticed and said."""

import shutil

import pytest

from cabapp.__main__ import main
from store import open_store
from store.errors import BundleRefused
from store.models import Enrolment, Operator
from sync import export_bundle, merge_bundles
from sync.device_trust import other_offices
from sync.enrolment import become_office, card_of, enrol, hand_on, hold_to, office_of, revoke, roll_of, text_of_card


@pytest.fixture
def carry(tmp_path):
    """A function that carries everything from one copy to others; what is refused is an error, unless asked for."""

    def carried(source, *targets, refused=None):
        bundle = export_bundle(source, tmp_path / source.device)
        for target in targets:
            result = merge_bundles(target, [bundle])
            said = [str(why) for _path, why in result.refused]
            assert (refused in said[0]) if refused else said == []

    return carried


@pytest.fixture
def new_machine(copies, tmp_path, carry):
    """An empty copy on the new office machine that was given the card of the office."""
    with open_store(tmp_path / "new.sqlite", "new office") as store:
        hold_to(store, card_of(copies[1]))
        carry(copies[1], store)
        yield store


def states(store):
    return {entry.name: entry.state for entry in roll_of(store)}


def offices_said(store):
    with store.session() as session:
        return [str(one) for one in other_offices(session)]


def test_an_office_is_handed_on_and_no_tablet_has_to_be_visited(copies, new_machine, carry, rows_of, work, tmp_path):
    """By the new machine's card, at the old one; every copy follows the record, the new roll is the old one and goes on."""
    cab, office, third = copies
    hand_on(office, card_of(new_machine))
    carry(office, new_machine, cab, third)
    with pytest.raises(BundleRefused, match="handed on"):
        enrol(office, card_of(cab))
    with open_store(tmp_path / "fourth.sqlite", "tablet 4") as fourth:
        hold_to(fourth, card_of(new_machine))
        enrol(new_machine, card_of(fourth))
        work(cab, "Ada")
        carry(cab, new_machine)
        carry(new_machine, cab, third, office, fourth)
        work(fourth, "Di")
        carry(fourth, cab, third, new_machine)
        carry(new_machine, office, fourth)
        for store in (cab, third, new_machine, office, fourth):
            assert states(store)["tablet 4"] == "tablet" and states(store)["new office"] == "office"
            assert offices_said(store) == [] and {one.name for one in store.all(Operator)} >= {"Ada", "Di"}
    revoke(new_machine, "tablet 2")
    carry(new_machine, cab)
    office.put(Operator, name="too late")
    carry(office, cab, refused="reported lost")


def test_what_an_old_office_enrols_after_it_was_handed_on_does_not_count(copies, new_machine, carry, tmp_path):
    """Whoever has the old machine, or a backup of its key, changes no roll; that it tries is said."""
    cab, office, third = copies
    hand_on(office, card_of(new_machine))
    carry(office, new_machine, cab, third)
    office.add(Enrolment(subject=third.device, name="tablet 3", public_key="0" * 64, state="revoked", at=1.0))
    carry(office, cab, new_machine)
    for store in (cab, new_machine):
        assert states(store)["tablet 3"] == "tablet"
        (said,) = offices_said(store)
        assert "tablet 2" in said and "goes by new office" in said


def test_a_backup_becomes_the_office_of_a_lost_one_only_when_told_so(copies, carry, work, rows_of, tmp_path, capsys):
    """Restored on a new computer it enrols nobody by itself; told so it has the roll, and each tablet is given its card."""
    cab, office, _third = copies
    revoke(office, "tablet 3", "stolen")
    work(cab, "Ada")
    carry(cab, office)
    (tmp_path / "there").mkdir()
    path = tmp_path / "there" / "logbook.sqlite"
    shutil.copy(office.backup(tmp_path / "backups"), path)
    office.close()  # lost
    with open_store(path, "second office") as again:
        assert office_of(again) is None
        with pytest.raises(BundleRefused, match="--as-office"):
            enrol(again, card_of(cab))
        before = rows_of(again)
        assert rows_of(again) == before
    assert main(["enrol", "--as-office", "--store", str(path)]) == 0
    assert "second office" in capsys.readouterr().out
    with open_store(path) as again:
        found = states(again)
        assert (found["tablet 1"], found["tablet 3"], found["tablet 2"]) == ("tablet", "revoked", "known")
        with pytest.raises(BundleRefused, match="already"):
            become_office(again)
        work(cab, "Bea")
        carry(cab, again)
        carry(again, cab, refused="not paired")
        hold_to(cab, card_of(again), instead=True)
        carry(again, cab)
        assert rows_of(cab) == rows_of(again) and offices_said(cab) == offices_said(again) == []


def test_two_offices_are_noticed_and_said(copies, carry, capsys):
    """A tablet that made itself the office while the first one lives: said by check and enrol of every copy that meets it."""
    cab, office, third = copies
    carry(cab, office, third)
    become_office(cab)
    carry(cab, office)
    carry(office, third)
    for store in (office, third):
        (said,) = offices_said(store)
        assert "tablet 1" in said and "goes by tablet 2" in said
    third.close()
    assert main(["check", "--store", str(third.path)]) == 1
    assert "acts as the farm's office: tablet 1" in capsys.readouterr().err
    assert main(["enrol", "--store", str(third.path)]) == 0
    assert "acts as the farm's office: tablet 1" in capsys.readouterr().err


def test_an_office_copied_to_another_computer_and_used_on_both_is_said(copies, carry, tmp_path):
    """The copy goes on as a new device by the old one's key; when the old one enrols too, that is said."""
    cab, office, third = copies
    carry(office, cab, third)
    (tmp_path / "there").mkdir()
    office.close()
    shutil.copy(office.path, tmp_path / "there" / "office.sqlite")
    with open_store(tmp_path / "there" / "office.sqlite") as second, open_store(office.path) as office:
        assert second.device != office.device and offices_said(second) == []
        revoke(second, "tablet 3", "stolen")
        carry(second, cab)
        assert states(cab)["tablet 3"] == "revoked" and offices_said(cab) == []
        with open_store(tmp_path / "fourth.sqlite", "tablet 4") as fourth:
            enrol(office, card_of(fourth))
        carry(office, cab)
        (said,) = offices_said(cab)
        assert office.device[:8] in said


def test_the_commands_hand_an_office_on(copies, new_machine, carry, capsys):
    """The card of the new machine, at the old one."""
    office = copies[1]
    card = text_of_card(card_of(new_machine))
    office.close()
    assert main(["enrol", "--hand-on", card, "--store", str(office.path)]) == 0
    assert "office   new office" in capsys.readouterr().out
    assert main(["enrol", "--lost", "tablet 1", "--store", str(office.path)]) == 1
    assert "handed on" in capsys.readouterr().err
