"""Starts and ends on rows laid across the work, in order of place, a few rows at a time."""

import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cabapp.counting.areas.work_direction import frame_angle
from cabapp.counting.visits.row_sampling import (
    DOWN,
    EDGE,
    INNER,
    KIND_BITS,
    ONCE,
    PLACE_BITS,
    ROW_BITS,
    STEP,
    UNSEEN,
    UP,
    RowSample,
)  # fmt: skip
from cabapp.counting.visits.visit_rule import crossings, valid_visits
from cabapp.geometry.arrays import Bools, Ints
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.polygon_rows import first_row_above, odd_outline_rows, outline_rows
from cabapp.track.swept_ground import TICK, SweptPieces

EVENTS = 1 << 15
"""Looked at together: few enough to stay in cache."""
MOST = 1 << 19
"""About so many are gathered together: bounds the memory of a big job."""
FAR = 1 << (62 - ROW_BITS)
FLIP = np.array([0, 0, 1, 2, 4, 8, 0, 0], np.uint8)


@dataclass
class RowBatch:
    """What follows each of n events on some rows, in order of place.

    Attributes
    ----------
    rung : ndarray of int64, shape (n,)
    place : ndarray of int64, shape (n,)
        Steps along the row.
    width : ndarray of int64, shape (n,)
        Steps to the next event; without meaning after the last of a row, where no ground lies.
    count : ndarray of int64, shape (n,)
        Passes from the event to the next.
    flips : ndarray of uint8, shape (n,)
        1 in the field + 2 not in its edge strip + 4 where once is enough + 8 where the tool can have been unseen;
        all 0 without a field.
    """

    rung: Ints
    place: Ints
    width: Ints
    count: Ints
    flips: NDArray[np.uint8]


class RowsAcross:
    """All events on rows laid across the work.

    Parameters are those of `count_rows`; unless `every` row is wanted, one stands for several where
    the work runs straight on.

    Attributes
    ----------
    angle : float
        What the frame is turned by, rad.
    sample : RowSample
        The rows kept.
    """

    def __init__(
        self,
        stints: Sequence[SweptPieces],
        field: FieldGround | None,
        row: float,
        edge: float,
        seedings: Sequence[SweptPieces],
        every: bool = True,
    ) -> None:
        stints = [one for one in stints if len(one)]
        self.angle = angle = frame_angle(stints)
        self._field = field is not None
        self._sown = [one for one in seedings if len(one)]
        void = [any(sown.t[-1] >= one.t[0] for sown in self._sown) for one in stints]
        self._whole = [crossings(one, angle) for one, some in zip(stints, void) if not some]
        self._void = [one for one, some in zip(stints, void) if some]
        far = [float(max(one.quad.max(), -one.quad.min())) for one in stints]
        outlines = []
        if field is not None:
            far.append(float(np.abs(field.polygon.bounds).max()))
            here = field.turned(angle)
            inner = here.without_edge(edge) if edge else here.polygon
            outlines = [(here.polygon, EDGE), (inner, INNER), (here.once, ONCE), (here.unseen, UNSEEN)]
            outlines = [(polygon, kind) for polygon, kind in outlines if polygon is not None]
        # a corner turned lies within sqrt 2 times as far
        reach = 100 + 1.5 * max(far, default=0.0)
        busy: tuple[int, Bools | None] = 0, None
        if not every and not self._void:
            odd = [first_row_above(one.odd, row) for one in self._whole]
            odd += [np.stack(odd_outline_rows(polygon, row)) for polygon, _ in outlines]
            busy = _busy(np.concatenate([np.zeros((2, 0), np.int64), *odd], axis=1))
        self.sample = RowSample(row, reach, *busy)
        self._outlines = np.zeros(0, np.int64)
        for polygon, kind in outlines:
            k, x = outline_rows(polygon, row)
            kept, rung = self.sample.find(k)
            self._outlines = np.append(self._outlines, self.sample.keys(rung, x[kept], kind))
        # both ends of the tool meet a row every so many metres; bands of rows with equally long paths
        metres = sum(int((one.s1 - one.s0).sum()) for one in stints) * TICK
        bands = int(2 * metres / row / MOST / (1 if every else STEP)) + 1
        cuts = np.zeros(0, np.int64)
        if bands > 1:
            some = np.concatenate([one.quad[::64, 0] for one in stints])
            north = some @ (np.sin(angle), np.cos(angle))
            cuts = self.sample.above(np.quantile(north, np.arange(1, bands) / bands))
        self._cuts = [-FAR, *cuts.tolist(), FAR]

    def batches(self) -> Iterator[RowBatch]:
        """Yield all rows that have events, ascending."""
        for low, high in itertools.pairwise(self._cuts):
            rungs = (low, high) if len(self._cuts) > 2 else None
            outlines = self._outlines >> ROW_BITS
            parts = [self._outlines[(outlines >= low) & (outlines < high)]]
            for one in self._whole:
                parts += one.on(self.sample, rungs)
            for pieces in self._void:
                k, x0, x1, _ = valid_visits(pieces, self._sown, self.sample.row, self.angle)
                here = (k >= low) & (k < high)
                parts += [self.sample.keys(k[here], x[here], kind) for x, kind in ((x0, UP), (x1, DOWN))]
            keys = np.concatenate(parts)
            del parts
            yield from _batches(keys, self._field)


def _busy(rows: Ints) -> tuple[int, Bools]:
    """Return the lowest row of any of some ranges of rows, (2, n), and which from there up are in one."""
    if rows.size == 0:
        return 0, np.zeros(0, bool)
    bottom = int(rows[0].min())
    first, last = rows - bottom
    size = int(last.max()) + 2
    return bottom, np.cumsum(np.bincount(first, minlength=size) - np.bincount(last + 1, minlength=size)) > 0


def _batches(keys: Ints, field: bool) -> Iterator[RowBatch]:
    """Yield rows of events, ascending; `keys` come in any order."""
    keys.sort()
    start = 0
    while start < len(keys):
        after = keys[min(start + EVENTS, len(keys)) - 1] >> ROW_BITS
        stop = int(np.searchsorted(keys, (after + 1) << ROW_BITS))
        key = keys[start:stop]
        start = stop
        place = key >> KIND_BITS
        width = np.zeros(len(key), np.int64)
        np.subtract(place[1:], place[:-1], out=width[:-1])
        place &= (1 << PLACE_BITS) - 1
        if field:
            kind = key & ((1 << KIND_BITS) - 1)
            # what starts on a row ends on it: one running sum goes through all rows, each from 0
            count = np.cumsum((kind < DOWN).astype(np.int64) - (kind == DOWN))
            flips = np.bitwise_xor.accumulate(FLIP[kind])
        else:
            count = key & DOWN
            count *= -2
            count += 1
            np.cumsum(count, out=count)
            flips = np.zeros(len(key), np.uint8)
        # at a corner an end may be rounded to one step before its start
        np.maximum(count, 0, out=count)
        yield RowBatch(key >> ROW_BITS, place, width, count, flips)
