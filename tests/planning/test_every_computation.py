"""No computation of planning is left without a docstring or a test that names it."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
FUNCTIONS = [
    pytest.param(node, id=f"{path.stem}.{node.name}")
    for path in sorted((ROOT / "cabapp" / "planning").glob("*.py"))
    for node in ast.parse(path.read_text("utf-8")).body
    if isinstance(node, ast.FunctionDef) and not node.name.startswith("_")
]


@pytest.fixture(scope="module")
def tested() -> set[str]:
    """Return every name that a test file loads or calls, its own definitions and texts left out."""
    trees = [ast.parse(path.read_text("utf-8")) for path in (ROOT / "tests").rglob("test_*.py")]
    nodes = [node for tree in trees for node in ast.walk(tree)]
    return {node.id for node in nodes if isinstance(node, ast.Name)} | {
        node.attr for node in nodes if isinstance(node, ast.Attribute)
    }


@pytest.mark.parametrize("function", FUNCTIONS)
def test_a_computation_is_described_and_tested(function, tested):
    """It has a docstring, and some test file calls it by name."""
    assert ast.get_docstring(function), "no docstring"
    assert function.name in tested, "no test names it"
