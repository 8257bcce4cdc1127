"""What code below the logbook needs of it."""

from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import Protocol, TypeVar

from sqlalchemy.orm import Session

from store.models import Fact

Result = TypeVar("Result")
AnyFact = TypeVar("AnyFact", bound=Fact)


class Transactions(Protocol):
    """Reading sessions and durable transactions; see `store.durability.transactions`."""

    def session(self) -> AbstractContextManager[Session]: ...

    def writing(self) -> AbstractContextManager[Session]: ...

    def durably(self, work: Callable[[Session], Result]) -> Result: ...


class FactWriter(Transactions, Protocol):
    """Transactions that also number new facts; see `store.logbook.Store`."""

    def number(self, session: Session, row: AnyFact) -> AnyFact: ...

    def seal_traces(self) -> None: ...
