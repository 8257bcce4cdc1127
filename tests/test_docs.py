"""What the README says is so."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import cabapp
from cabapp.__main__ import COMMANDS, main
from tests.bench.handoffs import files, walks

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text("utf-8")


def test_ci_runs_exactly_the_test_command_of_the_readme():
    """The last line of .ci/run stands in the README word for word."""
    last = (ROOT / ".ci" / "run").read_text("utf-8").strip().splitlines()[-1]
    assert last in [line.strip() for line in README.splitlines()]


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "cab"])
def test_every_command_is_in_the_readme(name):
    """A command nobody is told of is not there."""
    assert f"`rollbook {name}" in README


def test_the_version_stands_in_one_place(capsys):
    """`rollbook --version` gives the version the package is built with, and the changelog begins with it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    assert project["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "cabapp.__version__"}
    assert "version" in project["project"]["dynamic"]
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"rollbook {cabapp.__version__}\n"
    changes = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("## Changelog")[2]
    assert changes.split()[1] == cabapp.__version__


def test_the_licence_lies_in_the_package():
    """The text of the licence that pyproject.toml names is part of the package."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    (path,) = project["license-files"]
    assert project["license"] == "MIT" and (ROOT / path).read_text("utf-8").startswith("MIT License")
    assert path.startswith("cabapp/") and path.endswith(".txt")


def test_pre_commit_runs_the_checks_of_the_tests_from_no_other_host():
    """The hooks are local and run ruff, its formatter and mypy."""
    hooks = (ROOT / ".pre-commit-config.yaml").read_text("utf-8")
    assert re.findall(r"repo: (\S+)", hooks) == ["local"]
    assert re.findall(r"- id: (\S+)", hooks) == ["ruff", "ruff-format", "mypy"]


def test_every_folder_is_in_the_tree_of_the_developers_page():
    """Each folder that holds modules is a line of the tree, with its question; no line names a folder that is gone."""
    tree = (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("## The tree")[2].partition("## The way of one fix")[0]
    said = re.findall(r"^ {4} *([a-z_]+)/ +\S", tree, re.MULTILINE)
    tops = [ROOT / name for name in ("cabapp", "store", "sync", "demo_db")]
    there = [path.parent.name for top in tops for path in top.rglob("__init__.py")]
    commands = {"tablet", "records", "copies", "output"}  # on the line of the commands, two of them names of others too
    assert set(there) - commands - {"cabapp", "versions"} <= set(said) <= set(there)


def test_every_document_that_is_cited_is_here():
    """No code, test or page cites a document (*.md) that is not in the project."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, timeout=30)
    if listed.returncode:
        pytest.skip("not a git checkout")
    paths = [ROOT / line for line in listed.stdout.splitlines()]
    here = {path.name for path in paths if path.suffix == ".md"}
    texts = [path for path in paths if path.suffix in (".py", ".md", ".toml", ".html", ".kv") and path.exists()]
    cited = {(name, path.name) for path in texts for name in re.findall(r"[\w-]+\.md\b", path.read_text("utf-8"))}
    assert len(texts) > 300 and {(name, path) for name, path in cited if name not in here} == set()


def test_every_picture_of_the_readme_is_there():
    """No picture is missing, and none is large."""
    pictures = re.findall(r"!\[[^\]]*\]\(([^)]+)\)", README)
    assert len(pictures) >= 3
    for one in pictures:
        assert 1000 < (ROOT / one).stat().st_size < 400_000


def test_wrong_usage_is_two_and_a_refusal_is_one():
    """Exit status 2 for wrong usage, 1 with one sentence for what cannot be done."""
    run = [sys.executable, "-m", "cabapp"]
    wrong = subprocess.run([*run, "measure"], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert wrong.returncode == 2
    cannot = subprocess.run(
        [*run, "measure", "no-such.gpx", "--width", "12"], cwd=ROOT, capture_output=True, text=True, timeout=60
    )
    assert cannot.returncode == 1
    assert cannot.stderr.startswith("rollbook: ") and "Traceback" not in cannot.stderr


def test_the_walks_name_every_file_that_a_fix_and_a_tap_enter():
    """What the text for developers says of the two walks is what the calls do."""
    text = (
        (ROOT / "DEVELOPERS.md").read_text("utf-8").partition("## The way of one fix")[2].partition("## How to add")[0]
    )
    for walked, told in zip(walks().values(), text.split("## The way of one tap"), strict=True):
        indented = " ".join(line for line in told.splitlines() if line.startswith("    "))
        assert set(files(walked)) <= set(re.findall(r"\w+", indented))
