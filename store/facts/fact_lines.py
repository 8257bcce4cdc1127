"""Facts as lines of text, and text as JSON that a store can hold; `store.facts.fact_validation` reads them."""

import hashlib
import json
import re

import orjson

from store.facts.reference_changes import own_columns
from store.facts.timestamp import write_time
from store.limits import LARGEST_SEQ
from store.models import Fact, Instant

_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII)
_HEX = re.compile(r"[0-9a-f]{64}", re.ASCII)
_OPEN, _CLOSED = b"{}"


class InvalidFact(ValueError):
    """A line is not a record we can take; says why."""


def write_line(row: Fact) -> str:
    """Return a fact as one line of JSON; empty columns are left out.

    Of a piece of trace the line holds the SHA-256 in place of the bytes.
    """
    columns = {}
    for name, column in own_columns(type(row)).items():
        value = getattr(row, name)
        if value is None:
            continue
        if name == "packed":
            value = hashlib.sha256(value).hexdigest()
        columns[name] = write_time(value) if isinstance(column.type, Instant) else value
    said = {
        "table": row.__tablename__,
        "id": row.id,
        "device": row.device,
        "seq": row.seq,
        "stamp": row.stamp,
        "columns": columns,
    }
    return json.dumps(said, ensure_ascii=False, allow_nan=False)


def parse_lines(data: bytes) -> list[dict]:
    """Return the JSON objects on some whole lines, as strictly as `read_json`.

    Raises
    ------
    InvalidFact
        If a line is no such object, or more or less than one.
    """
    *lines, rest = data.split(b"\n")
    if rest or not lines:
        raise InvalidFact("its last record is cut off, or there is none")
    try:
        records = list(map(orjson.loads, lines))
    except orjson.JSONDecodeError as error:
        raise InvalidFact("it holds text that is not JSON, one record a line") from error
    if not all(line[0] == _OPEN and line[-1] == _CLOSED for line in lines):
        raise InvalidFact("it holds text that is not JSON, one record a line")
    return records


def read_json(data: bytes):
    """Return JSON, refusing what a store could not hold: no NaN, no infinity, no half letters.

    Raises
    ------
    InvalidFact
        If it is no such JSON.
    """
    try:
        return orjson.loads(data)
    except orjson.JSONDecodeError as error:
        raise InvalidFact("it holds text that is not JSON") from error


def is_uuid(value) -> bool:
    """Say whether a value is the text of a UUID as we write it."""
    return isinstance(value, str) and _UUID.fullmatch(value) is not None


def are_uuids(values: list) -> bool:
    """Say whether all values are: `is_uuid` for many."""
    return set(map(type, values)) <= {str} and all(map(_UUID.fullmatch, values))


def is_hash(value) -> bool:
    """Say whether a value is 32 bytes in small hex letters: a SHA-256 or a public key."""
    return isinstance(value, str) and _HEX.fullmatch(value) is not None


def is_seq(value) -> bool:
    """Say whether a value can be the number of a record."""
    return type(value) is int and 0 < value < LARGEST_SEQ
