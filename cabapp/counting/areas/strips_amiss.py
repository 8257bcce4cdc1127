"""Strips of ground below or above target that may be large enough to be listed, without ever holding all others."""

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cabapp.counting.areas.connected_rows import ConnectedRows, merged
from cabapp.counting.areas.row_events import RowsAcross
from cabapp.counting.areas.row_stretches import Amiss, RowStretches, Strips, fitting_row, stretches_of
from cabapp.geometry.arrays import Bools, Floats, Ints, Shorts, joined_columns
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.swept_ground import SweptPieces

Bytes = NDArray[np.uint8]
KEPT = 1 << 17
"""So many stretches are kept at once; of more, those that matter are counted again."""
MARGIN = 1e-6
"""By so much of a bound may sums in another order differ."""


@dataclass
class StripsAmiss:
    """Strips of all kinds on rows `row` m apart, in a frame turned by `angle`, rad."""

    strips: list[Strips]
    row: float
    angle: float

    def amiss(self, kinds: tuple[str, ...]) -> Iterator[Strips]:
        """Yield the stretches of some kinds."""
        return (one for one in self.strips if one.amiss.kind in kinds)


def strips_amiss(
    stints: Sequence[SweptPieces],
    field: FieldGround | None,
    edge: float,
    target: int,
    seedings: Sequence[SweptPieces],
    least_area: float,
    least_width: float,
) -> StripsAmiss:
    """Return ground below or above target, but no connected piece that is surely too small.

    Parameters
    ----------
    stints, field, edge, target, seedings
        As in `count_rows`.
    least_area, least_width : float
        A piece with less ground, m2, or mostly on rows where it is narrower, m, is left out.

    Notes
    -----
    Where passes meet there are slivers a few millimetres wide on every row, ten times as much as all else on a big
    field. So a first round over the rows only adds up what each connected piece has, and a second one writes down
    those large enough.
    """
    row = fitting_row(stints)
    rows = RowsAcross(stints, field, row, edge, seedings)
    sizes: list[_Sizes] = []
    labels: deque[tuple[Bytes, Shorts]] = deque()
    kept: list[RowStretches] = []
    number = 0
    for batch in rows.batches():
        some = stretches_of(batch, rows, field, target, amiss=True)
        number += len(some.k)
        kept = [*kept, some] if number <= KEPT else []
        label = np.full(len(some.k), -1, np.int32)
        for n, (amiss, mine) in enumerate(some.kinds()):
            if n == len(sizes):
                sizes.append(_Sizes(amiss, row, least_area, least_width))
            label[mine] = sizes[n].feed(some.k[mine], some.x0[mine], some.x1[mine])
        # few have one
        labels.append((np.packbits(label >= 0), label[label >= 0]))
    large = [one.large() for one in sizes]
    again: Iterable[RowStretches] = kept
    if number > KEPT:
        again = (stretches_of(batch, rows, field, target, amiss=True) for batch in rows.batches())
    for some in again:
        label = np.full(len(some.k), -1, np.int32)
        which, known = labels.popleft()
        label[np.unpackbits(which, count=len(label)).view(bool)] = known
        for n, (_, mine) in enumerate(some.kinds()):
            mine[mine] = large[n][label[mine]]
            sizes[n].take(some, mine)
    return StripsAmiss([one.taken() for one in sizes], row, rows.angle)


class _Sizes:
    """The ground of connected pieces of one kind, m2, all of it and what is narrow."""

    def __init__(self, amiss: Amiss, row: float, least_area: float, least_width: float) -> None:
        self._amiss = amiss
        self._row, self._area, self._width = row, least_area, least_width
        self._connected = ConnectedRows(lambda first, wide: self._large(self._ground_of(first, wide, len(first))))
        self._ground = np.zeros((2, 1024))
        self._taken: list[tuple[Shorts, Floats, Floats]] = [(np.zeros(0, np.int32), np.zeros(0), np.zeros(0))]

    def feed(self, k: Shorts, x0: Floats, x1: Floats) -> Ints:
        """Add stretches of the next rows; return a label for each, -1 where its piece is surely too small."""
        k, x0, x1, fresh = merged(k, x0, x1)
        label = self._connected.feed(k, x0, x1)
        some = label >= 0
        more = self._ground_of(label[some], (x1 - x0)[some], 0)
        if more.shape[1] > self._ground.shape[1]:
            self._ground = np.pad(self._ground, ((0, 0), (0, more.shape[1])))
        self._ground[:, : more.shape[1]] += more
        return np.asarray(label[np.cumsum(fresh) - 1])

    def large(self) -> Bools:
        """Return for each label whether its piece may be listed, and last that what has none may not."""
        piece = self._connected.settled()
        ground = [np.bincount(piece, column[: len(piece)]) for column in self._ground]
        return np.append(self._large(np.stack(ground))[piece], False)

    def take(self, some: RowStretches, which: Bools) -> None:
        """Keep stretches of the next rows."""
        if which.any():
            self._taken.append(merged(some.k[which], some.x0[which], some.x1[which])[:3])

    def taken(self) -> Strips:
        """Return the stretches kept."""
        return Strips(self._amiss, *joined_columns(self._taken))

    def _ground_of(self, piece: Ints, wide: Floats, least: int) -> Floats:
        """Return the ground, m2, of pieces from 0 up, at least so many, and what of it is narrow."""
        area = wide * self._row
        narrow = np.where(wide < self._width, area, 0.0)
        return np.stack([np.bincount(piece, column, least) for column in (area, narrow)])

    def _large(self, both: Floats) -> Bools:
        ground, narrow = both
        return np.asarray((ground >= self._area * (1 - MARGIN)) & (narrow <= ground * (0.5 + MARGIN)))
