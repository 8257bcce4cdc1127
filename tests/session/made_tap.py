"""A tap made for a test."""

from dataclasses import dataclass, field
from itertools import count

ids = count()


@dataclass
class Made:
    """A tap as the store gives it."""

    kind: str
    at: float
    reason: str | None = None
    detail: dict | None = None
    id: str = field(default_factory=lambda: f"tap {next(ids)}")
