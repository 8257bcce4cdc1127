"""The schema's revision and its upgrade, by alembic from the installed package.

Notes
-----
Alembic is a third of what opening a logbook would load, and loaded only where there is something to upgrade.
"""

import sys
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, inspect

if TYPE_CHECKING:
    from alembic.config import Config

FOLDER = Path(__file__).parents[1] / "migrations"
APPLICATION_ID = 0x526F6C6C  # "Roll": SQLite's header field that says whose file this is


def config(connection: Connection | None = None) -> "Config":
    """Return alembic's configuration for this package, bound to a connection if given."""
    from alembic.config import Config

    made = Config(stdout=sys.stdout)  # its default is what stood there when it was imported
    made.set_main_option("script_location", str(FOLDER).replace("%", "%%"))
    made.attributes["connection"] = connection
    return made


@cache
def _revisions(folder: Path) -> tuple[str, ...]:
    """Revisions of the migrations in a folder in their order: what the names of their files begin with."""
    return tuple(sorted(path.name.partition("_")[0] for path in (folder / "versions").glob("[0-9]*_*.py")))


def head() -> str:
    """Return the revision this program writes."""
    return _revisions(FOLDER)[-1]


def known(revision: str) -> bool:
    """Return whether this program has a revision among its migrations."""
    return revision in _revisions(FOLDER)


def is_ours(path: Path) -> bool:
    """Return whether the header of a file says that it is a logbook (application id, bytes 68 to 71)."""
    with path.open("rb") as file:
        return file.read(72)[68:] == APPLICATION_ID.to_bytes(4, "big")


def current(connection: Connection) -> str | None:
    """Return the revision a file is at; None if it has no tables of ours yet."""
    if not inspect(connection).has_table("alembic_version"):
        return None
    revision: str | None = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
    return revision


def upgrade(connection: Connection, revision: str = "head") -> None:
    """Bring the file up to a revision, if it is not there yet, inside the caller's transaction."""
    if current(connection) != (head() if revision == "head" else revision):
        from alembic import command

        command.upgrade(config(connection), revision)
