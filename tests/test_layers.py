"""The layers: cabapp may use sync and store, sync may use store, store uses neither; the counting
and the reckoning know no screen, no database and no files."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
OWN = {"cabapp", "sync", "store", "demo_db"}
MAY_USE = {
    "store": {"store"},
    "sync": {"sync", "store"},
    "cabapp": {"cabapp", "sync", "store", "demo_db"},
    "demo_db": {"cabapp", "sync", "store", "demo_db"},
}
ARITHMETIC = {"numpy", "scipy", "shapely", "pyproj"}
PURE = {
    "cabapp/geometry": {"cabapp.geometry"} | ARITHMETIC,
    "cabapp/track": {"cabapp.track", "cabapp.geometry"} | ARITHMETIC,
    "cabapp/counting": {"cabapp.counting", "cabapp.track", "cabapp.geometry"} | ARITHMETIC,
    "cabapp/planning": {"cabapp.planning", "cabapp.geometry"} | ARITHMETIC,
}
PURE_STANDARD = {"__future__", "math", "dataclasses", "typing", "collections", "itertools", "functools", "enum"}
PURE_STANDARD |= {"array", "datetime", "bisect", "statistics"}


def sources(folder):
    return sorted(p for p in (ROOT / folder).rglob("*.py") if "__pycache__" not in p.parts)


def imports(path, names_only=True):
    """Return (line, module) of every import in a file, those inside functions included.

    With `names_only` false, what is imported for type checkers alone is left out: it never runs.
    """
    tree = ast.parse(path.read_text("utf-8"))
    skipped = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            skipped.update(node.body)
    for node in ast.walk(tree):
        if node in skipped and not names_only:
            continue
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                yield node.lineno, "." * node.level + (node.module or "")
            elif node.module.split(".")[0] in OWN:
                yield from ((node.lineno, f"{node.module}.{alias.name}") for alias in node.names)
            else:
                yield node.lineno, node.module


@pytest.mark.parametrize("package", MAY_USE)
def test_nothing_imports_upward(package):
    """No file imports a package above its own, nor relatively."""
    wrong = [
        f"{path.relative_to(ROOT)}:{line} {name}"
        for path in sources(package)
        for line, name in imports(path)
        if name.startswith(".") or (name.split(".")[0] in OWN - MAY_USE[package])
    ]
    assert sources(package) and not wrong


@pytest.mark.parametrize("folder", PURE)
def test_pure_folders_import_only_what_is_allowed(folder):
    """Counting and reckoning use arithmetic only: no Kivy, SQLAlchemy, files, clocks or threads."""
    wrong = []
    for path in sources(folder):
        for line, name in imports(path):
            allowed = name.split(".")[0] in PURE_STANDARD | PURE[folder] or any(
                name == one or name.startswith(one + ".") for one in PURE[folder]
            )
            if not allowed:
                wrong.append(f"{path.relative_to(ROOT)}:{line} {name}")
    assert sources(folder) and not wrong


def test_only_screens_and_the_cab_command_know_kivy():
    """Kivy is imported in cabapp/screens and nowhere else."""
    wrong = [
        f"{path.relative_to(ROOT)}:{line}"
        for package in MAY_USE
        for path in sources(package)
        for line, name in imports(path)
        if name.split(".")[0] == "kivy" and "screens" not in path.parts
    ]
    assert not wrong


@pytest.mark.parametrize("folder", PURE)
def test_pure_folders_load_where_kivy_and_sqlalchemy_do_not_exist(folder):
    """Every module of a pure folder loads in a process that has neither Kivy nor a database."""
    names = [".".join(p.relative_to(ROOT).with_suffix("").parts) for p in sources(folder) if p.stem != "__init__"]
    code = (
        "import sys, importlib\n"
        "for gone in ('kivy', 'sqlalchemy', 'alembic', 'store', 'sync', 'serial', 'gpxpy'):\n"
        "    sys.modules[gone] = None\n"
        f"for name in {names!r}:\n    importlib.import_module(name)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert names and done.returncode == 0, done.stderr


def test_no_file_is_part_of_a_circle():
    """The imports between our own modules form no ring."""
    from graphlib import TopologicalSorter

    modules = {".".join(p.relative_to(ROOT).with_suffix("").parts): p for package in MAY_USE for p in sources(package)}
    graph = {}
    for module, path in modules.items():
        known = set()
        for _, name in imports(path, names_only=False):
            parts = (name, f"{name}.__init__", name.rpartition(".")[0])
            found = [one for one in (*parts, f"{parts[2]}.__init__") if one in modules]
            known.update(found[:1])
        known.discard(module)
        graph[module] = known
    assert len(list(TopologicalSorter(graph).static_order())) >= len(modules)


def test_the_top_level_is_the_one_agreed():
    """Beside dot-files the project holds these eight and nothing else (git's own list)."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, timeout=30)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= {
        "README.md", "DEVELOPERS.md", "pyproject.toml",
        "cabapp", "store", "sync", "tests", "demo_db",
    }  # fmt: skip
