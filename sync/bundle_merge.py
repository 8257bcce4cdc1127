"""Merges bundles into a store, each in one transaction or not at all; pages that contradict it are set aside."""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from store import Store
from store.durability.carrier_files import is_folder, regular_files
from store.durability.integrity_check import missing_records, top_of
from store.errors import BundleRefused, Message, message
from store.facts import doubled_numbers
from store.facts.doubled_numbers import doubled
from store.facts.fact_lines import InvalidFact
from store.facts.fact_validation import Rows, read_page
from store.facts.signed_pages import holds
from store.models import Farm, TraceChunk
from sync.bundle_export import member_of
from sync.bundle_file import RECORDS, Bundle, open_bundle
from sync.bundle_pages import BundlePage, compressed, pages_here, pages_of
from sync.device_trust import MOST_STRANGERS, Card, Trust, Unpaired, card_in, trust_in
from sync.record_merge import (
    Apart,
    Words,
    beyond_words,
    first_beyond,
    follow,
    fresh_records,
    insert_records,
    keep_peers,
    no_garbage_collection,
    numbered_elsewhere,
    numbers_of,
    other_farm,
    records_once,
    renew_if_doubled,
    store_pages,
)
from sync.removable_media import meeting_places
from sync.segments.place_reader import PlaceReader, is_zip_of_segments, merge_zip
from sync.segments.seen_files import SeenFiles
from sync.segments.segment_places import HEAD, LOCKED, FolderPlace
from sync.trust_news import news_of_trust

Progress = Callable[[int, int, str], None]


@dataclass
class MergeResult:
    """Records added and known already, what was refused and why, records missing here, and what waits for others.

    `strangers`: cards of those who are not paired, so that their bundles wait.
    `other_farms`: names of farms other than this copy's that were met, by id.
    `doubled`: sentences on devices as which two machines write, of which something came.
    `told`: sentences on machines that have begun to go on for others.
    """

    added: int = 0
    known: int = 0
    strangers: dict[str, Card] = field(default_factory=dict)
    refused: list[tuple[Path, Message]] = field(default_factory=list)
    missing: list[Message] = field(default_factory=list)
    waiting: list[Message] = field(default_factory=list)
    doubled: list[Message] = field(default_factory=list)
    told: list[Message] = field(default_factory=list)
    other_farms: dict[str, str] = field(default_factory=dict)


def bundles_in(folder: Path) -> list[Path]:
    """Return the bundles in a folder, by name."""
    found = regular_files(folder, lambda name: name.startswith("rollbook-") and name.endswith((".zip", ".locked")))
    return sorted(path for _, path in found if not path.name.endswith(HEAD + LOCKED))


def merge_bundles(
    store: Store, paths: Iterable[Path | str], progress: Progress | None = None, passphrase: str | None = None
) -> MergeResult:
    """Merge bundles, and the bundles in folders; the end is the same in any order.

    `paths`: bundles, or folders: of those, and of a folder ``rollbook`` in them, every file named ``rollbook-*.zip`` or
        ``.locked``, and the segments.
    `progress`: called as progress(done, of, name) before each bundle and once at the end.
    `passphrase`: for those that are encrypted.
    """
    with news_of_trust(store) as told:
        result = _merge_all(store, [Path(path) for path in paths], progress, passphrase)
    result.told = told
    return result


def _merge_all(store: Store, paths: list[Path], progress: Progress | None, passphrase: str | None) -> MergeResult:
    result = MergeResult()
    overlapping: set[str] = set()
    bundles: list[Path] = []
    for path in paths:
        if not is_folder(path):
            bundles.append(path)
            continue
        there = False
        for place in dict.fromkeys([path, *meeting_places(path)]):
            inside = bundles_in(place)
            bundles += inside
            there = _merge_place(store, place, result, passphrase, overlapping) or bool(inside) or there
        if not there:
            result.refused.append((path, message("There is no bundle in the folder {path}.", path=path)))
    for done, path in enumerate(bundles):
        if progress:
            progress(done, len(bundles), path.name)
        try:
            added, known, devices = _merge_but_apart(store, path, passphrase, result.refused)
        except BundleRefused as refusal:
            result.refused.append((path, refusal.message))
            if isinstance(refusal, Unpaired) and len(result.strangers) < MOST_STRANGERS:
                result.strangers[refusal.card.device] = refusal.card
        else:
            result.added += added
            result.known += known
            overlapping |= devices
    if progress:
        progress(len(bundles), len(bundles), "")
    with store.session() as session:
        result.missing = missing_records(session)
        result.doubled = [one.said for one in doubled(session, overlapping)]
    return result


def _merge_place(
    store: Store, folder: Path, result: MergeResult, passphrase: str | None, overlapping: set[str]
) -> bool:
    """Merge the segments in a folder and return whether there are any."""
    seen = SeenFiles(store)
    reader, more, found = PlaceReader(store, seen, patient=False), True, False
    while more:
        try:
            news = reader.read(FolderPlace(folder, passphrase))
        except OSError as error:
            why = message("{path} cannot be read ({reason}).", path=folder, reason=error.strerror or error)
            result.refused.append((folder, why))
            return True
        result.added += news.added
        result.known += news.known
        result.refused += [(folder, why) for why in news.refused]
        result.strangers |= news.strangers
        overlapping |= news.overlapping
        found = found or bool(news.heads or news.segments or news.refused)
        more = news.more and news.added > 0  # who was not known may be on the roll now
    seen.save()
    result.waiting += news.waiting
    return found


def merge_bundle(store: Store, path: Path, passphrase: str | None = None) -> tuple[int, int]:
    """Merge one bundle and return (added, known); BundleRefused if it cannot be: nothing is changed then."""
    return _merge_but_apart(store, path, passphrase, None)[:2]


def _merge_but_apart(
    store: Store, path: Path, passphrase: str | None, aside: list[tuple[Path, Message]] | None
) -> tuple[int, int, set[str]]:
    """Merge one bundle and return added, known, and devices of which it brought pages that overlap others.

    `aside`: gets a sentence on the pages of each device that contradict what is here; without it, the bundle is refused.

    Notes: An id then names two different records, which no honest device writes. The pages of that device are left out
    from the first that contradicts; those of all others are taken, for they are signed by their own devices.
    """
    if is_zip_of_segments(path):
        taken = merge_zip(store, path, passphrase)
        if aside is None and taken.refused:
            raise BundleRefused(taken.refused[0])
        if aside is not None:
            aside += [(path, why) for why in taken.refused]
        return taken.added, taken.known, taken.overlapping
    apart: dict[str, tuple[int, Words]] = {}
    while True:
        try:
            done = _merge(store, path, passphrase, apart)
        except Apart as found:
            apart |= {d: (min(n, apart.get(d, (n,))[0]), found.words) for d, n in found.first.items()}
            if aside is None:
                device, (first, words) = min(apart.items())
                raise BundleRefused(words(store, path, device, first)) from found
        else:
            if aside is not None:
                aside += [(path, words(store, path, device, n)) for device, (n, words) in sorted(apart.items())]
            return done


def _merge(
    store: Store, path: Path, passphrase: str | None, apart: dict[str, tuple[int, Words]]
) -> tuple[int, int, set[str]]:
    """Merge one bundle but for the pages that reach a number of `apart`; raise Apart if more contradict."""
    with open_bundle(path, passphrase) as bundle, ThreadPoolExecutor(1) as executor, no_garbage_collection():
        pages = [page for page in pages_of(bundle) if page.device not in apart or page.last < apart[page.device][0]]
        with store.session() as session:
            beyond = {}
            for device in {page.device for page in pages}:
                of_device = sorted((page for page in pages if page.device == device), key=lambda page: page.first)
                if (first := first_beyond(of_device, top_of(session, device))) is not None:
                    beyond[device] = first
            if beyond:
                raise Apart(beyond, beyond_words)
            here = pages_here(session)
            chunks = set(session.scalars(select(TraceChunk.id)))
            fresh_pages = [page for page in pages if page.key not in here]
            trust = trust_in(session, bundle, fresh_pages)
        _check_signatures(bundle, fresh_pages, trust)
        lines = compressed(fresh_pages, executor)
        records = _records(bundle, fresh_pages, chunks, whole=not apart)
        try:
            with store.writing() as session:
                _check_farm(session, bundle)
                renewed = renew_if_doubled(store, session, records)
                fresh = fresh_records(session, fresh_pages, records)
                insert_records(session, fresh, bundle.manifest["farm"]["id"])
                store_pages(session, fresh_pages, lines, numbers_of(fresh))
                follow(store, session, fresh_pages, fresh)
                keep_peers(session, trust, [bundle], fresh_pages)
                overlapping = doubled_numbers.overlapping(session) & {page.device for page in fresh_pages}
        except (ValueError, LookupError) as error:
            with store.session() as session:
                if elsewhere := numbered_elsewhere(session, records):
                    raise Apart(elsewhere) from error
            raise BundleRefused(
                "{name} was not merged: it builds on records it does not carry and that "
                "are not here. Export it again where it came from.",
                name=path.name,
            ) from error
    if renewed is not None:
        store.go_on_as(renewed, message("another machine has written as the same device"))
    added = sum(map(len, fresh.values()))
    return added, sum(map(len, pages)) - added, overlapping


def _records(bundle: Bundle, fresh: list[BundlePage], chunks_here: set[str], whole: bool = True) -> Rows:
    """Return the records on the fresh pages, each checked, with the bytes of their traces.

    `whole`: whether `fresh` are all of its pages that are not here.
    """
    traces = {n for n in bundle.manifest["members"] if n != RECORDS}
    read = {member_of(row_id) for row_id in chunks_here}

    def packed(row_id: str) -> bytes | None:
        name = member_of(row_id)
        read.add(name)
        return bundle.read(name) if name in traces else None

    records: Rows = {}
    for page in fresh:
        of_page = read_page(page.lines(), page.device, page.first, packed)
        if sum(map(len, of_page.values())) != len(page):
            raise InvalidFact("A page of it does not hold the records it says.")
        for table, rows in of_page.items():
            records.setdefault(table, []).extend(rows)
    if whole and traces - read:
        raise InvalidFact("It carries pieces of trace that no record names.")
    in_order = sorted((page.device, page.first, page.last) for page in fresh)
    if any(a[0] == b[0] and b[1] <= a[2] for a, b in pairwise(in_order)):
        return records_once(records)
    return records


def _check_farm(session: Session, bundle: Bundle) -> None:
    farm = session.scalars(select(Farm)).first()
    if farm is not None and farm.id != bundle.manifest["farm"]["id"]:
        raise BundleRefused(other_farm(bundle.path.name, bundle.manifest["farm"]["name"], farm.name))


def _check_signatures(bundle: Bundle, fresh: list[BundlePage], trust: Trust) -> None:
    """Check every page by the key of the device it says it is from, whoever carries it."""
    places = {"name": bundle.path.name, "carrier": bundle.manifest["device"]["name"]}
    for page in fresh:
        keys = trust.keys_of(page.device)
        if not keys:
            raise Unpaired(
                "{name} was left where it is: {carrier} passes on records of a device ({device}) that is not paired. "
                "Nothing is lost: pair that one too, or {carrier} once more at the farm's office, and it is taken in.",
                card_in(bundle, trust),
                **places,
                device=page.device[:8],
            )
        if not any(holds(*page.key, page.signature, key) for key in keys):
            raise BundleRefused(
                "{name} was not merged: records {first} to {last} in it are not signed by the device they "
                "are said to be from ({device}). Ask who made it; {carrier} carried it.",
                **places,
                first=page.first,
                last=page.last,
                device=page.device[:8],
            )
