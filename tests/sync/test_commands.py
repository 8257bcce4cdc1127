"""export, merge and check from the command line."""

import json

import pytest

from cabapp.__main__ import main
from store import open_store
from sync.enrolment import card_of


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
