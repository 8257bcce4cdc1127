"""The segment as bytes: a run of one device's signed pages with the traces they name; see FORMAT.md.

Notes: All in it is signed by that device: each page by its signature, each piece of trace by its hash on a page. So a
segment has no signature of its own, and whoever has the pages writes the same bytes.
"""

import hashlib
import io
import json
import re
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import IO, Any, BinaryIO

from store.facts.fact_lines import InvalidFact, is_hash, is_seq, is_uuid, parse_lines, read_json
from store.facts.signed_pages import MOST_LINES
from store.models import SignedPage, TraceChunk
from store.unpacking import TooLarge, unpacked
from sync.bundle_file import LARGEST_TRACE

MAGIC = b"rollbook-segment 5\n"
CLOSED_BYTES, CLOSED_RECORDS, CLOSED_PAGES = 2**18, 5000, 500
"""A segment that has reached one of these is never written anew; one that has not is open: a longer one may replace it."""
SMALL_BYTES = 2**14
"""An open segment smaller than this is replaced at the next exchange already."""
LARGEST_HEADER, LARGEST_PAGE, LARGEST_WEIGHT = 2**21, 2**26, 2**27
MOST_PAGES = 2000
LONGEST_STAMP = 64
_NAME = re.compile(r"([1-9]\d{0,9})-([1-9]\d{0,9})-([0-9a-f]{16})(?![0-9a-f])[^/\\]*", re.ASCII)
_PARTS = frozenset(("bytes", "first", "last", "sha256", "signature", "stamp", "traces"))

PageKey = tuple[str, int, int, str]  # device, first, last, SHA-256
Opener = Callable[[], BinaryIO]


@dataclass(frozen=True)
class SegmentName:
    """What the name of a segment states: its device, its records, and the first 16 letters of its file's SHA-256."""

    device: str
    first: int
    last: int
    mark: str

    @property
    def path(self) -> str:
        return f"{self.device}/{self.first}-{self.last}-{self.mark}"


def name_of(device: str, first: int, last: int, sha256: str) -> SegmentName:
    """Return the name of a segment with this SHA-256."""
    return SegmentName(device, first, last, sha256[:16])


def read_name(folder: str, stem: str) -> SegmentName | None:
    """Return what a file's name without its ending states; None for any other file.

    Notes: Words that a file-sharing program has added behind ("conflicted copy") are passed over.
    """
    found = _NAME.fullmatch(stem)
    if found is None or not is_uuid(folder):
        return None
    first, last = int(found[1]), int(found[2])
    return SegmentName(folder, first, last, found[3]) if is_seq(last) and first <= last else None


@dataclass(frozen=True)
class SegmentPage:
    """One page of a segment, not read yet; `stamp` is said to be that of its first record and only orders the reading."""

    device: str
    first: int
    last: int
    sha256: str
    signature: str
    stamp: str
    size: int
    traces: tuple[int, ...]
    place: int
    open: Opener

    @property
    def key(self) -> PageKey:
        return self.device, self.first, self.last, self.sha256

    @property
    def weight(self) -> int:
        """Return its bytes in the file, traces included."""
        return self.size + sum(self.traces)

    def __len__(self) -> int:
        return self.last - self.first + 1

    def lines(self) -> bytes:
        """Return the lines alone; none if they are not sound, which is said when the page is loaded."""
        try:
            with self.open() as file:
                file.seek(self.place)
                lines = _unpacked(_read(file, self.size))
        except InvalidFact:
            return b""
        return lines if hashlib.sha256(lines).hexdigest() == self.sha256 else b""

    def first_line(self, most: int) -> bytes:
        """Return the first line, nothing checked and no more unpacked; none if it is longer than `most` bytes."""
        with self.open() as file:
            file.seek(self.place)
            packed = file.read(min(self.size, 2 * most))
        try:
            line, feed, _rest = zlib.decompressobj().decompress(packed, most).partition(b"\n")
        except zlib.error as error:
            raise InvalidFact("A page of it cannot be unpacked.") from error
        return line if feed else b""

    def load(self) -> tuple[bytes, bytes, list[bytes]]:
        """Return the page as it is packed, its lines, and its pieces of trace; the hash of the lines is checked."""
        with self.open() as file:
            file.seek(self.place)
            packed, traces = _read(file, self.size), [_read(file, size) for size in self.traces]
        lines = _unpacked(packed)
        if hashlib.sha256(lines).hexdigest() != self.sha256:
            raise InvalidFact("A page of it is not the one that was signed.")
        return packed, lines, traces


@dataclass(frozen=True)
class SegmentHeader:
    """The header of a segment: the farm and the pages it says it holds."""

    farm: str
    device: str
    first: int
    last: int
    pages: list[SegmentPage]


def packed_page(page: SignedPage, lines: bytes, chunks: dict[str, bytes]) -> tuple[dict[str, Any], list[bytes]]:
    """Return the entry of a page in the header, and its bytes: the page as it is packed, then its pieces of trace.

    `lines`: those of the page.
    `chunks`: pieces of trace by the id of their record: two machines may have given one number.

    Raises InvalidFact if a piece is not here, or not the one that was signed.
    """
    records = parse_lines(lines)
    traces = []
    for record in records:
        if record["table"] == TraceChunk.__tablename__:
            piece = chunks.get(record["id"])
            if piece is None or hashlib.sha256(piece).hexdigest() != record["columns"]["packed"]:
                raise InvalidFact("A piece of trace of it is not here.")
            traces.append(piece)
    entry = {"bytes": len(page.compressed), "stamp": records[0]["stamp"], "traces": [len(piece) for piece in traces]}
    entry |= {part: getattr(page, part) for part in ("first", "last", "sha256", "signature")}
    return entry, [page.compressed, *traces]


def write_segment(
    farm: str, device: str, pages: Sequence[tuple[dict[str, Any], list[bytes]]]
) -> tuple[SegmentName, bytes]:
    """Return the name and the bytes of a segment, made of `packed_page` of each page in order."""
    entries = [entry for entry, _bodies in pages]
    first, last = entries[0]["first"], max(entry["last"] for entry in entries)
    header = {"device": device, "farm": farm, "first": first, "last": last, "pages": entries}
    text = json.dumps(header, sort_keys=True, separators=(",", ":")).encode()
    data = b"".join([MAGIC, text, b"\n", *(body for _entry, bodies in pages for body in bodies)])
    return name_of(device, first, last, hashlib.sha256(data).hexdigest()), data


def is_whole(file: IO[bytes], name: SegmentName) -> bool:
    """Return whether the bytes of a segment are those its name states."""
    found = hashlib.sha256()
    while block := file.read(2**20):
        found.update(block)
    return found.hexdigest()[:16] == name.mark


def read_header(open_file: Opener, name: SegmentName) -> SegmentHeader:
    """Return the header of a segment; nothing else of it is read. InvalidFact if it is not one of this name."""
    with open_file() as file:
        if file.read(len(MAGIC)) != MAGIC:
            raise InvalidFact("It is no segment, or one of a newer program.")
        text = file.readline(LARGEST_HEADER)
        end = file.seek(0, io.SEEK_END)
    header = read_json(text) if text.endswith(b"\n") else None
    if not isinstance(header, dict) or not is_uuid(header.get("farm")):
        raise InvalidFact("Its header is not one of a segment.")
    if any(header.get(part) != getattr(name, part) for part in ("device", "first", "last")):
        raise InvalidFact("Its header does not fit its name.")
    pages, place = [], len(MAGIC) + len(text)
    for entry in _entries(header):
        parts = {part: entry[part] for part in ("first", "last", "sha256", "signature", "stamp")}
        page = SegmentPage(name.device, **parts, size=entry["bytes"], traces=tuple(entry["traces"]), place=place,
                           open=open_file)  # fmt: skip
        pages.append(page)
        place += page.weight
    if place != end:
        raise InvalidFact("It is not as long as its header says.")
    return SegmentHeader(header["farm"], name.device, name.first, name.last, pages)


def _entries(header: dict[str, Any]) -> Iterator[dict[str, Any]]:
    entries = header.get("pages")
    if not isinstance(entries, list) or not 0 < len(entries) <= MOST_PAGES:
        raise InvalidFact("Its header is not one of a segment.")
    due = header["first"]
    for entry in entries:
        if not _is_entry(entry) or not header["first"] <= entry["first"] <= due:
            raise InvalidFact("Its pages do not follow one another.")
        due = max(due, entry["last"] + 1)
        yield entry
    if due != header["last"] + 1 or entries[0]["first"] != header["first"]:
        raise InvalidFact("Its pages do not follow one another.")


def _is_entry(entry: Any) -> bool:
    return (
        isinstance(entry, dict)
        and entry.keys() == _PARTS
        and is_seq(entry["first"])
        and is_seq(entry["last"])
        and entry["first"] <= entry["last"] < entry["first"] + MOST_LINES
        and type(entry["bytes"]) is int
        and 0 < entry["bytes"] <= LARGEST_PAGE
        and is_hash(entry["sha256"])
        and isinstance(entry["signature"], str)
        and isinstance(entry["stamp"], str)
        and len(entry["stamp"]) <= LONGEST_STAMP
        and isinstance(entry["traces"], list)
        and len(entry["traces"]) < MOST_LINES + 1
        and all(type(size) is int and 0 < size <= LARGEST_TRACE for size in entry["traces"])
        and entry["bytes"] + sum(entry["traces"]) <= LARGEST_WEIGHT
    )


def _read(file: BinaryIO, size: int) -> bytes:
    data = file.read(size)
    if len(data) != size:
        raise InvalidFact("It is cut off.")
    return data


def _unpacked(packed: bytes) -> bytes:
    try:
        return unpacked(packed, LARGEST_PAGE)
    except TooLarge as error:
        raise InvalidFact("A page of it unpacks to more than it may.") from error
    except zlib.error as error:
        raise InvalidFact("A page of it cannot be unpacked.") from error
