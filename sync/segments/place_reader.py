"""Reads what a folder or a zip holds: which heads and segments are whole, and merges what is new of them."""

import zipfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from store import Store
from store.durability.carrier_files import CarrierHangs, open_regular
from store.durability.integrity_check import top_of
from store.errors import BundleRefused, Message, message
from store.facts.fact_lines import InvalidFact
from store.models import Enrolment, Own, Peer, SignedPage
from sync.bundle_encryption import is_locked
from sync.bundle_file import DAMAGE, refused_if_damaged
from sync.device_trust import Card, trust_here
from sync.segments.copy_head import LARGEST_HEAD, CopyHead, read_head
from sync.segments.seen_files import SeenFiles
from sync.segments.segment_file import PageKey, SegmentHeader, is_whole, read_header
from sync.segments.segment_merge import Taken, Work, here_of, merge_segments
from sync.segments.segment_places import HEAD, LOCKED, FolderPlace, Mark, PlacedFile, ZipPlace, named
from sync.segments.segment_writer import ranges_of

MOST_UNKNOWN = 10_000
"""Pages of devices that are not known that are looked at in one look."""


@dataclass
class PlaceNews:
    """What was found at a place.

    `added`, `known`: records.
    `refused`, `waiting`: sentences that were not said at the last look.
    `heads`, `segments`: all that are there.
    `overlapping`: devices of which pages came that overlap others.
    `strangers`: cards of those who are not paired.
    `other_farms`: names of farms other than this copy's, by id.
    `more`: whether some were not looked into yet, because too many are of devices that are not known.
    `arriving`: whether a file of this copy's own is not whole, and may still be arriving.
    """

    added: int = 0
    known: int = 0
    refused: list[Message] = field(default_factory=list)
    waiting: list[Message] = field(default_factory=list)
    heads: list[CopyHead] = field(default_factory=list)
    segments: list[PlacedFile] = field(default_factory=list)
    arriving: bool = False
    more: bool = False
    overlapping: set[str] = field(default_factory=set)
    strangers: dict[str, Card] = field(default_factory=dict)
    other_farms: dict[str, str] = field(default_factory=dict)


class PlaceReader:
    """Reads one folder again and again; what it has read it does not read again while it is the same.

    `patient`: whether a file that is not whole is named only when it was the same at the last look.
    """

    def __init__(self, store: Store, seen: SeenFiles, patient: bool = True):
        self._store, self._seen, self._patient = store, seen, patient
        self._heads: dict[str, tuple[Mark, CopyHead | None]] = {}
        self._unsound: dict[str, Mark] = {}
        self._given_up: dict[str, Mark] = {}
        self._said: set[str] = set()
        self._lacking: set[tuple[str, int]] = set()
        self._stuck: tuple[Any, ...] = ()  # what could not be taken, and what else was there then
        self._taken = Taken()

    def read(self, place: FolderPlace, progress: Work | None = None) -> PlaceNews:
        """Take in what is new there; nothing it finds raises, but CarrierHangs if it does not answer."""
        heads, segments = named(place.files())
        news = PlaceNews(segments=segments)
        news.heads = [head for file in heads if (head := self._head(place, file, news)) is not None]
        headers = self._headers(place, segments, news)
        if headers or news.heads:
            self._merge(place, headers, news, progress)
        self._note_lacking(place, news)
        said = {str(sentence) for sentence in (*news.refused, *news.waiting)}
        news.refused = [sentence for sentence in news.refused if str(sentence) not in self._said]
        news.waiting = [sentence for sentence in news.waiting if str(sentence) not in self._said]
        self._said = said
        return news

    def _headers(
        self, place: FolderPlace, segments: list[PlacedFile], news: PlaceNews
    ) -> dict[PlacedFile, SegmentHeader]:
        """Return the headers that have to be looked into, not too many of devices that are not known yet."""
        unseen = [file for file in segments if not self._seen.knows(file)]
        found: dict[PlacedFile, SegmentHeader] = {}
        if not unseen:
            return found
        with self._store.session() as session:
            trust = trust_here(session)
        left = MOST_UNKNOWN
        for file in unseen:
            known = file.name is not None and bool(trust.keys_of(file.name.device))
            if not known and left <= 0:
                news.more = True
            elif (header := self._header(place, file, news)) is not None:
                found[file] = header
                left -= 0 if known else len(header.pages)
        return found

    def _merge(
        self, place: FolderPlace, headers: dict[PlacedFile, SegmentHeader], news: PlaceNews, progress: Work | None
    ) -> None:
        here, count = self._here(headers.values())
        with self._store.session() as session:  # a person may have paired somebody since
            trusted = (
                session.scalars(select(Own.office)).one(),
                session.scalars(select(func.count()).select_from(Enrolment)).one(),
            )
        fresh = frozenset(page.key for header in headers.values() for page in header.pages) - here
        marks = trusted, *((path, mark) for path, (mark, _head) in self._heads.items())
        if (fresh or marks != self._stuck[2:]) and (fresh, count, marks) != self._stuck:
            self._taken = merge_segments(self._store, place.path, news.heads, list(headers.values()), progress=progress)
            news.added, news.known, news.overlapping = self._taken.added, self._taken.known, self._taken.overlapping
            here, count = self._here(headers.values())
            self._stuck = fresh - here, count, marks
        news.strangers, news.other_farms = self._taken.strangers, self._taken.other_farms
        if fresh or self._taken.refused:
            news.refused += self._taken.refused
            news.waiting += [self._waits(place, device, *ends) for device, ends in self._taken.waiting.items()]
        self._seen.note_locked(header for file, header in headers.items() if file.path.endswith(LOCKED))
        self._seen.note(file for file, header in headers.items() if all(page.key in here for page in header.pages))

    def _here(self, headers: Iterable[SegmentHeader]) -> tuple[set[PageKey], int]:
        with self._store.session() as session:
            count = session.scalars(select(func.count()).select_from(SignedPage)).one()
            return here_of(session, [page for header in headers for page in header.pages]), count

    def _head(self, place: FolderPlace, file: PlacedFile, news: PlaceNews) -> CopyHead | None:
        mark, head = self._heads.get(file.path, (None, None))
        if mark == file.mark:
            return head
        try:
            head = _head_in(place.path / file.path, file)
        except BundleRefused as refusal:
            if f"-{self._store.device[:8]}{HEAD}" in file.path and is_locked(refusal.message):
                return None  # our own of when another passphrase was set, or none; all it says is known here
            if not self._stands(file):
                return None
            head = None
            news.refused.append(refusal.message)
        self._heads[file.path] = file.mark, head
        return head

    def _header(self, place: FolderPlace, file: PlacedFile, news: PlaceNews) -> SegmentHeader | None:
        """Return the header of a segment that has to be looked into; None if it need not be, or is not whole."""
        key = file.path, file.mark
        if self._given_up.get(file.path) == file.mark:
            return None
        if key not in self._seen.headers:
            try:
                self._seen.headers[key] = _header_in(file)
            except CarrierHangs:
                raise
            except (InvalidFact, OSError) as fault:
                self._not_whole(place, file, fault, news)
                return None
        return self._seen.headers[key]

    def _not_whole(self, place: FolderPlace, file: PlacedFile, fault: InvalidFact | OSError, news: PlaceNews) -> None:
        if file.name is None:
            return
        if not self._stands(file):
            news.arriving |= file.name.device == self._store.device
            return
        self._given_up[file.path] = file.mark
        with self._store.session() as session:
            if top_of(session, file.name.device) >= file.name.last:
                return  # it is written anew from here
            whose = _name(session, file.name.device)
        news.refused.append(
            message(
                "Records {first} to {last} of {name} in {place} were not merged. {why} Exchange again with a copy that has "
                "them.",
                first=file.name.first,
                last=file.name.last,
                name=whose,
                place=place.path.name,
                why=fault.message if isinstance(fault, InvalidFact) else message("The file cannot be read."),
            )
        )

    def _stands(self, file: PlacedFile) -> bool:
        """Return whether a file that is not whole was the same at the last look."""
        before = self._unsound.get(file.path)
        self._unsound[file.path] = file.mark
        return before == file.mark or not self._patient

    def _waits(self, place: FolderPlace, device: str, first: int, last: int) -> Message:
        with self._store.session() as session:
            return message(
                "Records {first} to {last} of {name} in {place} wait for records that are not there yet.",
                first=first,
                last=last,
                name=_name(session, device),
                place=place.path.name,
            )

    def _note_lacking(self, place: FolderPlace, news: PlaceNews) -> None:
        """Name the records a copy says it has that are neither here nor there, if it was so at the last look too."""
        most: dict[str, int] = {}
        for head in news.heads:
            for device in head.manifest["has"]:
                most[device] = max(head.ranges(device)[-1][1], most.get(device, 0))
        lacking: set[tuple[str, int]] = set()
        with self._store.session() as session:
            known = {*session.scalars(select(Peer.device)), *session.scalars(select(Own.device))}
            for device in sorted(known & most.keys()):
                top = top_of(session, device)
                if most[device] <= top or any(str(device) == one.name.device for one in news.segments
                                              if one.name is not None and one.name.last > top):  # fmt: skip
                    continue
                lacking.add((device, most[device]))
                if (device, most[device]) in self._lacking or not self._patient:
                    news.waiting.append(
                        message(
                            "Records {first} to {last} of {name} are not in {place} yet.",
                            first=top + 1,
                            last=most[device],
                            name=_name(session, device),
                            place=place.path.name,
                        )
                    )
        self._lacking = lacking


def merge_zip(store: Store, path: Path, passphrase: str | None = None, progress: Work | None = None) -> Taken:
    """Merge a bundle of segments, checked whole before anything is written; BundleRefused if it cannot be."""
    with _opened(path, passphrase) as place:
        head, segments = _parts_of(place)
        headers = [_header_in(file) for file in segments]
        held = {header.device: ranges_of(_ends(headers, header.device)) for header in headers}
        if any(held.get(device) != head.ranges(device) for device in {*head.manifest["has"], *held}):
            raise InvalidFact("Parts of it are missing or were added.")
        taken = merge_segments(store, path, [head], headers, strict=True, progress=progress)
        if passphrase is not None:
            seen = SeenFiles(store)
            seen.note_locked(h for h, file in zip(headers, segments, strict=True) if file.path.endswith(LOCKED))
            seen.save()
        return taken


def _parts_of(place: ZipPlace) -> tuple[CopyHead, list[PlacedFile]]:
    heads, segments = named(place.files())
    if len(heads) != 1:
        raise InvalidFact("It is no bundle, or its head is missing.")
    return _head_in(place.path, heads[0]), segments


def head_of_zip(path: Path, passphrase: str | None = None) -> CopyHead:
    """Return the head of a bundle of segments; BundleRefused if it cannot be read."""
    with _opened(path, passphrase) as place:
        return _parts_of(place)[0]


def heads_in(folder: Path, passphrase: str | None = None) -> list[CopyHead]:
    """Return the heads in a folder; those that cannot be read are left out."""
    found = []
    with suppress(OSError):
        for file in named(FolderPlace(folder, passphrase).files())[0]:
            with suppress(BundleRefused):
                found.append(_head_in(folder / file.path, file))
    return found


def _ends(headers: list[SegmentHeader], device: str) -> list[tuple[int, int, str]]:
    return sorted((header.first, header.last, "") for header in headers if header.device == device)


def is_zip_of_segments(path: Path) -> bool:
    """Return whether a file is a bundle of segments, and not one of an older version, or none."""
    try:
        with open_regular(path) as opened, zipfile.ZipFile(opened) as file:
            return any(name.startswith("rollbook-") and ".head" in name for name in file.namelist())
    except (OSError, *DAMAGE):
        return False


@contextmanager
def _opened(path: Path, passphrase: str | None) -> Iterator[ZipPlace]:
    with refused_if_damaged(path), open_regular(path) as opened, zipfile.ZipFile(opened) as file:
        yield ZipPlace(path, file, passphrase)


def _head_in(path: Path, file: PlacedFile) -> CopyHead:
    try:
        with file.open() as data:
            return read_head(path, data.read(LARGEST_HEAD + 1))
    except InvalidFact as error:
        raise BundleRefused("{name} was not merged. {reason}", name=path.name, reason=error.message) from error
    except CarrierHangs:
        raise
    except OSError as error:
        raise BundleRefused(
            "{path} cannot be read ({reason}). Look whether it is there.", path=path, reason=error.strerror or error
        ) from error


def _header_in(file: PlacedFile) -> SegmentHeader:
    """Return the header of a segment whose bytes are those its name states."""
    assert file.name is not None
    with file.raw() as data:
        if not is_whole(data, file.name):
            raise InvalidFact("They are cut off or were altered on the way.")
    return read_header(file.open, file.name)


def _name(session: Session, device: str) -> str:
    peer, own = session.get(Peer, device), session.get(Own, device)
    return own.name if own is not None else peer.name if peer is not None else device[:8]
