"""One SQLite dialect for all logbooks of a worker: what SQLAlchemy compiled for one serves the others.

A program opens one logbook, the tests open thousands: compiling the same statements anew took a tenth of their time.
"""

from sqlalchemy import Engine, create_engine, make_url
from sqlalchemy.dialects import registry
from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite
from sqlalchemy.util import LRUCache

registry.register("sqlite.shared", __name__, "SharedDialect")
_one: list["SharedDialect"] = []
_compiled = LRUCache(2000)


class SharedDialect(SQLiteDialect_pysqlite):
    """The SQLite dialect, of which there is one."""

    supports_statement_cache = True

    def __new__(cls, **_options):
        return _one[0] if _one else super().__new__(cls)

    def __init__(self, **options):
        if not _one:
            super().__init__(**options)
            _one.append(self)


def create_sharing_engine(url, **options) -> Engine:
    """Do as `sqlalchemy.create_engine`; engines on SQLite share their dialect and what is compiled."""
    url = make_url(url)
    if url.drivername != "sqlite":
        return create_engine(url, **options)
    return create_engine(
        url.set(drivername="sqlite+shared"), execution_options={"compiled_cache": _compiled}, **options
    )
