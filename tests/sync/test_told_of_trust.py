"""What a machine is told of its own standing and of new machines: struck off, a clone that goes on, by every way records come."""

import shutil

import pytest

from cabapp.__main__ import main
from cabapp.tablet.exchange_runner import Exchange
from store import open_store
from store.models import Operator
from sync import export_bundle, merge_bundles
from sync.enrolment import card_of, enrol, revoke
from sync.folder_exchange import FolderWatcher
from sync.trust_news import struck_off


@pytest.fixture
def folder(tmp_path):
    path = tmp_path / "shared"
    path.mkdir()
    return path


def exchanged(store, folder):
    """Return what a person is told at an exchange of two looks."""
    watch = FolderWatcher(store, [folder])
    return [str(said) for _ in range(2) for news in watch.look() for said in news.messages]


def in_the_cab(store, folder):
    """Return what the cab's exchange screen says."""
    exchange = Exchange(store, folder, list)
    exchange.begin()
    exchange.close()
    return [str(said) for said in exchange.messages]


def test_a_struck_off_machine_is_told_wherever_it_meets_who_knows(copies, folder, tmp_path, capsys):
    """By the exchange of the cab, and by every command that reads or writes for others; nobody else is told so."""
    cab, office, third = copies
    revoke(office, "tablet 1", "stolen")
    exchanged(office, folder)
    cab.put(Operator, name="late")
    for _ in range(2):  # again, though nothing is new
        assert any("The farm's office has struck this machine off (stolen)" in one for one in in_the_cab(cab, folder))
    assert struck_off(office) == [] == struck_off(third)
    cab.close()
    store = ["--store", str(cab.path)]
    for words in (
        ["exchange", str(folder)],
        ["merge", str(folder)],
        ["export", str(tmp_path / "out")],
        ["enrol"],
        ["check"],
    ):
        main([*words, *store])
        done = capsys.readouterr()
        assert "struck this machine off (stolen)" in done.out + done.err, words


def test_a_clone_that_goes_on_is_announced(copies, folder, tmp_path, capsys):
    """At the office and on a tablet, by exchange and by merge, once, with the id of the device that it goes on for."""
    cab, office, third = copies
    exchanged(cab, folder)
    exchanged(office, folder)
    exchanged(third, folder)
    (tmp_path / "there").mkdir()
    shutil.copy(cab.path, tmp_path / "there" / "cab.sqlite")
    with open_store(tmp_path / "there" / "cab.sqlite") as clone:
        clone.put(Operator, name="from the clone")
        exchanged(clone, folder)
        words = f"tablet 1 ({clone.device[:8]}) goes on for tablet 1 ({cab.device[:8]})"
        for store in (office, third):
            assert sum(words in said for said in exchanged(store, folder)) == 1
            assert not any("goes on for" in said for said in exchanged(store, folder))
        told = merge_bundles(cab, [export_bundle(clone, tmp_path / "zip")]).told
        assert [words in str(said) for said in told] == [True]
        office.close()
        assert main(["enrol", "--store", str(office.path)]) == 0
        assert f"goes on for tablet 1 ({cab.device[:8]})" in capsys.readouterr().out


def test_the_roll_has_one_answer_for_each(copies, folder, tmp_path, capsys):
    """Who is struck off is not also said to be paired; and the word is the farm's."""
    cab, office, _third = copies
    export_bundle(cab, folder)
    revoke(office, "tablet 1")
    office.close()
    assert main(["enrol", "--from", str(folder), "--store", str(office.path)]) == 0
    said = capsys.readouterr().out
    assert f"struck off: tablet 1 ({cab.device[:8]})" in said
    assert "revoked" not in said and f"paired: tablet 1 ({cab.device[:8]})" not in said


def test_a_machine_is_named_and_renamed(copies, folder, tmp_path, capsys):
    """By `--name`, at a new logbook and an old one; the office takes the new name with the card; one file of it lies there."""
    cab, office, _third = copies
    exchanged(cab, folder)
    cab.close()
    assert main(["enrol", "--name", "green tractor", "--store", str(cab.path)]) == 0
    assert "This device: green tractor" in capsys.readouterr().out
    with open_store(cab.path) as cab:
        exchanged(cab, folder)
        (head,) = folder.glob(f"*{cab.device[:8]}.head")
        assert "green-tractor" in head.name
        enrol(office, card_of(cab))
        export_bundle(office, tmp_path / "out")
    office.close()
    assert main(["enrol", "--lost", "green tractor", "--store", str(office.path)]) == 0
    for bad in ("", " ", "x" * 201, "a\nb"):
        assert main(["enrol", "--name", bad, "--store", str(office.path)]) == 1
