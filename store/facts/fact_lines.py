"""Facts as lines of text, and strict JSON; `store.facts.fact_validation` reads the lines."""

import hashlib
import json
import re
from collections.abc import Sequence
from typing import Any

import orjson

from store.errors import Refused
from store.facts.reference_changes import own_columns
from store.facts.timestamp import write_time
from store.limits import LARGEST_SEQ
from store.models import Fact, Instant

_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII)
_HEX = re.compile(r"[0-9a-f]{64}", re.ASCII)
_OPEN, _CLOSED = b"{}"


class InvalidFact(Refused):
    """A record, page or bundle that is not as the format requires; the sentence says why."""


def write_line(row: Fact) -> str:
    """Return a fact as one line of JSON; empty columns are left out, bytes of a trace are their SHA-256."""
    columns = {}
    for name, column in own_columns(type(row)).items():
        value = getattr(row, name)
        if value is None:
            continue
        if name == "packed":
            value = hashlib.sha256(value).hexdigest()
        columns[name] = write_time(value) if isinstance(column.type, Instant) else value
    record = {
        "table": row.__tablename__,
        "id": row.id,
        "device": row.device,
        "seq": row.seq,
        "stamp": row.stamp,
        "columns": columns,
    }
    return json.dumps(record, ensure_ascii=False, allow_nan=False)


def parse_lines(data: bytes) -> list[dict[str, Any]]:
    """Return the JSON objects on whole lines, one a line, as strictly as `read_json`.

    Raises InvalidFact if a line is cut off, is no such object, or holds more than one.
    """
    *lines, rest = data.split(b"\n")
    if rest or not lines:
        raise InvalidFact("Its last record is cut off, or there is none.")
    try:
        records = list(map(orjson.loads, lines))
    except orjson.JSONDecodeError as error:
        raise InvalidFact("It holds text that is not JSON, one record a line.") from error
    if not all(line[0] == _OPEN and line[-1] == _CLOSED for line in lines):
        raise InvalidFact("It holds text that is not JSON, one record a line.")
    return records


def read_json(data: bytes) -> Any:
    """Return JSON that every store can hold: no NaN, no infinity, no half surrogate pair.

    Raises InvalidFact if it is no such JSON.
    """
    try:
        return orjson.loads(data)
    except orjson.JSONDecodeError as error:
        raise InvalidFact("It holds text that is not JSON.") from error


def are_uuids(values: Sequence[Any]) -> bool:
    """Return whether all values are texts of a UUID as we write it."""
    return set(map(type, values)) <= {str} and all(map(_UUID.fullmatch, values))


def is_uuid(value: object) -> bool:
    """Return whether a value is the text of a UUID as we write it."""
    return are_uuids((value,))


def is_hash(value: object) -> bool:
    """Return whether a value is 32 bytes in small hex letters: a SHA-256 or a public key."""
    return isinstance(value, str) and _HEX.fullmatch(value) is not None


def is_seq(value: object) -> bool:
    """Return whether a value can be the number of a record."""
    return type(value) is int and 0 < value < LARGEST_SEQ
