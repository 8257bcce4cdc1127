"""Takes in the segments of a place: what is new, in batches, each device's records in order and none before what it names.

Notes: A batch is one transaction, so an exchange that breaks off has taken whole batches, and the next one goes on. Pages
wait when records before them are missing, or records they build on.
"""

import logging
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from heapq import heapify, heappop, heappush
from itertools import pairwise
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.durability.carrier_files import CarrierHangs
from store.durability.integrity_check import top_of
from store.errors import BundleRefused, Message, message
from store.facts.fact_lines import InvalidFact
from store.facts.fact_validation import Rows, read_page
from store.facts.signed_pages import holds
from store.models import Farm, Peer, Retirement
from sync import device_trust
from sync.record_merge import (
    Apart,
    apart_words,
    beyond_words,
    first_beyond,
    follow,
    fresh_records,
    insert_records,
    keep_peers,
    no_garbage_collection,
    numbered_elsewhere,
    other_farm,
    overlapping_of,
    pages_between,
    records_of,
    records_once,
    renew_if_doubled,
    store_pages,
)
from sync.segments.copy_head import CopyHead
from sync.segments.named_rows import unmet
from sync.segments.segment_file import PageKey, SegmentHeader, SegmentPage
from sync.segments.segment_writer import chain_of, pages_of_device

LOG = logging.getLogger("rollbook.sync")
BATCH_RECORDS, BATCH_BYTES, BATCH_TEXT = 20_000, 2**25, 2**23
"""Records, bytes as packed and bytes of lines that are taken in one transaction, or little more."""
Work = Callable[[int, int], None]


@dataclass
class Taken:
    """Records added and known already, what was refused and why, which pages wait, and devices whose pages overlap others.

    `other_farms`: names of farms other than this copy's, by id.
    """

    added: int = 0
    known: int = 0
    refused: list[Message] = field(default_factory=list)
    waiting: dict[str, tuple[int, int]] = field(default_factory=dict)
    overlapping: set[str] = field(default_factory=set)
    strangers: dict[str, device_trust.Card] = field(default_factory=dict)
    other_farms: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class _Loaded:
    """A page read and checked."""

    page: SegmentPage
    packed: bytes
    rows: Rows
    size: int


class _Faulty(Exception):
    """A page that is not as it must be, and why."""

    def __init__(self, page: SegmentPage, why: Message):
        super().__init__(str(why))
        self.page, self.why = page, why


def here_of(session: Session, pages: Iterable[SegmentPage]) -> set[PageKey]:
    """Return the keys of those pages that are here."""
    of_device: dict[str, list[SegmentPage]] = {}
    for page in pages:
        of_device.setdefault(page.device, []).append(page)
    here = {(device, *one) for device, some in of_device.items() for one in pages_between(session, some)}
    return here & {page.key for some in of_device.values() for page in some}


def merge_segments(
    store: Store,
    place: Path,
    heads: Sequence[CopyHead],
    headers: Sequence[SegmentHeader],
    strict: bool = False,
    progress: Work | None = None,
) -> Taken:
    """Merge the pages of segments that are not here yet.

    `place`: names where they lie, in sentences.
    `heads`: of copies, as read at the place.
    `strict`: whether anything wrong refuses all that has not been taken yet, as in a file handed over by hand.
    `progress`: called as progress(done, of) with records.

    Raises BundleRefused if `strict` and something is wrong.
    """
    taken = Taken()
    every = [page for header in headers for page in header.pages]
    with store.session() as session:
        here = here_of(session, every)
        farm = _farm_of(session, place, heads, headers, taken, strict)
    taken.known = sum(last - first + 1 for _device, first, last, _sha256 in here)
    fresh = [page for header in headers if header.farm == farm for page in header.pages if page.key not in here]
    trusted = [head for head in heads if head.farm == farm]
    if farm is not None and (fresh or trusted):
        _Merge(store, place, farm, trusted, fresh, taken, strict, progress).run()
    return taken


def _farm_of(session: Session, place: Path, heads: Sequence[CopyHead], headers: Sequence[SegmentHeader], taken: Taken,
             strict: bool) -> str | None:  # fmt: skip
    """Return the farm this copy is of, or will be of, and refuse what is of another."""
    ours = session.scalars(select(Farm)).first()
    farm = ours.id if ours is not None else heads[0].farm if heads else None
    name = ours.name if ours is not None else heads[0].manifest["farm"]["name"] if heads else ""
    for head in heads:
        if head.farm != farm:
            taken.other_farms |= {head.farm: head.manifest["farm"]["name"]}
            taken.refused.append(other_farm(head.path.name, head.manifest["farm"]["name"], name))
    if farm is not None and not taken.refused and any(header.farm != farm for header in headers):
        taken.refused.append(
            message("In {place} there are records of another farm than '{ours}'.", place=place.name, ours=name)
        )
    if strict and taken.refused:
        raise BundleRefused(taken.refused[0])
    return farm


class _Merge:
    """One merge of pages that are not here."""

    def __init__(
        self, store: Store, place: Path, farm: str, heads: Sequence[CopyHead], pages: list[SegmentPage], taken: Taken,
        strict: bool, progress: Work | None,
    ):  # fmt: skip
        self._store, self._place, self._farm, self._heads = store, place, farm, heads
        self._taken, self._strict, self._progress = taken, strict, progress
        self._queues: dict[str, list[SegmentPage]] = {}
        for page in sorted(pages, key=lambda p: (p.device, p.first, p.last)):
            self._queues.setdefault(page.device, []).append(page)
        self._copies: dict[PageKey, list[SegmentPage]] = {}
        with store.session() as session:
            self._tops = {device: top_of(session, device) for device in self._queues}

    def run(self) -> None:
        """Take batch after batch until nothing more can be taken."""
        self._find_trust()
        self._of = sum(len(page) for pages in self._queues.values() for page in pages)
        self._told = self._retirements()
        blocked: set[str] = set()
        wide = 1
        while self._queues:
            batch = self._batch(blocked, wide)
            if not batch:
                if not blocked:
                    break
                if wide > self._of // BATCH_RECORDS + 1:
                    break
                blocked, wide = set(), wide * 4
                continue
            cut = self._take(batch, min(wide, 4) * BATCH_TEXT)
            if any(page.first < cut.get(page.device, page.last + 1) for page in batch):
                blocked, wide = set(cut), 1
            else:
                blocked |= cut.keys() or {page.device for page in batch}
        for device, pages in self._queues.items():
            if not self._strict:
                self._taken.waiting[device] = pages[0].first, pages[-1].last
                continue
            self._taken.refused.append(
                message(
                    "Records {first} to {last} of a device ({device}) in {place} were not merged: they build on records it "
                    "does not carry and that are not here. Export it again where it came from.",
                    first=pages[0].first,
                    last=pages[-1].last,
                    device=device[:8],
                    place=self._place.name,
                )
            )

    # -------------------------------------------------------------------- trust

    def _find_trust(self) -> None:
        """Find whom to trust, leave out the heads and pages of all others, and store the names of those heads."""
        pages = [page for queue in self._queues.values() for page in queue]
        with self._store.session() as session:
            self._trust = device_trust.trust_with(session, pages)
            self._heads = [head for head in self._heads if self._is_trusted(head)]
            for device in list(self._queues):
                self._leave_unsigned(device)
            here = {device: pages_of_device(session, device) for device in self._queues if not self._is_taken(device)}
        for device, known in here.items():
            self._leave_unvouched(device, known)
        for device in list(self._queues):
            self._leave_beyond(device)
        with self._store.session() as session:
            unnamed = [head for head in self._heads if session.get(Peer, head.device) is None]
        if unnamed and not self._queues:  # else with the first batch
            with self._store.writing() as session:
                keep_peers(session, self._trust, unnamed, [])

    def _is_trusted(self, head: CopyHead) -> bool:
        try:
            device_trust.check_signer(head, self._trust)
        except BundleRefused as refusal:
            if self._strict:
                raise
            if isinstance(refusal, device_trust.Unpaired) and len(self._taken.strangers) < device_trust.MOST_STRANGERS:
                self._taken.strangers[head.device] = refusal.card
            self._refuse(refusal.message)
            return False
        return True

    def _is_taken(self, device: str) -> bool:
        """Return whether the pages of a device are taken whoever has brought them; of all others what a trusted copy has."""
        entry = self._trust.roll.get(device)
        own = device == self._trust.device or device in self._trust.offices
        return own or (entry is not None and entry.state in device_trust.SIGNERS)

    def _leave_unvouched(self, device: str, here: list[tuple[int, int, str]]) -> None:
        """Leave out the pages of a device reported lost that no trusted copy has."""
        pages = self._queues[device]
        every = sorted([*here, *((p.first, p.last, p.sha256) for p in pages)])
        lasts = {chain: last for last, chain in chain_of(every)}
        until = max((lasts.get(head.chain(device) or "", 0) for head in self._heads), default=0)
        if not self._trust.keys_of(device):
            until = 0
        if pages[-1].last <= until:
            return
        self._drop(device, lambda page: page.last > until)
        if self._trust.keys_of(device):
            self._refuse(
                message(
                    "Records of a device ({device}) whose bundles are not taken were left in {place} from number {first} on: "
                    "no paired device there has them.",
                    device=device[:8],
                    place=self._place.name,
                    first=until + 1,
                )
            )
        elif device not in self._taken.strangers:
            for head in [head for head in self._heads if head.ranges(device)][:1]:
                unpaired = device_trust.Unpaired(
                    "{name} was left where it is: {carrier} passes on records of a device ({device}) that is not paired. "
                    "Nothing is lost: pair that one too, or {carrier} once more at the farm's office, and it is taken in.",
                    device_trust.card_in(head, self._trust),
                    name=head.path.name,
                    carrier=str(head.manifest["device"]["name"]),
                    device=device[:8],
                )
                if self._strict:
                    raise unpaired
                self._taken.strangers[unpaired.card.device] = unpaired.card
                self._refuse(unpaired.message)

    def _leave_beyond(self, device: str) -> None:
        """Leave out the pages whose numbers lie so far beyond those here and there that no honest copy can fill the hole."""
        first = first_beyond(self._queues[device], self._tops[device])
        if first is not None:
            self._drop(device, lambda page: page.first >= first)
            self._taken.refused.append(beyond_words(self._store, self._place, device, first))

    def _leave_unsigned(self, device: str) -> None:
        """Leave out the pages of a known device that it has not signed, and queue all copies of a page as one.

        Notes: Anybody can write a file with the name of another device: what it holds must not stand in for signed pages.
        """
        keys, queue, false = self._trust.keys_of(device), [], None
        must = bool(keys) or self._is_taken(device)  # pages of all others are left out next
        for page in self._queues.pop(device):
            if must and not any(holds(*page.key, page.signature, key) for key in keys):
                false = false or page
                continue
            if page.key not in self._copies:
                queue.append(page)
            self._copies.setdefault(page.key, []).append(page)
        if queue:
            self._queues[device] = queue
        if false is not None:
            self._refuse(
                message(
                    "Records {first} to {last} in {place} are not signed by the device they are said to be from "
                    "({device}). Ask who made them.",
                    place=self._place.name,
                    first=false.first,
                    last=false.last,
                    device=device[:8],
                )
            )

    def _retirements(self) -> list[Retirement]:
        """Return who has left this copy's own device, as the first pages of others say, before what they left is taken."""
        found: list[Retirement] = []
        if self._trust.device not in self._queues:
            return found
        firsts = [page for queue in self._queues.values() for page in queue if page.first == 1]
        for page in firsts[: device_trust.MOST_FIRST]:
            for copy in self._copies[page.key]:
                try:
                    lines = copy.load()[1].split(b"\n")[:-1]
                    for seq, line in enumerate(lines, page.first):
                        if b'"retirement"' in line:
                            rows = read_page(line + b"\n", page.device, seq, lambda _id: None)
                            found += [Retirement(**row) for row in records_of(Retirement, rows)]
                except CarrierHangs:
                    raise
                except (InvalidFact, OSError):
                    continue  # said when the page is taken
                break
        return found

    # ------------------------------------------------------------------ batches

    def _batch(self, blocked: set[str], wide: int) -> list[SegmentPage]:
        """Return the next pages, the oldest first, each device's in order and without a hole."""
        tops = dict(self._tops)
        places = dict.fromkeys(self._queues, 0)
        heap = [(pages[0].stamp, device) for device, pages in self._queues.items() if device not in blocked]
        heapify(heap)
        batch: list[SegmentPage] = []
        records = size = 0
        while heap and records < wide * BATCH_RECORDS and size < wide * BATCH_BYTES:
            _stamp, device = heappop(heap)
            page = self._queues[device][places[device]]
            if page.first > tops[device] + 1 and self._is_elsewhere(device, tops[device] + 1, page.first - 1):
                continue  # waits for those before it
            batch.append(page)
            records, size = records + len(page), size + page.weight
            tops[device] = max(tops[device], page.last)
            places[device] += 1
            if places[device] < len(self._queues[device]):
                heappush(heap, (self._queues[device][places[device]].stamp, device))
        return batch

    def _is_elsewhere(self, device: str, first: int, last: int) -> bool:
        """Return whether a copy has any of these numbers, or no copy there says what it has of this device."""
        told = [ranges for head in self._heads if (ranges := head.ranges(device))]
        return not told or any(a <= last and first <= b for ranges in told for a, b in ranges)

    def _take(self, batch: list[SegmentPage], most: int = BATCH_TEXT) -> dict[str, int]:
        """Merge a batch, or what of it unpacks to so many bytes; return from which number on pages of a device cannot be taken."""
        with no_garbage_collection():
            loaded: list[_Loaded] = []
            faulty: set[str] = set()
            size = 0
            for page in batch:
                if page.device in faulty:
                    continue
                if size > most:
                    break  # the others are taken next
                try:
                    loaded.append(self._load(page))
                    size += loaded[-1].size
                except _Faulty as fault:
                    self._fault(fault.page, fault.why)
                    faulty.add(page.device)
            try:
                cut, added = self._write(loaded)
            except Apart as apart:
                for device, first in apart.first.items():
                    self._set_aside(device, first)
                return dict.fromkeys(apart.first, 0)
            except (ValueError, LookupError, InvalidFact) as error:
                if len(loaded) == 1:
                    self._fault(loaded[0].page, self._unsound(loaded[0].page, message("They do not fit what is here.")))
                    LOG.warning("a page does not fit: %s", error)
                    return {}
                cut = {}
                for one in loaded:  # one at a time, so that the others are taken
                    if one.page.device not in cut and self._is_queued(one.page.key):
                        cut |= self._take([one.page])
                return cut
        done = [one.page for one in loaded if one.page.first < cut.get(one.page.device, one.page.last + 1)]
        gone = {page.key for page in done}
        for device in {page.device for page in done}:
            self._tops[device] = max(self._tops[device], *(p.last for p in done if p.device == device))
            self._queues[device] = [page for page in self._queues[device] if page.key not in gone]
            if not self._queues[device]:
                del self._queues[device]
        self._taken.added += added
        self._taken.known += sum(map(len, done)) - added
        if self._progress is not None:
            self._progress(self._of - sum(len(p) for pages in self._queues.values() for p in pages), self._of)
        return cut

    def _is_queued(self, key: PageKey) -> bool:
        return any(page.key == key for page in self._queues.get(key[0], ()))

    def _load(self, page: SegmentPage) -> _Loaded:
        """Return a page as the first of its copies that is sound has it."""
        first_fault = None
        for copy in self._copies[page.key]:
            try:
                return self._load_copy(copy)
            except _Faulty as fault:
                first_fault = first_fault or fault
        assert first_fault is not None
        raise first_fault

    def _load_copy(self, page: SegmentPage) -> _Loaded:
        try:
            packed, lines, traces = page.load()
            left = iter(traces)
            rows = read_page(lines, page.device, page.first, lambda _id: next(left, None))
            if sum(map(len, rows.values())) != len(page):
                raise InvalidFact("A page of it does not hold the records it says.")
            if next(left, None) is not None:
                raise InvalidFact("It carries pieces of trace that no record names.")
        except InvalidFact as fault:
            raise _Faulty(page, self._unsound(page, fault.message)) from fault
        except CarrierHangs:
            raise
        except OSError as error:
            raise _Faulty(page, self._unsound(page, message("{reason}.", reason=error.strerror or error))) from error
        return _Loaded(page, packed, rows, len(lines))

    def _unsound(self, page: SegmentPage, why: Message) -> Message:
        return message(
            "Records {first} to {last} of a device ({device}) in {place} were not merged. {why} Exchange again with a "
            "copy that has them.",
            first=page.first,
            last=page.last,
            device=page.device[:8],
            place=self._place.name,
            why=why,
        )

    def _write(self, loaded: list[_Loaded]) -> tuple[dict[str, int], int]:
        """Write what fits in one transaction; return from where on pages were left, and how many records were added."""
        cut: dict[str, int] = {}
        renewed = None
        fresh: Rows = {}
        with self._store.session() as session:
            while loaded:
                more = unmet(session, _rows(loaded))
                if not more:
                    break
                for device, seq in more.items():
                    first = min(one.page.first for one in loaded if one.page.device == device and one.page.last >= seq)
                    cut[device] = min(first, cut.get(device, first))
                loaded = [one for one in loaded if one.page.first < cut.get(one.page.device, one.page.last + 1)]
        if not loaded:
            return cut, 0
        pages, records = [one.page for one in loaded], _rows(loaded)
        if any(a.device == b.device and b.first <= a.last for a, b in pairwise(sorted(pages, key=lambda p: p.key))):
            records = records_once(records)
        try:
            with self._store.writing() as session:
                renewed = renew_if_doubled(self._store, session, records, self._told)
                fresh = fresh_records(session, pages, records)
                insert_records(session, fresh, self._farm)
                store_pages(session, pages, [one.packed for one in loaded], None)
                follow(self._store, session, pages, fresh)
                keep_peers(session, self._trust, self._heads, pages)
                self._taken.overlapping |= overlapping_of(session, pages)
        except (ValueError, LookupError) as error:
            with self._store.session() as session:
                if elsewhere := numbered_elsewhere(session, records):
                    raise Apart(elsewhere) from error
            raise
        if renewed is not None:
            self._store.go_on_as(renewed, message("another machine has written as the same device"))
        return cut, sum(map(len, fresh.values()))

    # ------------------------------------------------------------------- faults

    def _fault(self, page: SegmentPage, why: Message) -> None:
        """Leave out the pages of a device from one on."""
        self._drop(page.device, lambda one: one.first >= page.first)
        self._refuse(why)

    def _set_aside(self, device: str, first: int) -> None:
        self._drop(device, lambda one: one.last >= first)
        self._taken.refused.append(apart_words(self._store, self._place, device, first))

    def _drop(self, device: str, which: Callable[[SegmentPage], bool]) -> None:
        left = [page for page in self._queues.get(device, ()) if not which(page)]
        if left:
            self._queues[device] = left
        else:
            self._queues.pop(device, None)

    def _refuse(self, why: Message) -> None:
        if self._strict:
            raise BundleRefused(why)
        self._taken.refused.append(why)


def _rows(loaded: list[_Loaded]) -> Rows:
    records: Rows = {}
    for one in loaded:
        for table, rows in one.rows.items():
            records.setdefault(table, []).extend(rows)
    return records
