"""What may import what, and one name for one thing: the contracts of pyproject.toml and what no linter counts."""

import ast
import re
import subprocess
import sys
import tomllib
from collections import Counter, defaultdict
from graphlib import TopologicalSorter
from importlib.metadata import packages_distributions
from pathlib import Path

import grimp
import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGES = ("cabapp", "store", "sync", "demo_db")
PURE = ("cabapp.geometry", "cabapp.track", "cabapp.counting", "cabapp.planning")
ARITHMETIC = {"numpy", "scipy", "shapely", "pyproj"}
STANDARD = {
    "__future__", "array", "bisect", "collections", "dataclasses", "datetime", "enum", "functools", "itertools", "math",
    "statistics", "typing",
}  # fmt: skip
MOST_MODULES = 12


@pytest.fixture(scope="module")
def sources():
    """Our own modules by path, relative to the project."""
    found = (path.relative_to(ROOT) for package in PACKAGES for path in (ROOT / package).rglob("*.py"))
    return sorted(path for path in found if "__pycache__" not in path.parts)


@pytest.fixture(scope="module")
def graph():
    """The graph of all imports, those within functions and those for type checkers alone included."""
    return grimp.build_graph(*PACKAGES, include_external_packages=True, cache_dir=None)


def test_contracts_hold():
    """import-linter finds every contract of pyproject.toml kept.

    Notes
    -----
    In a process of its own: it configures logging anew, which disables every logger of this one.
    """
    code = "from importlinter.cli import lint_imports; raise SystemExit(lint_imports(no_cache=True))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr or done.stdout.partition("Broken contracts")[2]
    assert " 0 broken" in done.stdout


def test_no_file_is_part_of_a_circle(graph):
    """Imports between our own modules form no ring, not even one that only a type checker sees."""
    own = {name for name in graph.modules if name.partition(".")[0] in PACKAGES}
    order = TopologicalSorter({name: graph.find_modules_directly_imported_by(name) & own for name in own})
    assert len(list(order.static_order())) >= len(own) > 300


def test_pure_folders_import_only_what_is_allowed(graph):
    """Geometry, track, counting and planning import arithmetic and a few modules of Python's own, nothing else."""
    wrong, seen = [], set()
    for module in graph.modules:
        if any(module == one or module.startswith(one + ".") for one in PURE):
            used = {name.partition(".")[0] for name in graph.find_modules_directly_imported_by(module)}
            wrong += [(module, name) for name in used - ARITHMETIC - STANDARD - {"cabapp"}]
            seen |= used
    assert not wrong and {"math", "numpy"} <= seen


def test_pure_folders_load_without_kivy_and_database(graph):
    """Every module of a pure folder loads in a process that has neither Kivy nor a database."""
    names = [one for one in sorted(graph.modules) if one.startswith(tuple(f"{folder}." for folder in PURE))]
    code = (
        "import sys, importlib\n"
        "for gone in ('kivy', 'sqlalchemy', 'alembic', 'store', 'sync', 'serial', 'gpxpy'):\n"
        "    sys.modules[gone] = None\n"
        f"for name in {names!r}:\n    importlib.import_module(name)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert len(names) > 30 and done.returncode == 0, done.stderr


def test_a_module_name_occurs_once(sources):
    """No two modules of the project have one name; versions of the schema are named by their number."""
    names = Counter(path.stem for path in sources if path.stem != "__init__" and "versions" not in path.parts)
    assert [name for name, times in names.items() if times > 1] == []


def test_a_folder_has_few_modules(sources):
    """No folder holds more than twelve modules beside its __init__."""
    folders = Counter(path.parent.as_posix() for path in sources if path.stem != "__init__")
    assert {folder: n for folder, n in folders.items() if n > MOST_MODULES} == {}


def test_a_class_name_occurs_once(sources):
    """No two classes of the project have one name."""
    places = defaultdict(list)
    for path in sources:
        for node in ast.walk(ast.parse((ROOT / path).read_text("utf-8"))):
            if isinstance(node, ast.ClassDef):
                places[node.name].append(f"{path}:{node.lineno}")
    assert {name: where for name, where in places.items() if len(where) > 1} == {}


def test_only_the_assembler_puts_stints_into_a_count(sources):
    """Nothing else in the program calls add_stint or add_seeding, so that cab, report and command count alike."""
    callers = defaultdict(set)
    for path in sources:
        for node in ast.walk(ast.parse((ROOT / path).read_text("utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr in ("add_stint", "add_seeding"):
                callers[node.attr].add(path.as_posix())
    assembler = {"cabapp/jobs/pass_counts/assembler.py"}
    assert callers == {"add_stint": assembler, "add_seeding": assembler}


def _imports(node, inside=False):
    """Yield the top name of each import of other packages, and whether it stands in a function."""
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Import):
            yield from ((alias.name.partition(".")[0], inside) for alias in child.names)
        elif isinstance(child, ast.ImportFrom):
            yield child.module.partition(".")[0], inside
        else:
            yield from _imports(child, inside or isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef)))


def test_what_is_imported_is_installed_with_the_package(sources):
    """A plain `pip install .` has all that loading the program needs; what an extra brings is imported where it is used."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    names = lambda lines: {re.split(r"[^\w.-]", line)[0].lower() for line in lines}  # noqa: E731
    always, extras = names(project["dependencies"]), project["optional-dependencies"]
    brought = always | names(extras["tablet"]) | names(extras["office"])
    known, seen = packages_distributions(), set()
    for path in sources:
        for name, inside in _imports(ast.parse((ROOT / path).read_text("utf-8"))):
            if name not in sys.stdlib_module_names and name not in PACKAGES:
                seen.add(name)
                assert {one.lower() for one in known[name]} & (brought if inside else always), (path, name)
    assert len(seen) > 15


def test_the_top_level_is_the_one_agreed():
    """Beside dot-files the project holds these eight and nothing else (git's own list)."""
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, timeout=30)
    if listed.returncode:
        pytest.skip("not a git checkout")
    top = {line.split("/")[0] for line in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= {
        "README.md", "DEVELOPERS.md", "pyproject.toml", "cabapp", "store", "sync", "tests", "demo_db",
    }  # fmt: skip
