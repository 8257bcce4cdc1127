"""Lines back to facts: judged column by column before anything is done with them.

A column at once, because a season's bundle brings a hundred thousand values: to ask each for
its kind takes longer than to write it.
"""

import hashlib
from collections.abc import Callable
from operator import itemgetter

from store.facts.fact_lines import InvalidFact, are_uuids, is_hash, is_uuid, parse_lines
from store.facts.hybrid_clock import judge_stamps
from store.facts.reference_changes import BASE, all_fit, default_of, own_columns
from store.facts.timestamp import read_time
from store.limits import LARGEST_SEQ
from store.models import FACTS, REFERENCES, Change, Enrolment, Fact, Instant, TraceChunk
from store.traces.trace_codec import lengths_of
from store.traces.varint import InvalidEncoding

PARTS = frozenset(("table", "columns", *BASE))
_PARTS_OF = itemgetter("id", "device", "seq", "stamp", "table", "columns")
STATES = ("office", "tablet", "revoked")


def read_page(data: bytes, device: str, first: int, packed: Callable[[str], bytes | None]) -> dict[str, list[tuple]]:
    """Return the facts on the lines of a page, by table, as rows in the order of its columns.

    Parameters
    ----------
    data : bytes
        Lines, each with its end.
    device, first : str, int
        Whose facts they must be, and from which number on, without holes.
    packed : callable
        Given the id of a piece of trace, returns its bytes, or None if there are none.

    Raises
    ------
    InvalidFact
        If anything in them is not as it must be.
    """
    said = parse_lines(data)
    if any(record.keys() != PARTS for record in said):
        raise InvalidFact("a line does not have the parts of a record")
    ids, devices, seqs, stamps, tables, given = zip(*map(_PARTS_OF, said), strict=True)
    _judge_base(device, first, ids, devices, seqs, stamps)
    if set(map(type, tables)) != {str} or not FACTS.keys() >= set(tables):
        raise InvalidFact("a record is of an unknown kind")
    places: dict[str, list[int]] = {}
    for place, table in enumerate(tables):
        places.setdefault(table, []).append(place)
    rows = {}
    for table, which in places.items():
        whose = [[column[place] for place in which] for column in (ids, devices, seqs, stamps)]
        said_of = [given[place] for place in which]
        rows[table] = list(zip(*whose, *_columns(FACTS[table], said_of, whose[0], packed)))
    return rows


def _judge_base(device: str, first: int, ids, devices, seqs, stamps) -> None:
    if not are_uuids(ids):
        raise InvalidFact("an id in it is no UUID")
    if set(map(type, seqs)) != {int} or seqs != tuple(range(first, first + len(seqs))):
        raise InvalidFact("its numbers do not follow one another")
    if devices != (device,) * len(devices):
        raise InvalidFact("a page of it holds records of two devices")
    try:
        judge_stamps(stamps, device)
    except ValueError as error:
        raise InvalidFact("a stamp in it is not possible") from error


def _columns(model: type[Fact], given: list[dict], ids: list[str], packed) -> list[list]:
    """Return the columns of one table's records beyond those every row has, judged."""
    name = model.__tablename__
    own = own_columns(model)
    if set(map(type, given)) != {dict} or not own.keys() >= (said_of := set().union(*given)):
        raise InvalidFact(f"a {name} has columns that are not known here")
    columns = {}
    for part, column in own.items():
        default = default_of(column)
        values = [said.get(part, default) for said in given] if part in said_of else [default] * len(given)
        if model is TraceChunk and part == "packed":
            values = [_bytes_of(packed(i), said) for i, said in zip(ids, values, strict=True)]
        elif isinstance(column.type, Instant):
            values = _times(values)
        if not all_fit(column, values):
            raise InvalidFact(f"{part} of a {name} does not fit")
        columns[part] = values
    if model in _JUDGES:
        _JUDGES[model](columns)
    return list(columns.values())


def _bytes_of(data: bytes | None, said: str | None) -> bytes | None:
    if data is not None and hashlib.sha256(data).hexdigest() != said:
        raise InvalidFact("a piece of trace is not the one its record names")
    return data


def _times(texts: list) -> list:
    try:
        return [None if text is None else read_time(text) for text in texts]
    except (TypeError, ValueError) as error:
        raise InvalidFact("a time in it is not an RFC 3339 time") from error


def _judge_changes(columns: dict[str, list]) -> None:
    told: dict[str, dict[str, list]] = {}
    for table, row_id, said in zip(*columns.values(), strict=True):
        if table not in REFERENCES or not is_uuid(row_id):
            raise InvalidFact("a change names no row")
        of_table = told.setdefault(table, {})
        for name, value in said.items():
            of_table.setdefault(name, []).append(value)
    for table, said in told.items():
        allowed = own_columns(REFERENCES[table])
        if not all(n in allowed and all_fit(allowed[n], values) for n, values in said.items()):
            raise InvalidFact(f"a change of a {table} does not fit")


def _judge_chunks(columns: dict[str, list]) -> None:
    if not all(0 <= n < LARGEST_SEQ for n in columns["n"]):
        raise InvalidFact("a piece of trace does not hold what its record says")
    try:
        held = lengths_of(columns["packed"])
    except InvalidEncoding as error:
        raise InvalidFact(f"a piece of trace cannot be read: {error}") from error
    if held != columns["count"]:
        raise InvalidFact("a piece of trace does not hold what its record says")


def _judge_enrolments(columns: dict[str, list]) -> None:
    sound = are_uuids(columns["subject"]) and all(map(is_hash, columns["public_key"]))
    if not sound or not all(state in STATES for state in columns["state"]):
        raise InvalidFact("an enrolment in it is not possible")


_JUDGES = {Change: _judge_changes, TraceChunk: _judge_chunks, Enrolment: _judge_enrolments}
