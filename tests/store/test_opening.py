"""A logbook is made, migrated with a copy kept, or refused with a sentence and left as it was."""

import os
import shutil
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest
from alembic import command
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import inspect

from store import open_store
from store.db import schema_version
from store.db.connection import connect, rebuilding
from store.errors import StoreRefused
from store.models import Base, Farm, Field, Tap

HERE = Path(__file__).parent
ROOT = HERE.parents[1]

LATER = """
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "9999", "%s", None, None
def upgrade():
    with op.batch_alter_table("farm") as batch:
        batch.add_column(sa.Column("motto", sa.String()))
        batch.alter_column("timezone", nullable=True)
%s
"""


@pytest.fixture
def later_program(tmp_path, monkeypatch):
    """A function that makes this program one schema step newer (or one that fails half-way)."""

    def become(tail=""):
        folder = tmp_path / f"migrations{len(tail)}"
        shutil.copytree(schema_version.FOLDER, folder)
        (folder / "versions" / "9999_later.py").write_text(LATER % (schema_version.head(), tail))
        monkeypatch.setattr(schema_version, "FOLDER", folder)

    return become


def test_models_and_migrations_are_the_same(book):
    """Alembic finds no difference between the models and what the migrations make."""
    with book._engine.connect() as connection:
        command.check(schema_version.config(connection))
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        assert compare_metadata(context, Base.metadata) == []


def test_every_constraint_has_a_name(book):
    """No constraint of any table is unnamed, so that every later migration can find it."""
    look = inspect(book._engine)
    for table in Base.metadata.tables:
        assert look.get_pk_constraint(table)["name"] == f"pk_{table}"
        for thing in look.get_foreign_keys(table) + look.get_unique_constraints(table):
            assert thing["name"].startswith(("fk_", "uq_"))


def test_an_older_logbook_is_migrated_with_a_copy_kept(tmp_path, begin_stint, later_program):
    """A newer program migrates a logbook, alters a column in place, and keeps a copy as it was."""
    path = tmp_path / "logbook.sqlite"
    with open_store(path) as store:
        begin_stint(store)
        old = schema_version.head()
    later_program()
    with open_store(path) as store:
        columns = {c["name"]: c for c in inspect(store._engine).get_columns("farm")}
        assert columns["motto"] and columns["timezone"]["nullable"]
        assert [f.name for f in store.all(Farm)] == ["Three Poplars"]
        assert store.check() == []
    (copy,) = tmp_path.glob("logbook-before-*.sqlite")
    with closing(sqlite3.connect(copy)) as raw:
        assert raw.execute("SELECT version_num FROM alembic_version").fetchone() == (old,)
        assert raw.execute("SELECT name FROM farm").fetchone() == ("Three Poplars",)


def test_a_migration_that_fails_changes_nothing(tmp_path, begin_stint, later_program, monkeypatch):
    """A schema step that fails half-way leaves the logbook as it was, and says a sentence."""
    path = tmp_path / "logbook.sqlite"
    with open_store(path) as store:
        begin_stint(store)
    with monkeypatch.context() as patched:
        later_program("    op.execute('INSERT INTO nowhere VALUES (1)')")
        with pytest.raises(StoreRefused, match="cannot be opened"):
            open_store(path)
        patched.undo()
    monkeypatch.undo()
    with open_store(path) as store:
        assert "motto" not in {c["name"] for c in inspect(store._engine).get_columns("farm")}
        assert len(store.all(Field)) == 1


def test_a_newer_logbook_is_refused(tmp_path, later_program, monkeypatch):
    """A logbook of a newer program is refused with a sentence, byte for byte as it was."""
    path = tmp_path / "logbook.sqlite"
    later_program()
    open_store(path).close()
    monkeypatch.undo()
    before = path.read_bytes()
    with pytest.raises(StoreRefused, match="newer Rollbook"):
        open_store(path)
    assert path.read_bytes() == before


def test_the_first_logbooks_still_open(tmp_path):
    """A logbook written at revision 0001, kept as SQL text, opens whole with its taps and trace."""
    path = tmp_path / "logbook.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript((HERE / "logbook-0001.sql").read_text())
        raw.execute(f"PRAGMA application_id={schema_version.APPLICATION_ID}")
    with open_store(path) as store:
        assert store.check() == []
        assert [t.kind for t in store.all(Tap)] == ["start", "stop"]
        assert store.all(Tap)[1].reason == "fuel"
        (start, _stop) = store.all(Tap)
        assert len(store.read_trace(start.stint_id)) == 40
        store.add(Tap(stint_id=start.stint_id, kind="restart", at=start.at + 100))
        assert store.check() == []


@pytest.mark.parametrize("content", [b"a letter to somebody", b"SQLite format 3\x00" + bytes(50), os.urandom(5000)])
def test_what_is_no_logbook_is_left_alone(tmp_path, content):
    """A file of another kind is refused with a sentence and not touched."""
    path = tmp_path / "logbook.sqlite"
    path.write_bytes(content)
    with pytest.raises(StoreRefused, match="not a Rollbook logbook"):
        open_store(path)
    assert path.read_bytes() == content
    assert list(tmp_path.iterdir()) == [path]


def test_another_programs_database_is_left_alone(tmp_path):
    """A sound SQLite file of another program is refused and not touched."""
    path = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(path)) as raw:
        raw.execute("CREATE TABLE tap (id TEXT)")
    before = path.read_bytes()
    with pytest.raises(StoreRefused, match="not a Rollbook logbook"):
        open_store(path)
    assert path.read_bytes() == before


def test_a_folder_is_no_logbook(tmp_path):
    """Naming a folder is refused with a sentence."""
    with pytest.raises(StoreRefused, match="not a file"):
        open_store(tmp_path)


def test_a_file_where_the_folder_should_be_is_a_sentence(tmp_path):
    """If the folder cannot be made, a sentence names the logbook."""
    (tmp_path / "taken").write_text("")
    with pytest.raises(StoreRefused, match="cannot be opened for writing"):
        open_store(tmp_path / "taken" / "logbook.sqlite")


def test_a_read_only_folder_is_a_sentence(tmp_path, run_kept_to_permissions):
    """In a folder that may not be written to, opening is refused with a sentence."""
    folder = tmp_path / "sealed"
    open_store(folder / "old.sqlite").close()
    for thing in (*folder.iterdir(), folder):
        thing.chmod(0o555 if thing.is_dir() else 0o444)
    program = (
        "import sys\n"
        "from store import open_store\n"
        "from store.errors import StoreRefused\n"
        "for path in sys.argv[1:]:\n"
        "    try: open_store(path)\n"
        "    except StoreRefused as refusal: print(refusal)\n"
    )
    run = run_kept_to_permissions([sys.executable, "-c", program, folder / "new.sqlite", folder / "old.sqlite"])
    folder.chmod(0o755)
    assert run.returncode == 0, run.stderr
    lines = run.stdout.splitlines()
    assert len(lines) == 2
    assert all("cannot be opened for writing" in line for line in lines)


def test_a_logbook_without_tables_begins_anew(tmp_path):
    """A file of no bytes holds nothing to lose and becomes a logbook."""
    path = tmp_path / "logbook.sqlite"
    path.touch()
    with open_store(path) as store:
        assert store.check() == []


def test_a_schema_made_by_hand_would_be_found(tmp_path):
    """The comparison of models and migrations does find a difference when there is one."""
    engine = connect(tmp_path / "x.sqlite")
    with rebuilding(engine) as connection:
        schema_version.upgrade(connection)
        connection.exec_driver_sql("ALTER TABLE tap DROP COLUMN reason")
    with engine.connect() as connection:
        context = MigrationContext.configure(connection)
        assert compare_metadata(context, Base.metadata) != []
    engine.dispose()


def test_the_schema_that_tests_are_given_is_that_of_the_migrations(tmp_path, schema_made_once):
    """A logbook after the first of a worker, which runs no migration, has the very tables, rows and header of one that did."""
    for name, upgrade in (("migrated", schema_made_once), ("given", schema_version.upgrade)):
        path = tmp_path / f"{name}.sqlite"
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(schema_version, "upgrade", upgrade)
            open_store(path).close()
    with (
        closing(sqlite3.connect(tmp_path / "given.sqlite")) as given,
        closing(sqlite3.connect(path.with_name("migrated.sqlite"))) as migrated,
    ):
        for query in (
            "SELECT type, name, tbl_name, sql FROM sqlite_master",
            "SELECT * FROM alembic_version",
            "PRAGMA application_id",
            "PRAGMA user_version",
        ):
            assert given.execute(query).fetchall() == migrated.execute(query).fetchall()
        for (table,) in migrated.execute("SELECT name FROM sqlite_master WHERE type = 'table'"):
            count = f'SELECT count(*) FROM "{table}"'
            assert given.execute(count).fetchone() == migrated.execute(count).fetchone(), table
