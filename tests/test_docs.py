"""What the README says is so."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

from cabapp.__main__ import COMMANDS

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
        [*run, "measure", "no-such.gpx", "--width", "12"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert cannot.returncode == 1
    assert cannot.stderr.startswith("rollbook: ") and "Traceback" not in cannot.stderr
