"""Facts as lines of text and back; every line is judged before anything is done with it."""

import hashlib
import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

from sqlalchemy import Column

from store.changes import BASE, LARGEST_INT, default_of, fits, own_columns
from store.clock import CEILING_MS, DAY_MS, read_stamp
from store.models import FACTS, REFERENCES, Change, Enrolment, Fact, Instant, TraceChunk
from store.packing import Undecodable, unpack
from store.times import read_time, write_time

_UUID = re.compile(r"[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", re.ASCII)
_HEX = re.compile(r"[0-9a-f]{64}", re.ASCII)
LARGEST_SEQ = LARGEST_INT
PARTS = frozenset(("table", "columns", *BASE))
STATES = ("office", "tablet", "revoked")


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


def read_line(line: str, packed: Callable[[str], bytes | None]) -> Record:
    """Return the record on a line.

    Parameters
    ----------
    line : str
        One line, without its end.
    packed : callable
        Given the id of a piece of trace, returns its bytes, or None if there are none.

    Raises
    ------
    Unfit
        If anything in it is not as it must be.
    """
    said = read_json(line)
    if not isinstance(said, dict) or said.keys() != PARTS:
        raise Unfit("a line does not have the parts of a record")
    model = FACTS.get(said["table"]) if isinstance(said["table"], str) else None
    given = said["columns"]
    if model is None or not isinstance(given, dict):
        raise Unfit("a record is of an unknown kind")
    values = {name: said[name] for name in ("id", "device", "seq", "stamp")}
    _judge_base(values)
    if model is TraceChunk:
        given = {**given, "packed": _bytes_of(given, packed(values["id"]))}
    plan = _plan(model)
    if not given.keys() <= plan.keys():
        raise Unfit(f"a {said['table']} has columns that are not known here")
    for name, (column, is_instant, default) in plan.items():
        value = given.get(name, default)
        if is_instant and value is not None:
            value = _time(value)
        if not fits(column, value):
            raise Unfit(f"{name} of a {said['table']} does not fit")
        values[name] = value
    judge = _JUDGES.get(model)
    if judge:
        judge(values)
    return Record(said["table"], values)


@cache
def _plan(model: type[Fact]) -> dict[str, tuple[Column, bool, Any]]:
    return {
        n: (c, isinstance(c.type, Instant), default_of(c)) for n, c in own_columns(model).items()
    }


def _bytes_of(given: dict, data: bytes | None) -> bytes | None:
    if data is not None and hashlib.sha256(data).hexdigest() != given.get("packed"):
        raise Unfit("a piece of trace is not the one its record names")
    return data


def read_json(text: str | bytes):
    """Return JSON, refusing what a store could not hold: no NaN, no infinity, no half letters.

    Raises
    ------
    Unfit
        If it is no such JSON.
    """
    try:
        text = text if isinstance(text, str) else text.decode()
        found = _DECODER.decode(text)
        if "\\u" in text:  # may spell half a letter
            json.dumps(found, ensure_ascii=False).encode()
    except (ValueError, RecursionError) as error:
        raise Unfit("it holds text that is not JSON") from error
    return found


def _finite(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"not a finite number: {text[:40]}")
    return value


_DECODER = json.JSONDecoder(parse_float=_finite, parse_constant=_finite)


def _time(text) -> float:
    try:
        return read_time(text)
    except (TypeError, ValueError) as error:
        raise Unfit("a time in it is not an RFC 3339 time") from error


def is_uuid(value) -> bool:
    """Say whether a value is the text of a UUID as we write it."""
    return isinstance(value, str) and _UUID.fullmatch(value) is not None


def is_hash(value) -> bool:
    """Say whether a value is 32 bytes in small hex letters: a SHA-256 or a public key."""
    return isinstance(value, str) and _HEX.fullmatch(value) is not None


def is_seq(value) -> bool:
    """Say whether a value can be the number of a record."""
    return type(value) is int and 0 < value < LARGEST_SEQ


def _judge_base(values: dict) -> None:
    if not is_uuid(values["id"]) or not is_uuid(values["device"]):
        raise Unfit("an id in it is no UUID")
    if not is_seq(values["seq"]):
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


def _judge_enrolment(values: dict) -> None:
    known = is_uuid(values["subject"]) and is_hash(values["public_key"])
    if not known or values["state"] not in STATES:
        raise Unfit("an enrolment in it is not possible")


_JUDGES = {Change: _judge_change, TraceChunk: _judge_chunk, Enrolment: _judge_enrolment}
