"""The logbook on disk: SQLite through SQLAlchemy, durable before it is shown as recorded."""

from store.logbook import Store
from store.open_logbook import open_store

__all__ = ["Store", "open_store"]
