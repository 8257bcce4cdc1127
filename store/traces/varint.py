"""Zig-zag and varint of Protocol Buffers: whole numbers as bytes, small ones short.

0, -1, 1, -2, ... become 0, 1, 2, 3, ..., seven bits a byte, low bits first, the high bit set on
all but the last.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from store.errors import Refused

Array = NDArray[Any]


class InvalidEncoding(Refused):
    """Bytes that are no whole numbers, or no piece of trace; the sentence says why."""


def zigzag(values: Array) -> Array:
    """Return int64 mapped to uint64 so that small numbers of either sign stay small.

    Examples
    --------
    The table of the Protocol Buffers encoding guide:

    >>> zigzag(np.array([0, -1, 1, -2, 0x7FFFFFFF, -0x80000000])).tolist()
    [0, 1, 2, 3, 4294967294, 4294967295]
    """
    return ((values << 1) ^ (values >> 63)).astype(np.uint64)


def unzigzag(values: Array) -> Array:
    """Return the inverse of `zigzag`."""
    return ((values >> np.uint64(1)) ^ (~(values & np.uint64(1)) + np.uint64(1))).astype(np.int64)


def varints(values: Array) -> bytes:
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


def unpacked(data: bytes) -> Array:
    """Return the int64 whose `zigzag` as `varints` these bytes are.

    Raises InvalidEncoding if the last varint is cut off or one is longer than ten bytes.

    Examples
    --------
    >>> unpacked(varints(zigzag(np.array([-1, 75, 10**12])))).tolist()
    [-1, 75, 1000000000000]
    """
    raw = np.frombuffer(data, dtype=np.uint8)
    more = np.flatnonzero(raw > 0x7F)  # bytes behind which the number goes on
    # most are one byte; only the few others are put together
    small = raw[raw < 0x80]
    out = ((small >> 1) ^ -(small & 1)).view(np.int8).astype(np.int64)
    if not len(more):
        return out
    if more[-1] == len(raw) - 1:
        raise InvalidEncoding("Its last number is cut off.")
    place = np.arange(len(more))
    whose = more - place
    begins = np.ones(len(more), dtype=bool)
    np.not_equal(whose[1:], whose[:-1], out=begins[1:])
    first = np.flatnonzero(begins)
    size = np.append(first[1:], len(more)) - first
    if size.max() > 9:
        raise InvalidEncoding("A number in it is too long.")
    shift = 7 * (place - np.repeat(first, size)).astype(np.uint64)
    low = np.add.reduceat((raw[more] & 0x7F).astype(np.uint64) << shift, first)
    at = whose[first]
    out[at] = unzigzag(low | small[at].astype(np.uint64) << (7 * size).astype(np.uint64))
    return out
