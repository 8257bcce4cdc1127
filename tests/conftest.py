"""What all tests share: things built once for all workers of a run, and the settings of hypothesis."""

import gc
import json
import os
import shutil
import sqlite3
import string
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest
from filelock import FileLock
from hypothesis import HealthCheck, settings

from store.db import connection, schema_version
from store.durability.machine_binding import binding_of, write_binding
from store.errors import Message
from tests.shared_dialect import create_sharing_engine

# how long an example takes says more of the machine than of the code
settings.register_profile("new examples", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("same examples", settings.get_profile("new examples"), derandomize=True)
settings.load_profile("same examples")

# bytecode is kept whatever the environment says: the workers and some hundred programs they start load the same modules
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# what is imported is never looked through for garbage (`pytest_collection_finish` begins it): a tenth less of processor time
gc.disable()

# every tap waits for the disk: in memory the tests wait for the processor alone, which is what they are about
MEMORY, ROOM = Path("/dev/shm"), 4 * 2**30
if MEMORY.is_dir() and os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > ROOM:
    os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))


def pytest_configure(config):
    """Long runs try examples that were never tried."""
    if config.option.markexpr == "long":
        settings.load_profile("new examples")


def pytest_xdist_auto_num_workers():
    """Two workers more than cores, at most four: a window test waits for fingers and clocks half of its time."""
    return min((os.cpu_count() or 1) + 2, 4)


def pytest_collection_modifyitems(items):
    """Window tests are spread evenly, whole modules at a time: they wait while other workers compute."""
    modules: dict[Path, list] = {}
    for item in items:
        modules.setdefault(item.path, []).append(item)
    windows = [path for path in modules if path.parent.name == "window"]
    others = [path for path in modules if path.parent.name != "window"]
    # the share of the run at which a module begins: both kinds run from 0 to 1
    begins = {}
    for paths in (windows, others):
        done, whole = 0, sum(len(modules[path]) for path in paths)
        for path in paths:
            begins[path] = done / whole
            done += len(modules[path])
    items[:] = [item for path in sorted(modules, key=lambda path: begins[path]) for item in modules[path]]


def pytest_collection_finish():
    """Begin to look for garbage, in what the tests make only."""
    gc.freeze()
    gc.enable()
    gc.set_threshold(10_000, 20, 20)


@pytest.fixture(scope="session")
def build_once(tmp_path_factory):
    """A function that returns a folder built once for the whole run, and what the builder returned (JSON)."""
    base = tmp_path_factory.getbasetemp()
    shared = base.parent if base.name.startswith("popen-") else base

    def built(name, build):
        folder, note = shared / f"once-{name}", shared / f"once-{name}.json"
        with FileLock(shared / f"once-{name}.lock"):
            if not note.exists():
                shutil.rmtree(folder, ignore_errors=True)  # of a builder that failed
                folder.mkdir()
                note.write_text(json.dumps(build(folder)), "utf-8")
        return folder, json.loads(note.read_text("utf-8"))

    return built


# a program opens one logbook, the tests thousands
connection.create_engine = create_sharing_engine


@pytest.fixture(scope="session", autouse=True)
def schema_made_once():
    """Let a worker's first logbook run the migrations, and each further new one get the schema that they made.

    Yields what runs the migrations.
    """
    upgrade, made = schema_version.upgrade, {}

    def upgraded(opened, revision="head"):
        raw, folder = opened.connection.driver_connection, schema_version.FOLDER
        new = isinstance(raw, sqlite3.Connection) and not raw.execute("SELECT 1 FROM sqlite_master").fetchone()
        if not new or revision != "head":
            upgrade(opened, revision)
            return
        if folder in made:
            for statement in made[folder]:
                raw.execute(statement)
            return
        upgrade(opened)
        schema = raw.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY rowid").fetchall()
        made[folder] = [
            f"PRAGMA application_id={schema_version.APPLICATION_ID}", *(sql for (sql,) in schema),
            f"INSERT INTO alembic_version VALUES ('{schema_version.head()}')",
        ]  # fmt: skip

    schema_version.upgrade = upgraded
    yield upgrade
    schema_version.upgrade = upgrade


@pytest.fixture(scope="session")
def stands_for():
    """A function that lets a copied logbook stand for the one it was copied from: it stays the same device."""

    def made(path):
        with closing(sqlite3.connect(path)) as raw:
            write_binding(
                Path(path), binding_of(Path(path), *raw.execute("SELECT device, next_seq FROM own").fetchone())
            )
        return path

    return made


@pytest.fixture
def until():
    """Wait until something is true, looking again and again; fail after a minute, for the machine may be busy."""

    def wait(true, seconds=60.0, act=lambda: None):
        ends = time.monotonic() + seconds
        while not true():
            assert time.monotonic() < ends, "it did not come about in time"
            act()
            time.sleep(0.01)

    return wait


@pytest.fixture
def whole_messages(monkeypatch):
    """Every message made has a value for each of its places, none of them None, and no value without a place."""
    make = Message.__init__

    def checked(self, id, values=(), plural=None, count=None):
        make(self, id, dict(values), plural, count)
        texts = [id] if plural is None else [id, plural]
        places = {place.lower() for text in texts for _, place, _, _ in string.Formatter().parse(text) if place}
        assert places | ({"count"} if plural else set()) == self.values.keys(), (id, values)
        assert None not in self.values.values() and "None" not in str(self), (id, values)

    monkeypatch.setattr(Message, "__init__", checked)
