"""Alembic's environment; run by store.db.schema_version on the connection it passes."""

from typing import Literal

from alembic import context

from store.models import Base, Instant


def plain(kind: str, item: object, _context: object) -> Literal["sa.Float()", False]:
    """Render our own types as what they are in the file, so old migrations need no new code."""
    return "sa.Float()" if isinstance(item, Instant) else False


context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_item=plain,
    render_as_batch=True,  # SQLite cannot alter most things in place
)
context.run_migrations()
