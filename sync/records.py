"""Facts as lines of text and back; every line is judged before anything is done with it."""

import json
import math
import re
from dataclasses import dataclass
from typing import Any

from store.changes import BASE, fits, own_columns
from store.clock import CEILING_MS, DAY_MS, read_stamp
from store.models import FACTS, REFERENCES, Change, Fact, Instant, TraceChunk
from store.packing import Undecodable, unpack
from sync.times import read_time, write_time

_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII)
LARGEST_SEQ = 2**53


class Unfit(ValueError):
    """A line is not a record we can take; says why."""


@dataclass(frozen=True)
class Record:
    """One fact as it travels: its table and all its columns, as they stand in the store."""

    table: str
    values: dict[str, Any]

    @property
    def key(self) -> tuple[str, int]:
        return self.values["device"], self.values["seq"]


def member_of(row_id: str) -> str:
    """Return the name of the member that carries a piece of trace."""
    return f"traces/{row_id}.bin"


def write_line(row: Fact) -> str:
    """Return a fact as one line of JSON; empty columns are left out, trace bytes are not in it."""
    columns = {}
    for name, column in own_columns(type(row)).items():
        value = getattr(row, name)
        if value is None or name == "packed":
            continue
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


def read_line(line: str, traces: dict[str, bytes]) -> Record:
    """Return the record on a line, taking trace bytes out of `traces`.

    Raises
    ------
    Unfit
        If anything in it is not as it must be.
    """
    said = read_json(line)
    if not isinstance(said, dict) or set(said) != {"table", "columns", *BASE}:
        raise Unfit("a line does not have the parts of a record")
    model = FACTS.get(said["table"]) if isinstance(said["table"], str) else None
    if model is None or not isinstance(said["columns"], dict):
        raise Unfit("a record is of an unknown kind")
    values = {name: said[name] for name in ("id", "device", "seq", "stamp")}
    _judge_base(values)
    allowed = own_columns(model)
    given = dict(said["columns"])
    if model is TraceChunk:
        given["packed"] = traces.pop(member_of(values["id"]), None)
    if not set(given) <= set(allowed):
        raise Unfit(f"a {said['table']} has columns that are not known here")
    for name, column in allowed.items():
        value = given.get(name)
        if isinstance(column.type, Instant) and value is not None:
            value = _time(value)
        if not fits(column, value):
            raise Unfit(f"{name} of a {said['table']} does not fit")
        values[name] = value
    if model is Change:
        _judge_change(values)
    if model is TraceChunk:
        _judge_chunk(values)
    return Record(said["table"], values)


def read_json(text: str | bytes):
    """Return JSON, refusing what a store could not hold: no NaN, no infinity, no half letters.

    Raises
    ------
    Unfit
        If it is no such JSON.
    """
    try:
        found = json.loads(text, parse_float=_finite, parse_constant=_finite)
        json.dumps(found, ensure_ascii=False).encode()
    except (ValueError, RecursionError) as error:
        raise Unfit("it holds text that is not JSON") from error
    return found


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"not a finite number: {text[:40]}")
    return value


def _time(text) -> float:
    try:
        return read_time(text)
    except (TypeError, ValueError) as error:
        raise Unfit("a time in it is not an RFC 3339 time") from error


def is_uuid(value) -> bool:
    """Say whether a value is the text of a UUID as we write it."""
    return isinstance(value, str) and _UUID.fullmatch(value) is not None


def _judge_base(values: dict) -> None:
    if not is_uuid(values["id"]) or not is_uuid(values["device"]):
        raise Unfit("an id in it is no UUID")
    seq = values["seq"]
    if not isinstance(seq, int) or isinstance(seq, bool) or not 0 < seq < LARGEST_SEQ:
        raise Unfit("a sequence number in it is not possible")
    try:
        ms, _count, letters = read_stamp(values["stamp"])
    except (TypeError, ValueError) as error:
        raise Unfit("a stamp in it cannot be read") from error
    if letters != values["device"][:8] or ms > CEILING_MS + DAY_MS:
        raise Unfit("a stamp in it is not possible")


def _judge_change(values: dict) -> None:
    model = REFERENCES.get(values["table"])
    if model is None or not is_uuid(values["row_id"]):
        raise Unfit("a change names no row")
    allowed = own_columns(model)
    if not all(n in allowed and fits(allowed[n], v) for n, v in values["columns"].items()):
        raise Unfit(f"a change of a {values['table']} does not fit")


def _judge_chunk(values: dict) -> None:
    try:
        trace = unpack(values["packed"])
    except Undecodable as error:
        raise Unfit(f"a piece of trace cannot be read: {error}") from error
    if len(trace) != values["count"] or not 0 <= values["n"] < LARGEST_SEQ:
        raise Unfit("a piece of trace does not hold what its record says")
