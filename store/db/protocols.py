"""What code below the logbook needs of it."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Protocol, TypeVar

from sqlalchemy.orm import Session

from store.models import Fact

Result = TypeVar("Result")


class Transactions(Protocol):
    """Sessions on one logbook, reading or durable; see `store.durability.transactions`."""

    def session(self) -> AbstractContextManager[Session]: ...

    def writing(self) -> AbstractContextManager[Session]: ...

    def durably(self, work: Callable[[Session], Result]) -> Result: ...


class FactWriter(Transactions, Protocol):
    """Transactions that also number new facts; see `store.logbook.Store`."""

    def number(self, session: Session, row: Fact) -> Fact: ...

    def seal_traces(self) -> None: ...
