"""A window test that cannot run says so, and counts as a failure where window tests are required."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(("wish", "word", "status"), [("required", "1 error", 1), ("", "1 skipped", 0)])
def test_a_missing_display_is_a_failure_only_where_it_is_required(wish, word, status, tmp_path):
    """With no display and no Xvfb a window test is skipped with the reason, or fails when required."""
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY", "PYTEST_ADDOPTS")}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-n", "0", "-q", "-rs", "-o", f"cache_dir={tmp_path}", "tests/window/test_touches.py",
         "-k", "big_keys"],
        capture_output=True, text=True, timeout=100, cwd=ROOT,
        env=environment | {"PATH": str(tmp_path), "ROLLBOOK_WINDOW_TESTS": wish},
    )  # fmt: skip
    assert done.returncode == status and word in done.stdout, done.stdout + done.stderr
    assert "there is neither a display nor Xvfb" in done.stdout
