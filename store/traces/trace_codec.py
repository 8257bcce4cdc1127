"""Packs traces into bytes: integer columns, second differences, zig-zag, zlib. Pure arrays.

Layout of a piece of trace::

    2 bytes  "RT"
    1 byte   version: 2 with an HDOP, else 1
    1 byte   which optional columns follow: 1 sigma, 2 quality, 4 missing, 8 HDOP
    varint   count of fixes, n
    zlib     n varints a column: time, latitude, longitude, then the optional ones

Columns: time in centiseconds since 1970 UTC, latitude and longitude in 1e-7 degree; sigma in
cm plus one (0 = unstated); quality plus one (0 = unstated); missing 1 where there is no
position (latitude and longitude then repeat the last one); HDOP in hundredths plus one
(0 = unstated). The first three are differenced
twice, the others once, both modulo 2**64, starting from zeros. Zig-zag and varint are those
of `store.traces.varint`.
"""

import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from store.limits import INSTANT_LIMIT_S
from store.traces.varint import Array, InvalidEncoding, unpacked, varints, zigzag

MAGIC = b"RT"
MAX_COUNT = 30_000  # fixes in one piece: 50 minutes at 10 Hz
HDOP_LIMIT = 99.99
"""More than this, which many receivers send for "not known", is kept as this."""
_TURNS = (2, 2, 2, 1, 1, 1, 1)
_CS, _E7, _CM, _HDOP = 100, 10_000_000, 100, 100
_T, _ANY = int(INSTANT_LIMIT_S) * _CS - 1, 2**63 - 1
_PRESENT = [(0, 1, 2, *(k for k in (3, 4, 5, 6) if flags >> (k - 3) & 1)) for flags in range(16)]
_AT_ONCE = 50_000  # fixes checked together: a few MB
_WITHIN = np.array(  # the least and the most in each column, as packed
    [
        [-_T, -90 * _E7, -180 * _E7, 0, 0, -_ANY, 0],
        [_T, 90 * _E7, 180 * _E7, 10**6 * _CM + 1, 2**15, _ANY, round(HDOP_LIMIT * _HDOP) + 1],
    ]
)


@dataclass(frozen=True)
class Trace:
    """Fixes in the order they came; all arrays have shape (n,).

    t: POSIX s UTC. lat, lon: degrees, NaN = no position. sigma: m, NaN = unstated.
    quality: int16, -1 = unstated, 0 = no fix, else the number of NMEA GGA. hdop: NaN = unstated.
    """

    t: Array
    lat: Array
    lon: Array
    sigma: Array
    quality: Array
    hdop: Array

    def __len__(self) -> int:
        return len(self.t)


def make_trace(
    t: Any = (), lat: Any = (), lon: Any = (), sigma: Any = None, quality: Any = None, hdop: Any = None
) -> Trace:
    """Return a `Trace` of array-likes, shape (n,); None columns are unstated throughout.

    Raises ValueError if lengths differ, a time is not finite, or a value is out of range.
    """
    t, lat, lon = (np.asarray(v, dtype=float) for v in (t, lat, lon))
    sigma = np.full(t.shape, np.nan) if sigma is None else np.asarray(sigma, dtype=float)
    quality = np.full(t.shape, -1) if quality is None else np.asarray(quality)
    hdop = np.full(t.shape, np.nan) if hdop is None else np.minimum(np.asarray(hdop, dtype=float), HDOP_LIMIT)
    trace = Trace(t, lat, lon, sigma, quality.astype(np.int16), hdop)
    _check(trace)
    return trace


def _check(trace: Trace) -> None:
    if any(v.shape != trace.t.shape or v.ndim != 1 for v in vars(trace).values()):
        raise ValueError("the columns of a trace must be equally long")
    if not np.all(np.abs(trace.t) < INSTANT_LIMIT_S):
        raise ValueError("a fix needs a finite time, POSIX seconds")
    if np.any(np.abs(trace.lat) > 90) or np.any(np.abs(trace.lon) > 180):
        raise ValueError("a latitude is beyond 90 or a longitude beyond 180 degrees")
    if np.any((trace.sigma < 0) | (trace.sigma > 1e6)) or np.any(trace.quality < -1):
        raise ValueError("a sigma lies outside 0..1e6 m or a quality below -1")
    if np.any(trace.hdop < 0):
        raise ValueError("an HDOP lies below 0")


def pack(trace: Trace) -> bytes:
    """Return a trace of at most `MAX_COUNT` fixes as bytes; exact to 1e-7 degree, 0.01 s, 1 cm, HDOP 0.01."""
    if len(trace) > MAX_COUNT:
        raise ValueError(f"{len(trace)} fixes are too many for one piece of trace")
    lost = np.isnan(trace.lat) | np.isnan(trace.lon)
    # A lost fix repeats the last position: two big jumps would cost more than the column.
    last = np.maximum.accumulate(np.where(lost, 0, np.arange(len(trace))))
    lat, lon = (np.nan_to_num(v[last]) for v in (trace.lat, trace.lon))
    sigma = np.where(np.isnan(trace.sigma), 0, np.rint(trace.sigma * _CM) + 1)
    columns = [np.rint(trace.t * _CS), np.rint(lat * _E7), np.rint(lon * _E7)]
    hdop = np.where(np.isnan(trace.hdop), 0, np.rint(trace.hdop * _HDOP) + 1)
    optional = (sigma, trace.quality + 1, lost, hdop)
    flags = sum(1 << k for k, column in enumerate(optional) if np.any(column))
    columns += [column for column in optional if np.any(column)]
    turns = _TURNS[:3] + (1,) * (len(columns) - 3)
    body = b"".join(varints(zigzag(_difference(c.astype(np.int64), k))) for c, k in zip(columns, turns, strict=True))
    # Z_FILTERED suits small numbers with noise: 8 % smaller than the default on 10 Hz traces.
    compressor = zlib.compressobj(9, zlib.DEFLATED, 15, 9, zlib.Z_FILTERED)
    head = MAGIC + bytes([2 if flags & 8 else 1, flags]) + varints(np.array([len(trace)], dtype=np.uint64))
    return head + compressor.compress(body) + compressor.flush()


def lengths_of(pieces: Iterable[bytes]) -> list[int]:
    """Return how many fixes each piece of trace holds, all of each checked.

    Raises InvalidEncoding if `unpack` would refuse one of them.
    """
    heads = [_head_of(data) for data in pieces]
    alike: dict[tuple[int, tuple[int, ...]], list[bytes]] = {}
    for count, present, body in heads:
        alike.setdefault((count, present), []).append(body)
    for (count, present), some in alike.items():
        step = 1 + _AT_ONCE // (1 + count)
        for i in range(0, len(some), step):
            _tables(count, present, some[i : i + step])
    return [count for count, _present, _body in heads]


def unpack(data: bytes) -> Trace:
    """Return the trace of which `pack` made these bytes.

    Raises InvalidEncoding if the bytes are cut, altered, of a newer version, or hold more than they say.
    """
    count, present, body = _head_of(data)
    (table,) = _tables(count, present, [body])
    columns: dict[int, Array] = dict(zip(present, table, strict=True))
    t, lat, lon = columns[0], columns[1] / _E7, columns[2] / _E7
    sigma, quality, missing, hdop = (columns.get(k) for k in (3, 4, 5, 6))
    if missing is not None:
        lat[missing != 0] = lon[missing != 0] = np.nan
    size, dilution = (
        np.full(len(t), np.nan) if column is None else np.where(column == 0, np.nan, (column - 1) / unit)
        for column, unit in ((sigma, _CM), (hdop, _HDOP))
    )
    kind = np.full(len(t), -1, np.int16) if quality is None else (quality - 1).astype(np.int16)
    return Trace(t / _CS, lat, lon, size, kind, dilution)


def _head_of(data: bytes) -> tuple[int, tuple[int, ...], bytes]:
    """Return how many fixes a piece says it holds, which of the seven columns, and these compressed."""
    if data[:2] != MAGIC or len(data) < 5:
        raise InvalidEncoding("It is no piece of trace.")
    if data[2] not in (1, 2) or data[3] >= 8 * data[2]:
        raise InvalidEncoding("It was packed by a newer program.")
    count, end = 0, 4
    while end < len(data) and end < 7:
        count |= (data[end] & 0x7F) << 7 * (end - 4)
        end += 1
        if data[end - 1] < 0x80:
            break
    else:
        raise InvalidEncoding("Its length is not readable.")
    if count > MAX_COUNT:
        raise InvalidEncoding("It claims too many fixes.")
    return count, _PRESENT[data[3]], data[end:]


def _tables(count: int, present: tuple[int, ...], pieces: list[bytes]) -> Array:
    """Return the checked whole numbers of pieces with equal heads, shape (pieces, columns, count)."""
    each = len(present) * count
    body = b"".join(_body(data, each) for data in pieces)
    table = unpacked(body).reshape(len(pieces), len(present), count)
    np.cumsum(table, axis=2, out=table)
    np.cumsum(table[:, :3], axis=2, out=table[:, :3])
    least, most = _WITHIN[:, present]
    if count and ((table.min(axis=2) < least).any() or (table.max(axis=2) > most).any()):
        raise InvalidEncoding("A number in it is out of range.")
    return table


def _body(data: bytes, numbers: int) -> bytes:
    """Return so many varints decompressed, no more and no fewer."""
    try:
        stream = zlib.decompressobj()
        body = stream.decompress(data, 10 * numbers + 1)
    except zlib.error as error:
        raise InvalidEncoding("Its checksum does not match.") from error
    if not stream.eof or stream.unused_data:
        raise InvalidEncoding("It is cut off or has something behind it.")
    if body and body[-1] > 0x7F:
        raise InvalidEncoding("Its last number is cut off.")
    if np.count_nonzero(np.frombuffer(body, dtype=np.int8) >= 0) != numbers:
        raise InvalidEncoding("It does not hold as many fixes as it says.")
    return body


def join(traces: Iterable[Trace]) -> Trace:
    """Return traces laid end to end; none give an empty one."""
    parts = [make_trace(), *traces]
    return Trace(*(np.concatenate([vars(p)[n] for p in parts]) for n in vars(parts[0])))


def cut(trace: Trace, first: int, last: int) -> Trace:
    """Return the fixes first..last-1 of a trace."""
    return Trace(*(v[first:last] for v in vars(trace).values()))


def _difference(column: Array, times: int) -> Array:
    for _ in range(times):
        column = np.diff(column, prepend=np.int64(0))
    return column
