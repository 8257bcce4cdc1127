"""Which stretches of rows are one connected piece of ground, found a few rows at a time."""

from collections.abc import Callable

import numpy as np

from cabapp.geometry.arrays import Bools, Floats, Ints, Shorts, ranges

LEFT_OUT = np.iinfo(np.int64).max


class ConnectedRows:
    """Numbers for connected pieces of ground, from stretches of rows fed in rising order.

    Parameters
    ----------
    kept : callable, optional
        Told for each of some stretches the first one of its piece, and the width of each, m, says which firsts are
        of pieces to keep. Asked of pieces that end within the rows fed at once; those not kept have label -1.

    Notes
    -----
    Stretches are connected where they overlap in the next row. Memory follows the rows fed at once
    and the pieces kept, not the stretches.
    """

    def __init__(self, kept: Callable[[Ints, Floats], Bools] | None = None) -> None:
        self._kept = kept
        self._known = 0
        self._root = np.zeros(1024, np.int64)
        whole, some = np.zeros(0, np.int64), np.zeros(0)
        self._last: tuple[Ints | Shorts, Floats, Floats, Ints] = whole, some, some, whole

    def feed(self, k: Ints | Shorts, x0: Floats, x1: Floats) -> Ints:
        """Return a label for each stretch, which `settled` makes a number of its piece.

        Parameters
        ----------
        k, x0, x1 : ndarray, shape (n,)
            Row, start and end, m: whole rows, each after those of the call before, in order of place
            and none touching another (`merged`).
        """
        if len(k) == 0:
            return np.zeros(0, np.int64)
        before = self._last[3]
        had = len(before)
        row = np.concatenate([self._last[0], k])
        start, end = (np.concatenate(pair) for pair in zip(self._last[1:3], (x0, x1)))
        # what was one piece before is
        order = np.argsort(before, kind="stable")
        same = before[order[1:]] == before[order[:-1]]
        first = _firsts(row, start, end, order[1:][same], order[:-1][same])
        last = int(np.searchsorted(row, k[-1]))
        fresh = first == np.arange(len(row))
        fresh[:had] = False
        if self._kept is not None:
            more = self._kept(first, end - start)
            more[first[last:]] = True
            fresh &= more
        fresh = np.flatnonzero(fresh)
        label = np.full(len(row), LEFT_OUT)
        np.minimum.at(label, first[:had], before)
        label[fresh] = self._known + np.arange(len(fresh))
        label = label[first]
        if self._known + len(fresh) > len(self._root):
            self._root = np.append(self._root, np.zeros(len(self._root) + len(fresh), np.int64))
        self._root[label[fresh]] = label[fresh]
        self._known += len(fresh)
        self._root[before] = label[:had]
        self._last = row[last:], start[last:], end[last:], label[last:]
        label = label[had:]
        return np.where(label == LEFT_OUT, -1, label)

    def settled(self) -> Shorts:
        """Return the number of the piece for each label: pieces in the order of their first stretch."""
        root = _shortened(self._root[: self._known])
        return np.asarray((np.cumsum(root == np.arange(len(root)), dtype=np.int32) - 1)[root])


def merged(k: Shorts, x0: Floats, x1: Floats) -> tuple[Shorts, Floats, Floats, Bools]:
    """Return stretches of rows, those of one row that touch joined, and which of these begin one."""
    fresh = np.ones(len(k), bool)
    fresh[1:] = (k[1:] != k[:-1]) | (x0[1:] > x1[:-1])
    if fresh.all():
        return k, x0, x1, fresh
    first = np.flatnonzero(fresh)
    return k[first], x0[first], np.maximum.reduceat(x1, first), fresh


def _firsts(k: Ints | Shorts, x0: Floats, x1: Floats, one: Ints, other: Ints) -> Ints:
    """Return the first stretch connected with each, where pairs of some are connected otherwise too.

    Notes
    -----
    Higher roots are hooked to lower ones, and all paths halved until they are one step long, in turns
    (Shiloach and Vishkin 1982, J. Algorithms 3, 57-67).
    """
    base = x0.min() - 1
    span = x1.max() - base + 1
    row = k - k[0]
    start, end = row * span + (x0 - base), row * span + (x1 - base)
    low = np.searchsorted(end, start - span, side="right")
    high = np.searchsorted(start, end - span, side="left")
    root = _shortened(np.where(low < high, low, np.arange(len(k))))
    more = np.flatnonzero(high - low > 1)
    one = np.concatenate([one, np.repeat(more, high[more] - low[more] - 1)])
    other = np.concatenate([other, ranges(low[more] + 1, high[more])])
    while len(one):
        a, b = root[one], root[other]
        apart = a != b
        one, other, a, b = one[apart], other[apart], a[apart], b[apart]
        np.minimum.at(root, np.maximum(a, b), np.minimum(a, b))
        root = _shortened(root)
    return root


def _shortened(root: Ints) -> Ints:
    """Return the end of the path from each, along what each is hooked to."""
    while not np.array_equal(further := root.take(root), root):
        root = further
    return root
