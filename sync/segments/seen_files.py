"""Which segment files were found whole and are in the logbook, so that none is read twice."""

import json
from collections.abc import Iterable
from contextlib import suppress
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.durability.atomic_file import write_file
from store.facts.fact_lines import InvalidFact, read_json
from store.models import Own, Peer, SignedPage
from sync.segments.segment_file import SegmentHeader
from sync.segments.segment_places import Mark, PlacedFile

MOST_MARKS = 4
Range = tuple[int, int]
_UNREADABLE = (OSError, InvalidFact, ValueError, TypeError, LookupError, AttributeError)


class SeenFiles:
    """The files seen by one copy, kept beside its logbook in ``<name>-seen.json``.

    `locked`: first and last numbers, by device, of records of others that came in locked files.

    Notes: The list counts only for a logbook that has the pages it had when the list was written: one put back from an
    older file reads all again. What came locked is so for any.
    """

    def __init__(self, store: Store):
        self._store = store
        self._path = store.path.with_name(f"{store.path.stem}-seen.json") if store.path.is_file() else None
        self._marks: dict[str, list[Mark]] = {}
        self._changed = False
        self.locked: dict[str, set[Range]] = {}
        self.headers: dict[tuple[str, Mark], SegmentHeader] = {}
        self._load()

    def knows(self, file: PlacedFile) -> bool:
        """Return whether a file was found whole, and all it holds is here."""
        return file.mark in self._marks.get(file.path, ())

    def note(self, files: Iterable[PlacedFile]) -> None:
        """Note that files are whole, and all they hold is here."""
        for file in files:
            self.headers.pop((file.path, file.mark), None)
            if not self.knows(file):
                self._marks[file.path] = [*self._marks.get(file.path, ()), file.mark][-MOST_MARKS:]
                self._changed = True

    def note_locked(self, headers: Iterable[SegmentHeader]) -> None:
        """Note that what other devices recorded came locked, so that it is not passed on unlocked."""
        for header in headers:
            known = self.locked.setdefault(header.device, set())
            if header.device != self._store.device and (header.first, header.last) not in known:
                known.add((header.first, header.last))
                self._changed = True

    def save(self) -> None:
        """Write the list, if it changed; without it files are only read again."""
        if self._path is None or not self._changed or self._store.trouble:
            return
        with suppress(*_UNREADABLE):  # a bundle was merged meanwhile
            self._take_locked(read_json(self._path.read_bytes()))
        locked = {device: sorted(ranges) for device, ranges in self.locked.items() if ranges}
        with self._store.session() as session:
            said = {"tips": _tips(session), "files": self._marks, "locked": locked}
        with suppress(OSError):
            write_file(self._path, json.dumps(said, separators=(",", ":")), private=True)
            self._changed = False

    def _load(self) -> None:
        if self._path is None:
            return
        try:
            said = read_json(self._path.read_bytes())
            self._take_locked(said)
            marks = {str(path): [(int(size), int(at)) for size, at in marks] for path, marks in said["files"].items()}
            with self._store.session() as session:
                sound = all(_is_here(session, *tip) for tip in said["tips"])
        except _UNREADABLE:
            return
        if sound:
            self._marks = marks

    def _take_locked(self, said: Any) -> None:
        for device, ranges in said.get("locked", {}).items():
            self.locked.setdefault(str(device), set()).update((int(first), int(last)) for first, last in ranges)


def devices_here(session: Session) -> list[str]:
    """Return the devices whose records may be here: this one and all it has met."""
    return sorted({*session.scalars(select(Own.device)), *session.scalars(select(Peer.device))})


def last_page(session: Session, device: str) -> tuple[int, int, str] | None:
    """Return first, last and SHA-256 of the last page of a device."""
    query = select(SignedPage.first, SignedPage.last, SignedPage.sha256).filter_by(device=device)
    row = session.execute(query.order_by(SignedPage.first.desc(), SignedPage.last.desc()).limit(1)).first()
    return None if row is None else (row.first, row.last, row.sha256)


def _tips(session: Session) -> list[list[Any]]:
    tips = ((device, last_page(session, device)) for device in devices_here(session))
    return [[device, *tip] for device, tip in tips if tip is not None]


def _is_here(session: Session, device: str, first: int, last: int, sha256: str) -> bool:
    return session.get(SignedPage, (device, first, last, sha256)) is not None
