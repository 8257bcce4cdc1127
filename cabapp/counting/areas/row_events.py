"""Starts and ends on rows in order of place, a few rows at a time."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_array

from cabapp.geometry.arrays import Floats, Ints

UP, DOWN, EDGE, INNER, ONCE = range(5)
ROWS = 64  # put in order together: they stay in cache
BAND = 1 << 20  # events brought to their rows together: bounds the memory of a big job
LAST = np.iinfo(np.int32).max
FLIP = np.array([0, 0, 1, 2, 4, 0, 0, 0], np.uint8)


@dataclass
class RowBatch:
    """Some rows with w events each, in order of place; a shorter row is filled up at its end.

    Attributes
    ----------
    k : ndarray of int64, shape (r,)
        Row.
    place : ndarray of int32, shape (r, w)
        Of each event, steps.
    width : ndarray of int32, shape (r, w)
        Steps from each event to the next; 0 where there is none.
    count : ndarray of int64, shape (r, w)
        Passes between each event and the next.
    flips : ndarray of uint8, shape (r, w)
        1 in the field + 2 not in its edge strip + 4 where once is enough.
    """

    k: Ints
    place: NDArray[np.int32]
    width: NDArray[np.int32]
    count: Ints
    flips: NDArray[np.uint8]


class RowEvents:
    """Gathers events on rows.

    Parameters
    ----------
    low, high : float
        All events lie between, m.

    Notes
    -----
    An event is one 32-bit whole number, place and kind, in steps of 15 micrometres on 4 km: half
    the memory of a float, and what is equal sorts by kind.
    """

    def __init__(self, low: float, high: float) -> None:
        self.low = low
        self.fine = 2.0 ** np.floor(27 - np.log2(high - low + 1))
        self._parts: list[tuple[NDArray[np.int32], NDArray[np.int32]]] = []

    def add(self, k: Ints, x: Floats, kind: int | NDArray[np.int8]) -> None:
        """Add events at rows k and places x (m), of one kind or an array of kinds."""
        if len(k):
            place = (x * self.fine + (0.5 - self.low * self.fine)).astype(np.int32)
            self._parts.append((k.astype(np.int32), place << 3 | kind))

    def batches(self, field: bool) -> Iterator[RowBatch]:
        """Yield all rows that have events, ascending; `flips` is all 0 unless there is a field."""
        if not self._parts:
            return
        bottom = min(int(k.min()) for k, _ in self._parts)
        top = max(int(k.max()) for k, _ in self._parts) + 1
        total = sum(len(k) for k, _ in self._parts)
        edges = np.linspace(bottom, top, -(-total // BAND) + 1).astype(int).tolist()
        for start, stop in itertools.pairwise(edges):
            if len(edges) == 2:
                some = self._parts
            else:
                chosen = ((k, key, (k >= start) & (k < stop)) for k, key in self._parts)
                some = [(k[in_], key[in_]) for k, key, in_ in chosen]
            k = np.concatenate([k for k, _ in some])
            k -= start
            key = np.concatenate([key for _, key in some])
            # from columns to rows a sparse matrix is brought by a counting sort in C
            ends = np.array([0, len(k)], np.int32)
            table = csc_array((key, k, ends), shape=(stop - start, 1)).tocsr()
            for a in range(0, stop - start, ROWS):
                ends = table.indptr[a : a + ROWS + 1]
                number = np.diff(ends)
                if number.any():
                    keys = table.data[ends[0] : ends[-1]]
                    yield self._batch(np.arange(len(number)) + a + start, keys, number, field)

    def _batch(self, k: Ints, keys: NDArray[np.int32], number: Ints, field: bool) -> RowBatch:
        # short rows side by side sort many times faster than one long array
        there = np.arange(number.max()) < number[:, None]
        if there.all():
            key = keys.reshape(there.shape)
        else:
            key = np.full(there.shape, LAST, np.int32)
            key[there] = keys
        key.sort(axis=1)
        kind = (key & 7).astype(np.uint8)
        place = key >> 3
        width = np.zeros(place.shape, np.int32)
        np.subtract(place[:, 1:], place[:, :-1], out=width[:, :-1])
        width[:, :-1] *= there[:, 1:]
        # what starts on a row ends on it: one running sum goes through all rows, each from 0
        steps = (kind == UP).view(np.int8) - (kind == DOWN).view(np.int8)
        count = np.cumsum(steps.ravel(), dtype=np.int64).reshape(place.shape)
        # at a corner an end may be rounded to one step before its start
        np.maximum(count, 0, out=count)
        flips = np.zeros(place.shape, np.uint8)
        if field:
            flips = np.bitwise_xor.accumulate(FLIP[kind].ravel()).reshape(place.shape)
        return RowBatch(k, place, width, count, flips)

    def metres(self, place: NDArray[np.int32]) -> Floats:
        """Return places on a row, m, from steps."""
        return np.asarray(place / self.fine + self.low)
