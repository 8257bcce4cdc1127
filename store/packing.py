"""Traces as bytes and back: integer columns, second differences, zig-zag, zlib. Pure arrays.

Layout of a piece of trace (version 1)::

    2 bytes  "RT"
    1 byte   version, 1
    1 byte   which optional columns follow: 1 sigma, 2 quality, 4 missing
    varint   count of fixes, n
    zlib     n varints a column: time, latitude, longitude, then the optional ones

Columns: time in centiseconds since 1970 UTC, latitude and longitude in 1e-7 degree; sigma in
cm plus one (0 = unstated); quality plus one (0 = unstated); missing 1 where there is no
position (latitude and longitude then repeat the last one). The first three are differenced
twice, the others once, both modulo 2**64, starting from zeros. Zig-zag and varint are those
of the Protocol Buffers encoding: 0, -1, 1, -2, ... become 0, 1, 2, 3, ..., seven bits a byte,
low bits first, the high bit set on all but the last.
"""

import zlib
from dataclasses import dataclass

import numpy as np

from store.clock import INSTANT_LIMIT_S

MAGIC = b"RT\x01"
MAX_COUNT = 30_000  # fixes in one piece: 50 minutes at 10 Hz
SIGMA, QUALITY, MISSING = 1, 2, 4
_TURNS = (2, 2, 2, 1, 1, 1)
_CS, _E7, _CM = 100, 10_000_000, 100


class Undecodable(ValueError):
    """These bytes are no piece of trace."""


@dataclass(frozen=True)
class Trace:
    """Fixes in the order they came; all arrays have shape (n,).

    t: POSIX s UTC. lat, lon: degrees, NaN = no position. sigma: m, NaN = unstated.
    quality: int16, -1 = unstated, 0 = no fix, else as the receiver numbers it (NMEA GGA).
    """

    t: np.ndarray
    lat: np.ndarray
    lon: np.ndarray
    sigma: np.ndarray
    quality: np.ndarray

    def __len__(self):
        return len(self.t)


def make_trace(t=(), lat=(), lon=(), sigma=None, quality=None) -> Trace:
    """Return a `Trace` of array-likes, shape (n,); None columns are unstated throughout.

    Raises
    ------
    ValueError
        If lengths differ, a time is not finite, or a value is out of range.
    """
    t, lat, lon = (np.asarray(v, dtype=float) for v in (t, lat, lon))
    sigma = np.full(t.shape, np.nan) if sigma is None else np.asarray(sigma, dtype=float)
    quality = np.full(t.shape, -1) if quality is None else np.asarray(quality)
    trace = Trace(t, lat, lon, sigma, quality.astype(np.int16))
    _judge(trace)
    return trace


def _judge(trace: Trace) -> None:
    if any(v.shape != trace.t.shape or v.ndim != 1 for v in vars(trace).values()):
        raise ValueError("the columns of a trace must be equally long")
    if not np.all(np.abs(trace.t) < INSTANT_LIMIT_S):
        raise ValueError("a fix needs a finite time, POSIX seconds")
    if np.any(np.abs(trace.lat) > 90) or np.any(np.abs(trace.lon) > 180):
        raise ValueError("a latitude is beyond 90 or a longitude beyond 180 degrees")
    if np.any((trace.sigma < 0) | (trace.sigma > 1e6)) or np.any(trace.quality < -1):
        raise ValueError("a sigma lies outside 0..1e6 m or a quality below -1")


def zigzag(values: np.ndarray) -> np.ndarray:
    """Return int64 folded onto uint64 so that small numbers of either sign stay small.

    Examples
    --------
    The table of the Protocol Buffers encoding guide:

    >>> zigzag(np.array([0, -1, 1, -2, 0x7FFFFFFF, -0x80000000])).tolist()
    [0, 1, 2, 3, 4294967294, 4294967295]
    """
    return ((values << 1) ^ (values >> 63)).astype(np.uint64)


def unzigzag(values: np.ndarray) -> np.ndarray:
    """Return what `zigzag` folded."""
    return ((values >> np.uint64(1)) ^ (~(values & np.uint64(1)) + np.uint64(1))).astype(np.int64)


def varints(values: np.ndarray) -> bytes:
    """Return uint64 values, shape (n,), as base-128 varints.

    Examples
    --------
    150 is the example of the Protocol Buffers encoding guide:

    >>> varints(np.array([150, 1], dtype=np.uint64)).hex()
    '960101'
    """
    size = np.ones(len(values), dtype=np.intp)
    for k in range(1, 10):
        size += values >= np.uint64(1) << np.uint64(7 * k)
    start = np.cumsum(size) - size
    out = np.zeros(size.sum(), dtype=np.uint8)
    for k in range(size.max(initial=0)):
        has = size > k
        low = (values[has] >> np.uint64(7 * k)).astype(np.uint8) & 0x7F
        out[start[has] + k] = low | ((size[has] > k + 1) * np.uint8(0x80))
    return out.tobytes()


def unvarints(data: bytes) -> np.ndarray:
    """Return the uint64 values of base-128 varints.

    Raises
    ------
    Undecodable
        If the last varint is cut off or one is longer than ten bytes.
    """
    raw = np.frombuffer(data, dtype=np.uint8)
    if not len(raw):
        return np.zeros(0, dtype=np.uint64)
    ends = np.flatnonzero(raw < 0x80)
    if not len(ends) or ends[-1] != len(raw) - 1:
        raise Undecodable("the last number is cut off")
    size = np.diff(ends, prepend=-1)
    if size.max() > 10:
        raise Undecodable("a number is too long")
    start = ends - size + 1
    out = (raw[start] & 0x7F).astype(np.uint64)
    for k in range(1, size.max()):  # most numbers are one byte, so the rest are few
        longer = np.flatnonzero(size > k)
        out[longer] |= (raw[start[longer] + k] & 0x7F).astype(np.uint64) << np.uint64(7 * k)
    return out


def pack(trace: Trace) -> bytes:
    """Return a trace of at most `MAX_COUNT` fixes as bytes; exact to 1e-7 degree, 0.01 s, 1 cm."""
    if len(trace) > MAX_COUNT:
        raise ValueError(f"{len(trace)} fixes are too many for one piece of trace")
    lost = np.isnan(trace.lat) | np.isnan(trace.lon)
    # A lost fix repeats the last position: two big jumps would cost more than the column.
    last = np.maximum.accumulate(np.where(lost, 0, np.arange(len(trace))))
    lat, lon = (np.nan_to_num(v[last]) for v in (trace.lat, trace.lon))
    sigma = np.where(np.isnan(trace.sigma), 0, np.rint(trace.sigma * _CM) + 1)
    columns = [np.rint(trace.t * _CS), np.rint(lat * _E7), np.rint(lon * _E7)]
    optional = (sigma, trace.quality + 1, lost)
    flags = sum(1 << k for k, column in enumerate(optional) if np.any(column))
    columns += [column for column in optional if np.any(column)]
    turns = _TURNS[:3] + (1,) * (len(columns) - 3)
    body = b"".join(
        varints(zigzag(_difference(c.astype(np.int64), k)))
        for c, k in zip(columns, turns, strict=True)
    )
    # Z_FILTERED suits small numbers with noise: 8 % smaller than the default on 10 Hz traces.
    squeezer = zlib.compressobj(9, zlib.DEFLATED, 15, 9, zlib.Z_FILTERED)
    head = MAGIC + bytes([flags]) + varints(np.array([len(trace)], dtype=np.uint64))
    return head + squeezer.compress(body) + squeezer.flush()


def unpack(data: bytes) -> Trace:
    """Return the trace that `pack` made bytes of.

    Raises
    ------
    Undecodable
        If the bytes are cut, altered, of a newer version, or hold more than they say.
    """
    if data[:2] != MAGIC[:2] or len(data) < 5:
        raise Undecodable("it is no piece of trace")
    if data[2] != MAGIC[2] or data[3] > 7:
        raise Undecodable("it was packed by a newer program")
    end = next((i for i in range(4, min(len(data), 8)) if data[i] < 0x80), None)
    if end is None:
        raise Undecodable("its length is not readable")
    count = int(unvarints(data[4 : end + 1])[0])
    present = [k for k in range(3) if data[3] >> k & 1]
    if count > MAX_COUNT:
        raise Undecodable("it claims too many fixes")
    width = 3 + len(present)
    try:
        squeezed = zlib.decompressobj()
        body = squeezed.decompress(data[end + 1 :], 10 * width * count + 1)
        if not squeezed.eof or squeezed.unused_data:
            raise Undecodable("it is cut off or has something behind it")
    except zlib.error as error:
        raise Undecodable("its checksum does not match") from error
    numbers = unvarints(body)
    if len(numbers) != width * count:
        raise Undecodable("it does not hold as many fixes as it says")
    table = unzigzag(numbers).reshape(width, count)
    columns = [_sum(table[k], _TURNS[k]) for k in range(width)]
    optional = dict(zip(present, columns[3:], strict=True))
    nothing = np.zeros(count, dtype=np.int64)
    sigma = optional.get(0, nothing)
    lost = optional.get(2, nothing) != 0
    trace = Trace(
        columns[0] / _CS,
        np.where(lost, np.nan, columns[1] / _E7),
        np.where(lost, np.nan, columns[2] / _E7),
        np.where(sigma == 0, np.nan, (sigma - 1) / _CM),
        (optional.get(1, nothing) - 1).astype(np.int16),
    )
    try:
        _judge(trace)
    except ValueError as error:
        raise Undecodable(str(error)) from error
    return trace


def join(traces) -> Trace:
    """Return traces laid end to end; none give an empty one."""
    parts = [make_trace(), *traces]
    return Trace(*(np.concatenate([vars(p)[n] for p in parts]) for n in vars(parts[0])))


def cut(trace: Trace, first: int, last: int) -> Trace:
    """Return the fixes first..last-1 of a trace."""
    return Trace(*(v[first:last] for v in vars(trace).values()))


def _difference(column: np.ndarray, times: int) -> np.ndarray:
    for _ in range(times):
        column = np.diff(column, prepend=np.int64(0))
    return column


def _sum(column: np.ndarray, times: int) -> np.ndarray:
    for _ in range(times):
        column = np.cumsum(column)
    return column
