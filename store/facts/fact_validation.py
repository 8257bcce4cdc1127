"""Lines to facts, every column checked before anything is written.

Notes: A column at once: one by one the hundred thousand values of a season take longer than writing them.
"""

import hashlib
from collections.abc import Callable, Sequence
from operator import itemgetter
from typing import Any

from store.facts.fact_lines import InvalidFact, are_uuids, is_hash, is_uuid, parse_lines
from store.facts.hybrid_clock import check_stamps
from store.facts.record_id import all_may_have
from store.facts.reference_changes import BASE, all_fit, canonical, default_of, own_columns
from store.facts.timestamp import read_time
from store.limits import LARGEST_SEQ
from store.models import ENROLMENT_STATES, FACTS, REFERENCES, Change, Enrolment, Fact, Instant, Retirement, TraceChunk
from store.traces.trace_codec import lengths_of
from store.traces.varint import InvalidEncoding

PARTS = frozenset(("table", "columns", *BASE))
_PARTS_OF = itemgetter("id", "device", "seq", "stamp", "table", "columns")

Rows = dict[str, list[tuple[Any, ...]]]  # facts by table, in the order of its columns
Packed = Callable[[str], bytes | None]


def read_page(data: bytes, device: str, first: int, packed: Packed) -> Rows:
    """Return the facts on the lines of a page.

    `data`: lines, each with its line feed.
    `device`, `first`: the device they must be of, and the number of the first; the others follow it.
    `packed`: given the id of a piece of trace, returns its bytes, or None if there are none.

    Raises InvalidFact if anything in them is not as it must be.
    """
    records = parse_lines(data)
    if any(record.keys() != PARTS for record in records):
        raise InvalidFact("A line of it does not have the parts of a record.")
    ids, devices, seqs, stamps, tables, given = zip(*map(_PARTS_OF, records), strict=True)
    _check_base(device, first, ids, devices, seqs, stamps)
    if set(map(type, tables)) != {str} or not FACTS.keys() >= set(tables):
        raise InvalidFact("A record of it is of an unknown kind.")
    places: dict[str, list[int]] = {}
    for place, table in enumerate(tables):
        places.setdefault(table, []).append(place)
    rows: Rows = {}
    for table, which in places.items():
        base = [[column[place] for place in which] for column in (ids, devices, seqs, stamps)]
        columns = _columns(FACTS[table], [given[place] for place in which], base[0], packed)
        rows[table] = list(zip(*base, *columns, strict=True))
    return rows


def _check_base(device: str, first: int, ids: Sequence[Any], devices: Sequence[Any], seqs: Sequence[Any],
                stamps: Sequence[Any]) -> None:  # fmt: skip
    if not are_uuids(ids):
        raise InvalidFact("An id in it is no UUID.")
    if set(map(type, seqs)) != {int} or seqs != tuple(range(first, first + len(seqs))):
        raise InvalidFact("The numbers of its records do not follow one another.")
    if devices != (device,) * len(devices):
        raise InvalidFact("A page of it holds records of two devices.")
    if not all_may_have(device, ids):
        raise InvalidFact("A record of it has the id of another device's record.")
    try:
        check_stamps(stamps, device)
    except ValueError as error:
        raise InvalidFact("A stamp in it is not possible.") from error


def _columns(model: type[Fact], given: list[dict[str, Any]], ids: list[str], packed: Packed) -> list[list[Any]]:
    """Return the columns of one table's records beyond those every row has, checked."""
    name, own = model.__tablename__, own_columns(model)
    if set(map(type, given)) != {dict} or not own.keys() >= (named := set().union(*given)):
        raise InvalidFact("A {table} in it has columns that are not known here.", table=name)
    columns = {}
    for part, column in own.items():
        default = default_of(column)
        values = [record.get(part, default) for record in given] if part in named else [default] * len(given)
        if model is TraceChunk and part == "packed":
            values = [_bytes_of(packed(i), sha256) for i, sha256 in zip(ids, values, strict=True)]
        elif isinstance(column.type, Instant):
            values = _times(values)
        if not all_fit(column, values):
            raise InvalidFact("The {column} of a {table} in it does not fit.", column=part, table=name)
        columns[part] = list(canonical(column, values))
    if model in _CHECKS:
        _CHECKS[model](columns)
    return list(columns.values())


def _bytes_of(data: bytes | None, sha256: object) -> bytes | None:
    if data is not None and hashlib.sha256(data).hexdigest() != sha256:
        raise InvalidFact("A piece of trace in it is not the one its record names.")
    return data


def _times(texts: list[Any]) -> list[float | None]:
    try:
        return [None if text is None else read_time(text) for text in texts]
    except (TypeError, ValueError) as error:
        raise InvalidFact("A time in it is not an RFC 3339 time.") from error


def _check_changes(columns: dict[str, list[Any]]) -> None:
    given: dict[str, dict[str, list[Any]]] = {}
    for table, row_id, changed in zip(*columns.values(), strict=True):
        if table not in REFERENCES or not is_uuid(row_id):
            raise InvalidFact("A change in it names no row.")
        of_table = given.setdefault(table, {})
        for name, value in changed.items():
            of_table.setdefault(name, []).append(value)
    for table, lists in given.items():
        allowed = own_columns(REFERENCES[table])
        if not all(n in allowed and all_fit(allowed[n], values) for n, values in lists.items()):
            raise InvalidFact("A change of a {table} in it does not fit.", table=table)
    for table, changed in zip(columns["table"], columns["columns"], strict=True):
        for name, value in changed.items():
            (changed[name],) = canonical(own_columns(REFERENCES[table])[name], (value,))


def _check_chunks(columns: dict[str, list[Any]]) -> None:
    try:
        held = lengths_of(columns["packed"])
    except InvalidEncoding as error:
        raise InvalidFact("A piece of trace in it cannot be read. {reason}", reason=error.message) from error
    if held != columns["count"] or not all(0 <= n < LARGEST_SEQ for n in columns["n"]):
        raise InvalidFact("A piece of trace in it does not hold what its record says.")


def _check_enrolments(columns: dict[str, list[Any]]) -> None:
    sound = are_uuids(columns["subject"]) and all(map(is_hash, columns["public_key"]))
    if not sound or not all(state in ENROLMENT_STATES for state in columns["state"]):
        raise InvalidFact("An enrolment in it is not possible.")


def _check_retirements(columns: dict[str, list[Any]]) -> None:
    ends = zip(columns["first"], columns["last"], strict=True)
    if not are_uuids(columns["subject"]) or not all(
        first > 0 and (last is None or first <= last) for first, last in ends
    ):
        raise InvalidFact("A retirement in it is not possible.")


_CHECKS: dict[type[Fact], Callable[[dict[str, list[Any]]], None]] = {
    Change: _check_changes,
    TraceChunk: _check_chunks,
    Enrolment: _check_enrolments,
    Retirement: _check_retirements,
}
