"""What the commands say to somebody who gets them wrong, or asks for help."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from cabapp.__main__ import COMMANDS, main
from store import models, open_store


@pytest.fixture
def book(tmp_path):
    """The path of a logbook with a farm and one field."""
    path = tmp_path / "logbook.sqlite"
    with open_store(path, "office") as store:
        store.put(models.Farm, name="Test Farm", timezone="UTC", units="us")
        store.put(models.Field, name="Square", target=1)
    return path


@pytest.mark.parametrize("name", COMMANDS)
def test_examples_can_be_copied(name, capsys, monkeypatch):
    """Each command's help ends in an example none of whose words is torn by a narrow window."""
    import importlib

    monkeypatch.setenv("COLUMNS", "40")
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    example = importlib.import_module(f"cabapp.commands.{COMMANDS[name]}.{name}").EXAMPLE
    assert capsys.readouterr().out.endswith(f"example: {example}\n")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["exchange"], "name a shared folder"),
        (["exchange", "nowhere"], "There is no folder nowhere"),
        (["parcels", "--remove", "x", "--field", "Round"], "no field called 'Round'"),
        (["edit", "farm", "closing_rules=zzz"], "written as JSON"),
    ],
)
def test_nothing_done_is_said(words, said, book, capsys):
    """What cannot be done ends with status 1 and a sentence that names what is wrong."""
    assert main([*words, "--store", str(book)]) == 1
    assert said in capsys.readouterr().err


def test_one_pass_is_no_passes(book, capsys):
    """The list of fields says one pass, not one passes."""
    assert main(["fields", "--store", str(book)]) == 0
    assert capsys.readouterr().out == "Square: 1 pass, no crop\n"


def test_an_exchange_with_nobody_says_so(book, capsys, monkeypatch):
    """Where no stick is, an exchange with sticks does not end without a word."""
    monkeypatch.setattr("cabapp.commands.copies.exchange.mounts", list)
    monkeypatch.setattr("cabapp.commands.copies.exchange.PAUSE_S", 0.0)
    assert main(["exchange", "--sticks", "--store", str(book)]) == 0
    assert "No stick with a folder named rollbook is here." in capsys.readouterr().out


@pytest.mark.parametrize("words", [["enrol", "--card"], ["--help"]])
def test_who_reads_what_is_printed_may_stop(book, words, tmp_path):
    """A command whose reader ends early, as `head -1` does, ends without a traceback."""
    reads, writes = os.pipe()
    os.close(reads)
    store = [] if "--help" in words else ["--store", str(book)]
    try:
        done = subprocess.run(
            [sys.executable, "-m", "cabapp", *words, *store], stdout=writes, stderr=subprocess.PIPE, text=True, timeout=100,
            cwd=Path(__file__).parents[1],
        )  # fmt: skip
    finally:
        os.close(writes)
    assert done.stderr == "" and done.returncode == 0
