"""The pages in a bundle: parts of its records, each signed by the device it is from."""

import hashlib
import zlib
from collections.abc import Iterator
from concurrent.futures import Executor
from dataclasses import dataclass
from itertools import repeat

from sqlalchemy import select
from sqlalchemy.orm import Session

from store.facts.fact_lines import InvalidFact
from store.models import SignedPage
from sync.bundle_file import PAGE_PARTS, RECORDS, Bundle

PageKey = tuple[str, int, int, str]  # device, first, last, SHA-256


@dataclass(frozen=True)
class BundlePage:
    """One page of a bundle; `data` are its lines."""

    device: str
    first: int
    last: int
    sha256: str
    signature: str
    data: bytes

    @property
    def key(self) -> PageKey:
        return self.device, self.first, self.last, self.sha256

    def __len__(self) -> int:
        return self.last - self.first + 1

    def lines(self) -> bytes:
        """Return the lines, their hash checked."""
        if hashlib.sha256(self.data).hexdigest() != self.sha256:
            raise InvalidFact("A page of it is not the one that was signed.")
        return self.data

    def first_line(self, most: int) -> bytes:
        """Return the first line, nothing checked; none if it is longer than `most` bytes."""
        line, feed, _rest = self.data[:most].partition(b"\n")
        return line if feed else b""


def pages_of(bundle: Bundle) -> list[BundlePage]:
    """Return the pages of a bundle; InvalidFact if they are not all of its records."""
    data, place, found = bundle.read(RECORDS), 0, []
    for entry in bundle.manifest["pages"]:
        parts = {name: entry[name] for name in PAGE_PARTS}
        found.append(BundlePage(**parts, data=data[place : place + entry["bytes"]]))
        place += entry["bytes"]
    if place != len(data):
        raise InvalidFact("Its pages are not all of its records.")
    return found


def pages_here(session: Session) -> set[PageKey]:
    """Return the keys of the pages this copy has; their records are here."""
    query = select(SignedPage.device, SignedPage.first, SignedPage.last, SignedPage.sha256)
    return {(device, first, last, sha256) for device, first, last, sha256 in session.execute(query)}


def compressed(pages: list[BundlePage], executor: Executor) -> Iterator[bytes]:
    """Begin to compress the lines of pages in another thread."""
    return executor.map(zlib.compress, (page.data for page in pages), repeat(3))
