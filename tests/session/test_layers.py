"""What the pure files of the session may import."""

import ast
from pathlib import Path

import pytest

import cabapp.session

FOLDER = Path(cabapp.session.__file__).parent
PURE = ("view", "words", "rules", "warnings", "recover", "forgotten", "grading", "lapping",
        "whereabouts", "steady", "asks", "known", "daylines", "situation", "pace")  # fmt: skip
MAY = ("__future__", "collections", "dataclasses", "math", "typing", "numpy",
       "cabapp.geometry", "cabapp.track", "cabapp.counting", "cabapp.planning", "cabapp.units", "cabapp.position.fix", "cabapp.position.calibration.fix_error",
       "store.errors")  # fmt: skip


@pytest.mark.parametrize("name", PURE)
def test_a_pure_file_imports_nothing_that_touches_the_world(name):
    """Rules, judging and the view know no store, clock, receiver or screen."""
    tree = ast.parse((FOLDER / f"{name}.py").read_text())
    said = [n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)]
    said += [a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names]
    own = tuple(f"cabapp.session.{one}" for one in PURE)
    odd = [m for m in said if m != "cabapp.session" and not m.startswith((*MAY, *own))]
    assert odd == []


def test_the_session_knows_no_screen():
    """No file of the session imports Kivy or the screens."""
    for path in FOLDER.glob("*.py"):
        text = path.read_text()
        assert "kivy" not in text.lower().replace("knows no kivy", "").replace("store, kivy", "")
        assert "cabapp.screens" not in text
