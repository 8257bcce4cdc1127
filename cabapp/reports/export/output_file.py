"""Writes a page or an export file, whole or not at all."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from sqlite3 import Error as DatabaseError

from store.durability.atomic_file import write_atomically
from store.errors import Refused


@contextmanager
def replacing(path: Path) -> Iterator[Path]:
    """Yield a temporary path that takes the place of `path` on leaving; its folder is made.

    Raises Refused when it cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with write_atomically(path) as part:
            yield part
    except (OSError, DatabaseError) as error:
        why = getattr(error, "strerror", None) or error
        raise Refused(
            "{path} cannot be written ({why}). Look whether the folder may be written to and has room.",
            path=path, why=why,
        ) from error  # fmt: skip


def write_output(directory: Path, name: str, content: str | bytes) -> Path:
    """Write a file, text as UTF-8; one with the same content is left alone."""
    path = Path(directory) / name
    content = content if isinstance(content, bytes) else content.encode("utf-8", "replace")
    if not _holds(path, content):
        with replacing(path) as part:
            part.write_bytes(content)
    return path


def _holds(path: Path, content: bytes) -> bool:
    try:
        return path.stat().st_size == len(content) and path.read_bytes() == content
    except OSError:
        return False
