"""Programs of different age meet: what fits is merged, what does not says what to update."""

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from store import migrate, open_store
from store.models import FACTS, REFERENCES, Field, Tap
from sync import export_bundle, merge_bundles

ROOT = Path(__file__).resolve().parents[2]
STEP = """
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "9999", "%s", None, None
def upgrade():
    op.add_column("field", sa.Column("stones", sa.Integer(), nullable=False, server_default="3"))
    op.add_column("tap", sa.Column("mood", sa.String(), nullable=True))
"""
NEWER = """
import json, sys
from store import open_store
from store.models import Field, Tap
from sync import export_bundle, merge_bundles
with open_store(sys.argv[1], "newer office") as store:
    result = merge_bundles(store, [sys.argv[2]])
    (field,) = store.all(Field)
    taps = [(t.kind, t.mood) for t in store.all(Tap)]
    print(json.dumps([[str(r) for r in result.refused], field.name, field.stones, taps, store.check()]))
    store.put(Field, field.id, stones=9)
    export_bundle(store, sys.argv[3])
"""


@pytest.fixture(scope="module")
def newer(tmp_path_factory):
    """A folder with this program one step on: a column more in two tables, the format's next version."""
    folder = tmp_path_factory.mktemp("newer")
    for package in ("store", "sync"):
        shutil.copytree(ROOT / package, folder / package)
    models = folder / "store" / "models.py"
    text = models.read_text()
    text = text.replace("    crop: Mapped[str | None]\n",
                        "    crop: Mapped[str | None]\n    stones: Mapped[int] = mapped_column(default=3)\n")
    text = text.replace("    reason: Mapped[str | None]\n    lat:", "    reason: Mapped[str | None]\n    mood: Mapped[str | None]\n    lat:")
    assert text.count("stones") == 1 and text.count("mood") == 1
    models.write_text(text)
    (folder / "store" / "migrations" / "versions" / "9999_later.py").write_text(STEP % migrate.head())
    bundle = folder / "sync" / "bundle.py"
    bundle.write_text(bundle.read_text().replace("\nVERSION = 2\n", "\nVERSION = 3\n"))
    return folder


def test_an_older_bundle_merges_into_a_newer_office_and_not_the_other_way(newer, copies, work, tmp_path, rows_of):
    """A newer program takes an older tablet's bundle, new columns at their defaults; the tablet
    refuses the newer bundle whole and says to install the newer program."""
    cab = copies[0]
    work(cab, "Ada")
    bundle = export_bundle(cab, tmp_path / "old")
    words = [sys.executable, "-c", NEWER, tmp_path / "office.sqlite", bundle, tmp_path / "new"]
    run = subprocess.run(list(map(str, words)), cwd=newer, capture_output=True, text=True, timeout=120,
                         env={"PYTHONPATH": str(newer), "PATH": "/usr/bin:/bin"})
    assert run.returncode == 0, run.stderr
    refused, name, stones, taps, faults = json.loads(run.stdout)
    assert (refused, name, stones, faults) == ([], "North", 3, [])
    assert taps == [["stop", None]]
    before = rows_of(cab)
    ((_path, sentence),) = merge_bundles(cab, [tmp_path / "new"]).refused
    assert "newer Rollbook" in sentence and "Install the newer program" in sentence
    assert rows_of(cab) == before


def test_what_a_newer_program_migrates_it_still_passes_on(newer, copies, work, tmp_path, rows_of):
    """A tablet's logbook migrated by a newer program exports pages signed before, which still hold."""
    cab = copies[0]
    work(cab, "Ada")
    bundle = export_bundle(cab, tmp_path / "old")  # its pages are signed by the older program
    cab.close()
    words = [sys.executable, "-c", NEWER, cab.path, bundle, tmp_path / "new"]
    environment = {"PYTHONPATH": str(newer), "PATH": "/usr/bin:/bin"}
    run = subprocess.run(list(map(str, words)), cwd=newer, capture_output=True, text=True, timeout=120, env=environment)
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout)[4] == []
    words = [sys.executable, "-c", NEWER, tmp_path / "office.sqlite", *(tmp_path / "new").glob("*.zip"), tmp_path / "x"]
    run = subprocess.run(list(map(str, words)), cwd=newer, capture_output=True, text=True, timeout=120, env=environment)
    assert run.returncode == 0, run.stderr
    assert json.loads(run.stdout)[:3] == [[], "North", 9]


def test_data_of_revision_0001_is_the_same_after_migrating(tmp_path):
    """Every column of every row of the kept first logbook has the same value after migration."""
    path = tmp_path / "logbook.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript((ROOT / "tests" / "store" / "logbook-0001.sql").read_text())
        raw.execute(f"PRAGMA application_id={migrate.APPLICATION_ID}")
        raw.row_factory = sqlite3.Row
        tables = [*FACTS, *REFERENCES, "own", "peer", "trace_tail"]
        there = {r[0] for r in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        before = {t: [dict(r) for r in raw.execute(f'SELECT * FROM "{t}" ORDER BY 1')] for t in tables if t in there}
    assert len(before) > 15 and sum(map(len, before.values())) > 10
    with open_store(path) as store:
        with closing(sqlite3.connect(path)) as raw:
            raw.row_factory = sqlite3.Row
            for table, rows in before.items():
                after = [dict(r) for r in raw.execute(f'SELECT * FROM "{table}" ORDER BY 1')]
                assert [{k: row[k] for k in old} for old, row in zip(rows, after, strict=True)] == rows
        assert all(field.gone is False for field in store.all(Field))
        bundle = export_bundle(store, tmp_path / "out")
        with open_store(tmp_path / "office.sqlite", "office") as office:
            assert merge_bundles(office, [bundle]).refused == []
            assert len(office.all(Tap)) == len(before["tap"])


def test_a_bundle_too_old_says_what_to_update(copies, tmp_path, monkeypatch):
    """A bundle of the version before signed pages is refused with what to do on which machine."""
    with monkeypatch.context() as patch:
        patch.setattr("sync.bundle.VERSION", 1)
        patch.setattr("sync.bundle.OLDEST", 1)
        path = export_bundle(copies[0], tmp_path)
    ((_path, sentence),) = merge_bundles(copies[1], [path]).refused
    assert "too old" in sentence and "on the machine it came from" in sentence
