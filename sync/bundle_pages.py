"""The pages in a bundle: slices of its records, each signed by the device they are from."""

import hashlib
import zlib
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import repeat

from sqlalchemy import select
from sqlalchemy.orm import Session

from store.db.bulk_insert import insert_rows
from store.facts.fact_lines import InvalidFact
from store.models import SignedPage
from sync.bundle_file import RECORDS, Bundle


@dataclass(frozen=True)
class Slice:
    """One page as it stands in a bundle; `data` are its lines."""

    device: str
    first: int
    last: int
    sha256: str
    signature: str
    data: bytes

    @property
    def key(self) -> tuple[str, int, int, str]:
        return self.device, self.first, self.last, self.sha256

    def lines(self) -> bytes:
        """Return the lines, once their hash has held."""
        if hashlib.sha256(self.data).hexdigest() != self.sha256:
            raise InvalidFact("a page of it is not the one that was signed")
        return self.data


def slices(bundle: Bundle) -> list[Slice]:
    """Return the pages of a bundle; together they are all of its records.

    Raises
    ------
    InvalidFact
        If they are not.
    """
    data, place, found = bundle.read(RECORDS), 0, []
    for said in bundle.manifest["pages"]:
        mark = {n: said[n] for n in ("device", "first", "last", "sha256", "signature")}
        found.append(Slice(**mark, data=data[place : place + said["bytes"]]))
        place += said["bytes"]
    if place != len(data):
        raise InvalidFact("its pages are not all of its records")
    return found


def pages_here(session: Session) -> set[tuple[str, int, int, str]]:
    """Return the keys of the pages this copy has: what is on them is known."""
    rows = session.execute(select(SignedPage.device, SignedPage.first, SignedPage.last, SignedPage.sha256))
    return {tuple(row) for row in rows}


def squeezed(pages: list[Slice], aside: Executor) -> Iterator[bytes]:
    """Begin to squeeze the lines of pages, aside of what else is done with them meanwhile."""
    return aside.map(zlib.compress, (page.data for page in pages), repeat(3))


def keep(session: Session, fresh: list[Slice], squeezed: Iterable[bytes]) -> None:
    """Keep those of the pages, with their squeezed lines, that hold something none here holds."""
    ranges: dict[str, list[tuple[int, int]]] = {}
    for device, first, last, _sha256 in pages_here(session):
        ranges.setdefault(device, []).append((first, last))
    rows = [
        (p.device, p.first, p.last, p.sha256, p.signature, lines)
        for p, lines in zip(fresh, squeezed, strict=True)
        if not any(a <= p.first and p.last <= b for a, b in ranges.get(p.device, ()))
    ]
    insert_rows(session, SignedPage.__table__, rows)
