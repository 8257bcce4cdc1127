"""The logbook on disk: SQLite through SQLAlchemy, durable before it is shown as recorded."""

from store.book import Store
from store.opening import open_store

__all__ = ["Store", "open_store"]
