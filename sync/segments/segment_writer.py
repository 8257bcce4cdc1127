"""Writes what a copy has and a place has not: segments, and the copy's own head."""

import hashlib
import re
import unicodedata
import zipfile
from collections.abc import Iterable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.durability.atomic_file import write_atomically
from store.errors import BundleRefused
from store.facts.fact_lines import InvalidFact
from store.facts.signed_pages import MOST_LINES, text_of
from store.facts.timestamp import write_time
from store.models import Farm, Own, Peer, SignedPage, TraceChunk
from store.traces.varint import InvalidEncoding
from sync.bundle_encryption import lock_part
from sync.bundle_file import LONGEST_NAME
from sync.segments.copy_head import CopyHead, write_head
from sync.segments.seen_files import SeenFiles, devices_here
from sync.segments.segment_file import (
    CLOSED_BYTES,
    CLOSED_PAGES,
    CLOSED_RECORDS,
    SMALL_BYTES,
    SegmentHeader,
    SegmentName,
    name_of,
    packed_page,
    read_header,
    write_segment,
)
from sync.segments.segment_places import HEAD, LOCKED, SEGMENT, FolderPlace, PlacedFile, refused

Range = tuple[int, int]
PageEnds = tuple[int, int, str]


def seal(store: Store) -> None:
    """Sign all that is here, open traces too, so that it can be carried.

    Raises BundleRefused if nothing is being saved here, or a trace is damaged.
    """
    if store.trouble:  # its numbers may be given again
        raise BundleRefused(
            "Nothing was exported, because nothing is being saved here: what is only in memory must not be met "
            "elsewhere. Make room on the disk of {path}, or put it back.",
            path=store.path,
        )
    try:
        store.seal_traces()
    except InvalidEncoding as error:
        raise BundleRefused(
            "An open trace in {path} cannot be sealed. {reason} Run check, and put the newest backup in its place.",
            path=store.path,
            reason=error.message,
        ) from error
    store.seal_pages()


def farm_here(session: Session) -> Farm:
    """Return the farm; BundleRefused if there is none yet."""
    farm = session.scalars(select(Farm)).first()
    if farm is None:
        raise BundleRefused(
            "There is nothing to export: this logbook has no farm yet. Set up the farm, or merge a bundle of it first."
        )
    return farm


def shown(name: str) -> str:
    """Return a name as it may be shown to people: short, without control characters."""
    return "".join(c if c.isprintable() else " " for c in name[:LONGEST_NAME])


def file_name(store: Store, ending: str) -> str:
    """Return the name of a file of this copy, the same in every folder."""
    return f"rollbook-{_plain(store.device_name)}-{store.device[:8]}{ending}"


def _plain(name: str) -> str:
    """Return a name with only the letters every file system takes.

    >>> _plain("Tablet 1 / Søren"), _plain("ขอ")
    ('tablet-1-s-ren', 'tablet')
    """
    ascii_only = unicodedata.normalize("NFKD", name).encode("ascii", "replace").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", ascii_only).strip("-")[:40] or "tablet"


def cards_here(session: Session) -> list[dict[str, str]]:
    """Return the id, name and key of each device this copy has met."""
    peers = select(Peer.device, Peer.name, Peer.public_key).where(Peer.public_key.is_not(None))
    return [
        {"id": device, "name": shown(name), "public_key": key.hex()}
        for device, name, key in session.execute(peers.order_by(Peer.device))
        if key is not None
    ]


def chain_of(pages: Iterable[tuple[int, int, str]]) -> Iterator[tuple[int, str]]:
    """Yield, for pages in order (first, last, SHA-256), the last number and the chain of the pages up to it."""
    chain = b""
    for _first, last, sha256 in pages:
        chain = hashlib.sha256(chain + bytes.fromhex(sha256)).digest()
        yield last, chain.hex()


def pages_of_device(session: Session, device: str) -> list[tuple[int, int, str]]:
    """Return first, last and SHA-256 of all pages of a device in order."""
    query = select(SignedPage.first, SignedPage.last, SignedPage.sha256).filter_by(device=device)
    return [
        (a, b, sha256)
        for a, b, sha256 in session.execute(query.order_by(SignedPage.first, SignedPage.last, SignedPage.sha256))
    ]


def ranges_of(pages: Iterable[tuple[int, int, str]]) -> list[list[int]]:
    """Return the numbers that pages in order cover, as first and last of each run without a hole."""
    runs: list[list[int]] = []
    for first, last, _sha256 in pages:
        if runs and first <= runs[-1][1] + 1:
            runs[-1][1] = max(runs[-1][1], last)
        else:
            runs.append([first, last])
    return runs


def head_here(session: Session) -> dict[str, Any]:
    """Return what the head of this copy says, but for the time."""
    farm, own = farm_here(session), session.scalars(select(Own)).one()
    has = {
        device: {"ranges": ranges_of(pages), "chain": list(chain_of(pages))[-1][1]}
        for device in devices_here(session)
        if (pages := pages_of_device(session, device))
    }
    return {
        "farm": {"id": farm.id, "name": shown(farm.name)},
        "device": {"id": own.device, "name": shown(own.name)},
        "devices": cards_here(session),
        "has": has,
    }


class SegmentWriter:
    """Writes segments of one copy.

    `passphrase`: locks what is written.
    """

    def __init__(self, store: Store, passphrase: str | None = None):
        self._passphrase = passphrase
        with store.session() as session:
            self._farm = farm_here(session).id
        self.head_path = file_name(store, HEAD + (LOCKED if passphrase is not None else ""))

    @property
    def locks(self) -> bool:
        return self._passphrase is not None

    def locked(self, data: bytes) -> bytes:
        """Return a part as it is written."""
        return data if self._passphrase is None else lock_part(data, self._passphrase, self._farm)

    def segments(
        self, session: Session, device: str, after: int = 0, until: int | None = None, only: set[PageEnds] | None = None
    ) -> Iterator[tuple[str, SegmentName, bytes]]:
        """Yield path, name and bytes of the segments of a device's pages, each as large as it may be.

        `after`: pages that end at this number or before are left out.
        `until`: pages that begin after this number are left out.
        `only`: first, last and SHA-256 of those that are not left out.

        Notes: A page whose trace is not here is left out; another copy has it.
        """
        parts: list[tuple[dict[str, Any], list[bytes]]] = []
        size = end = 0
        for page in self._pages(session, device, after, until):
            if only is not None and (page.first, page.last, page.sha256) not in only:
                continue
            try:
                part = self._part(session, page)
            except InvalidFact:
                continue
            if parts and page.first > end + 1:
                yield self._written(device, parts)
                parts, size = [], 0
            parts.append(part)
            end = max(end, page.last)
            size += sum(map(len, part[1]))
            if size >= CLOSED_BYTES or len(parts) >= CLOSED_PAGES or end - parts[0][0]["first"] + 1 >= CLOSED_RECORDS:
                yield self._written(device, parts)
                parts, size = [], 0
        if parts:
            yield self._written(device, parts)

    def _written(self, device: str, parts: list[tuple[dict[str, Any], list[bytes]]]) -> tuple[str, SegmentName, bytes]:
        name, data = write_segment(self._farm, device, parts)
        if self._passphrase is None:
            return name.path + SEGMENT, name, data
        data = self.locked(data)
        name = name_of(device, name.first, name.last, hashlib.sha256(data).hexdigest())
        return name.path + SEGMENT + LOCKED, name, data

    def _pages(self, session: Session, device: str, after: int, until: int | None) -> Iterator[SignedPage]:
        query = select(SignedPage).where(
            SignedPage.device == device, SignedPage.first > after + 1 - MOST_LINES, SignedPage.last > after
        )
        if until is not None:
            query = query.where(SignedPage.first <= until)
        for page in session.scalars(
            query.order_by(SignedPage.first, SignedPage.last, SignedPage.sha256).execution_options(yield_per=20)
        ):
            yield page
            session.expunge(page)

    def _part(self, session: Session, page: SignedPage) -> tuple[dict[str, Any], list[bytes]]:
        query = select(TraceChunk.id, TraceChunk.packed).where(
            TraceChunk.device == page.device, TraceChunk.seq.between(page.first, page.last)
        )
        return packed_page(page, text_of(page), {row.id: row.packed for row in session.execute(query)})


def write_missing(
    writer: SegmentWriter,
    store: Store,
    place: FolderPlace,
    files: list[PlacedFile],
    seen: SeenFiles,
    own_only: bool = False,
) -> list[str]:
    """Write the segments a folder lacks, and return their paths; those that were open are replaced by a longer one.

    `files`: the segments there.
    `own_only`: whether only what this copy recorded itself is written.

    Notes: Without a passphrase, what came locked of others is left to those who can lock it.

    Raises OSError if they cannot be written.
    """
    written: list[str] = []
    sound: dict[str, list[PlacedFile]] = {}
    for file in files:
        if file.name is not None and seen.knows(file):
            sound.setdefault(file.name.device, []).append(file)
    with store.session() as session:
        for device in [store.device] if own_only else devices_here(session):
            there, pages = sound.get(device, []), pages_of_device(session, device)
            locked = seen.locked.get(device, set()) if not writer.locks and device != store.device else set()
            if any(
                b[0] <= a[1] for a, b in pairwise(pages)
            ):  # two machines wrote as it: ranges do not tell what is there
                only = set(pages) - {(p.first, p.last, p.sha256) for one in there for p in _header(one).pages}
                only = {page for page in only if not any(a <= page[0] and page[1] <= b for a, b in locked)}
                for path, _name, data in writer.segments(session, device, only=only) if only else ():
                    place.write(path, data)
                    written.append(path)
                continue
            for first, until in _gaps([*locked, *((f.name.first, f.name.last) for f in there if f.name is not None)]):
                if not pages or pages[-1][1] < first:
                    continue
                if until is None:
                    written += _write_end(writer, session, place, device, first, _open_before(there, first))
                    continue
                for path, _name, data in writer.segments(session, device, first - 1, until):
                    place.write(path, data)
                    written.append(path)
    return written


def _header(file: PlacedFile) -> SegmentHeader:
    assert file.name is not None
    return read_header(file.open, file.name)


def write_own_head(writer: SegmentWriter, store: Store, place: FolderPlace, there: CopyHead | None) -> str | None:
    """Write the head of this copy into a folder, unless the one there says the same, and return its path.

    Raises OSError if it cannot be written.
    """
    with store.session() as session:
        said, key = head_here(session), session.scalars(select(Own.private_key)).one()
    if there is not None and all(_less_key(there.manifest[part]) == _less_key(said[part]) for part in said):
        return None
    path = writer.head_path
    place.write(path, writer.locked(write_head({"written_at": write_time(store.now()), **said}, key)))
    return path


def _less_key(part: Any) -> Any:
    return {n: v for n, v in part.items() if n != "public_key"} if isinstance(part, dict) else part


def write_zip(store: Store, path: Path, passphrase: str | None = None) -> None:
    """Write all that this copy has as one file: a zip of its head and of every segment.

    Raises BundleRefused if there is no farm yet, or it cannot be written.
    """
    writer = SegmentWriter(store, passphrase)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with write_atomically(path) as beside:
            with zipfile.ZipFile(beside, "w", zipfile.ZIP_STORED) as file, store.session() as session:
                manifest = {"written_at": write_time(store.now()), **head_here(session)}
                for device in list(manifest["has"]):
                    ranges = []
                    for path_in, name, data in writer.segments(session, device):
                        file.writestr(zipfile.ZipInfo(path_in), data)
                        ranges.append((name.first, name.last, name.mark))
                    if (runs := ranges_of(ranges)) != manifest["has"][device]["ranges"]:  # a trace is damaged here
                        manifest["has"][device]["ranges"] = runs
                    if not runs:
                        del manifest["has"][device]
                head = write_head(manifest, session.scalars(select(Own.private_key)).one())
                file.writestr(zipfile.ZipInfo(writer.head_path), writer.locked(head))
            with zipfile.ZipFile(beside) as file:
                if (wrong := file.testzip()) is not None:
                    raise OSError(5, f"what was written cannot be read back: {wrong}")
    except OSError as error:
        raise refused(path.parent, error) from error


def _gaps(ranges: list[Range]) -> Iterator[tuple[int, int | None]]:
    """Yield the numbers that no range covers, the last without an end."""
    end = 0
    for first, last in sorted(ranges):
        if first > end + 1:
            yield end + 1, first - 1
        end = max(end, last)
    yield end + 1, None


def _open_before(there: list[PlacedFile], first: int) -> list[PlacedFile]:
    """Return the open segments, oldest first, that end right before a number."""
    found: list[PlacedFile] = []
    ends = {file.name.last: file for file in there if file.name is not None}
    while (
        (file := ends.get(first - 1)) is not None and file.name is not None and not _is_closed(file.mark[0], file.name)
    ):
        found.insert(0, file)
        first = file.name.first
    return found


def _is_closed(size: int, name: SegmentName) -> bool:
    return size >= CLOSED_BYTES or name.last - name.first + 1 >= CLOSED_RECORDS


def _write_end(
    writer: SegmentWriter, session: Session, place: FolderPlace, device: str, first: int, opened: list[PlacedFile]
) -> list[str]:
    """Write the pages of a device from a number on, and return the paths.

    `opened`: the open segments before it. When they can be closed with what is new, that is one segment, the same
        wherever it is written; until then only what is new is written, with those before it that are small.
    """
    written, ranges = [], []
    start = opened[0].name.first if opened and opened[0].name is not None else first
    for path, name, data in writer.segments(session, device, start - 1):
        kept = [
            one for one in opened if one.name is not None and name.first <= one.name.first and one.name.last < name.last
        ]
        while kept and kept[-1].mark[0] < SMALL_BYTES:
            kept.pop()
        if kept and not _is_closed(len(data), name):
            after = max(one.name.last for one in kept if one.name is not None)
            for path, name, data in writer.segments(session, device, after):
                place.write(path, data)
                written.append(path)
                ranges.append((name.first, name.last, name.mark))
            opened = [one for one in opened if one not in kept]
            break
        place.write(path, data)
        written.append(path)
        ranges.append((name.first, name.last, name.mark))
    runs = ranges_of(sorted(ranges))
    for one in opened:
        if (
            one.path not in written
            and one.name is not None
            and any(a <= one.name.first and one.name.last <= b for a, b in runs)
        ):
            place.remove(one.path)
    return written
