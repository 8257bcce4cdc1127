"""export, merge and check from the command line."""

import json

import pytest
from sqlalchemy import select

from cabapp.__main__ import main
from store import open_store
from store.models import Farm, Own, Peer
from sync import export_bundle
from sync.enrolment import card_of, office_of, text_of_card
from sync.folder_exchange import FolderWatcher


@pytest.fixture
def run(capsys, monkeypatch, tmp_path):
    """A function that runs a command and returns (status, stdout, stderr)."""
    monkeypatch.setenv("ROLLBOOK_HOME", str(tmp_path / "home"))

    def ran(*words):
        try:
            status = main([str(word) for word in words])
        except SystemExit as end:
            status = end.code
        said = capsys.readouterr()
        return status, said.out, said.err

    return ran


def test_from_tablet_to_office(run, copies, work, tmp_path):
    """What a tablet exports, the office merges into a new logbook that checks as whole."""
    work(copies[0], "Ada")
    status, out, _ = run("export", tmp_path / "stick", "--store", copies[0].path)
    assert status == 0 and "Written:" in out
    status, out, err = run("merge", tmp_path / "stick")
    assert status == 1 and "is not paired with this device yet. Nothing is lost" in err
    assert run("enrol", card_of(copies[0]).fingerprint, "--from", tmp_path / "stick")[0] == 0
    status, out, err = run("merge", tmp_path / "stick", "--json")
    figures = json.loads(out)
    assert (status, err, figures["known"], figures["refused"], figures["missing"]) == (0, "", 0, [], [])
    assert figures["added"] > 5
    status, out, _ = run("check", "--json")
    assert status == 0
    records = json.loads(out)["records"]
    assert sum(records.values()) == figures["added"] + records["enrolment"] and records["enrolment"] >= 2
    with open_store(tmp_path / "home" / "logbook.sqlite") as office:
        assert office.device_name == "office"


def test_a_refused_bundle_is_status_1_and_a_sentence(run, tmp_path):
    """A broken bundle gives status 1, a sentence on stderr, and no traceback."""
    (tmp_path / "rollbook-x.zip").write_bytes(b"broken")
    status, out, err = run("merge", tmp_path / "rollbook-x.zip")
    assert status == 1
    assert err.startswith("rollbook: rollbook-x.zip was not merged") and "Traceback" not in err
    assert "Records added: 0" in out


def test_a_sticks_root_is_as_good_as_its_folder(run, copies, work, tmp_path):
    """`exchange`, `merge`, `export` and `enrol --from` find the folder "rollbook" where the cab writes, and write there."""
    cab, office, _third = copies
    work(cab, "Ada")
    stick, store = tmp_path / "stick", ["--store", office.path]
    (stick / "rollbook").mkdir(parents=True)
    FolderWatcher(cab, mounts=lambda: [stick]).look()
    assert list(stick.glob("*")) == [stick / "rollbook"]
    office.close()
    status, out, err = run("merge", stick, *store)
    assert (status, err) == (0, "") and "Records added: 0" not in out
    status, out, _ = run("exchange", stick, *store)
    assert status == 0 and "Our records written." in out
    assert run("export", stick, *store)[0] == 0
    assert "paired: tablet 1" in run("enrol", "--from", stick, *store)[1]
    assert list(stick.glob("*")) == [stick / "rollbook"]
    assert {path.name for path in stick.rglob("*.zip")} == {f"rollbook-tablet-2-{office.device[:8]}.zip"}
    office_heads = [path for path in stick.rglob("*.head") if office.device[:8] in path.name]
    assert [path.parent for path in office_heads] == [stick / "rollbook"]


def test_codes_and_cards_as_people_give_them(run, copies, tmp_path):
    """A code in four words without quotes; a card into the stick's root, where it is found; a locked stick is said to be."""
    _cab, office, third = copies
    stick, store = tmp_path / "stick", ["--store", office.path]
    (stick / "rollbook").mkdir(parents=True)
    with open_store(tmp_path / "new.sqlite", "tablet 4") as new:
        code = card_of(new).fingerprint
    status, out, _ = run("enrol", "--out", stick, "--store", tmp_path / "new.sqlite")
    assert status == 0 and "The card of this machine is in" in out
    assert list(stick.rglob("*.txt")) == [stick / "rollbook" / f"rollbook-card-{new.device[:8]}.txt"]
    office.close()
    assert "A code needs --from" in run("enrol", *code.split(), *store)[2]
    status, out, _ = run("enrol", *code.split(), "--from", stick, *store)
    assert status == 0 and "tablet   tablet 4" in out
    locked = tmp_path / "locked"
    export_bundle(third, locked, "four ordinary words")
    assert "is locked with a passphrase" in run("enrol", "--from", locked, *store)[2]


def test_another_office_takes_a_word_more(run, copies, tmp_path):
    """Told a second office, the command refuses with both names; `--instead` says it once more."""
    cab, _office, third = copies
    store, card = ["--store", cab.path], text_of_card(card_of(third))
    cab.close()
    status, _, err = run("enrol", "--office", card, *store)
    assert status == 1 and "has an office already: tablet 2" in err and "--instead" in err
    status, out, _ = run("enrol", "--office", card, "--instead", *store)
    assert status == 0
    with open_store(cab.path) as cab:
        assert office_of(cab) == third.device
    status, out, _ = run("enrol", "--as-office", *store)
    assert status == 0 and "This machine is the farm's office from now on." in out


@pytest.mark.parametrize("words", [("check",), ("export", "somewhere")])
def test_a_command_that_reads_makes_no_logbook(run, tmp_path, words):
    """Commands check and export without a logbook say so, give 1, and leave nothing behind."""
    status, _out, err = run(*words)
    assert status == 1 and "There is no logbook" in err
    assert not (tmp_path / "home").exists()


def test_a_damaged_logbook_is_status_1(run, copies):
    """Command check gives 1 and the sentences on stderr when a record is gone."""
    with copies[0].writing() as session:
        session.connection().exec_driver_sql("DELETE FROM change WHERE seq = 2")
    status, out, err = run("check", "--store", copies[0].path)
    assert status == 1 and out == ""
    assert "Records 2 of tablet 1" in err


@pytest.mark.parametrize("command", ["export", "merge", "check"])
def test_each_command_has_help_with_an_example(run, command):
    """--help gives 0 and an example; an unknown option gives 2."""
    status, out, _ = run(command, "--help")
    assert status == 0 and f"example: rollbook {command}" in out
    assert run(command, "--no-such-option")[0] == 2


REFUSED = {
    "export below a file": ["export", "{file}/x"],
    "export, no such passphrase": ["export", "{stick}", "--passphrase-file", "{stick}/none.txt"],
    "export, too short a passphrase": ["export", "{stick}", "--passphrase-file", "{file}"],
    "merge of an empty folder": ["merge", "{empty}"],
    "merge of no bundle": ["merge", "{file}"],
    "merge of a stranger's": ["merge", "{stranger}"],
    "exchange with a folder that is gone": ["exchange", "{empty}/gone"],
    "exchange with nobody": ["exchange"],
    "backup below a file": ["backup", "{file}/x"],
    "backup that keeps none": ["backup", "{empty}", "--keep", "0"],
}


@pytest.mark.parametrize("words", REFUSED.values(), ids=REFUSED.keys())
def test_a_refused_command_has_done_nothing(run, copies, tmp_path, rows_of, words):
    """Whatever the commands of copies refuse: no record, no office, no peer and no file is another than before."""
    office = copies[1]
    for name in ("stick", "empty", "stranger"):
        (tmp_path / name).mkdir()
    (tmp_path / "file").write_text("short")
    with open_store(tmp_path / "other" / "stranger.sqlite", "a stranger") as stranger:
        stranger.put(Farm, name="Far", timezone="UTC")
        export_bundle(stranger, tmp_path / "stranger")

    def state():
        with office.session() as session:
            local = [tuple(row) for of in (Own, Peer) for row in session.execute(select(of.__table__))]
        files = {path for path in tmp_path.rglob("*") if office.path.stem != path.name.split(".")[0].split("-")[0]}
        return rows_of(office), local, files

    before = state()
    filled = [
        word.format(**{name: tmp_path / name for name in ("stick", "empty", "stranger", "file")}) for word in words
    ]
    assert run(*filled, "--store", office.path)[0] == 1
    assert state() == before
