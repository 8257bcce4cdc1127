"""The linter, the formatter and the type checker find nothing (their settings stand in pyproject.toml)."""

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
FOLDERS = ["cabapp", "store", "sync", "demo_db", "tests"]


@pytest.mark.parametrize(
    "words",
    [["ruff", "check", *FOLDERS], ["ruff", "format", "--check", *FOLDERS], ["mypy"]],
    ids=["ruff", "ruff-format", "mypy"],
)
def test_nothing_is_found(words):
    """Each check ends with status 0; what it found of files that have not changed is kept in its own cache."""
    done = subprocess.run([sys.executable, "-m", *words], cwd=ROOT, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stdout + done.stderr
