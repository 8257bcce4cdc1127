"""The schema's revision and its upgrade, by alembic from the installed package."""

import sys
from functools import cache
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection

FOLDER = Path(__file__).parents[1] / "migrations"
APPLICATION_ID = 0x526F6C6C  # "Roll": SQLite's header field that says whose file this is


def config(connection: Connection | None = None) -> Config:
    """Return alembic's configuration for this package, bound to a connection if given."""
    made = Config(stdout=sys.stdout)  # its default is what stood there when it was imported
    made.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    made.attributes["connection"] = connection
    return made


@cache
def _revisions(folder: Path) -> tuple[str, frozenset[str]]:
    script = ScriptDirectory(str(folder))
    return script.get_current_head() or "", frozenset(r.revision for r in script.walk_revisions())


def head() -> str:
    """Return the revision this program writes."""
    return _revisions(FOLDER)[0]


def known(revision: str) -> bool:
    """Return whether this program has a revision among its migrations."""
    return revision in _revisions(FOLDER)[1]


def is_ours(path: Path) -> bool:
    """Return whether the header of a file says that it is a logbook (application id, bytes 68 to 71)."""
    with path.open("rb") as file:
        return file.read(72)[68:] == APPLICATION_ID.to_bytes(4, "big")


def current(connection: Connection) -> str | None:
    """Return the revision a file is at; None if it has no tables of ours yet."""
    return MigrationContext.configure(connection).get_current_revision()


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Bring the file up to a revision, if it is not there yet, inside the caller's transaction."""
    if current(connection) != (head() if revision == "head" else revision):
        command.upgrade(config(connection), revision)
