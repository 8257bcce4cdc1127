"""Stretches of rows laid across the work, each with one pass count. Exact along the rows."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from cabapp.counting.areas.row_events import RowBatch, RowsAcross
from cabapp.geometry.arrays import Bools, Floats, Shorts, joined_columns
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.swept_ground import TICK, SweptPieces

ROW, FINEST = 0.5, 0.1
"""m between rows: where the tool works whole, and the least where its sections switch."""


class Amiss(NamedTuple):
    """What is amiss with ground: the kind of `Gap`, whether in the strip along the edge, and where the tool can have been unseen."""

    kind: str
    edge: bool
    lost: bool


class Strips(NamedTuple):
    """Stretches where the same is amiss: row, start and end, m, in order; shape (n,)."""

    amiss: Amiss
    k: Shorts
    x0: Floats
    x1: Floats


@dataclass
class RowStretches:
    """n stretches of rows, each with one count and wholly in or out of the field.

    Attributes
    ----------
    k : ndarray of int32, shape (n,)
        Row; its middle is y = (k + 0.5) * row in the turned frame.
    x0, x1 : ndarray, shape (n,)
        m in the turned frame.
    count : ndarray of int32, shape (n,)
    inside, inner : ndarray of bool, shape (n,)
        In the field; and not in the strip along its edge.
    unseen : ndarray of bool, shape (n,)
        Where the tool can have been unseen.
    want : ndarray of int32, shape (n,)
        Passes wanted there.
    row : float
        m.
    angle : float
        What the frame is turned by, rad, so that rows lie across the work.
    """

    k: Shorts
    x0: Floats
    x1: Floats
    count: Shorts
    inside: Bools
    inner: Bools
    unseen: Bools
    want: Shorts
    row: float
    angle: float

    @property
    def area(self) -> Floats:
        """Area of each stretch, m2, shape (n,)."""
        return (self.x1 - self.x0) * self.row

    def kinds(self) -> Iterator[tuple[Amiss, Bools]]:
        """Yield what may be amiss with ground in the field, and with which stretches it is."""
        bare, short = self.inside & (self.count == 0), self.inside & (self.count > 0) & (self.count < self.want)
        yield Amiss("none", False, False), bare & ~self.unseen
        yield Amiss("unknown", False, True), bare & self.unseen
        over = self.inside & (self.count > self.want)
        for kind, lost, some in (
            ("short", False, short & ~self.unseen),
            ("short", True, short & self.unseen),
            ("over", False, over),
        ):
            yield Amiss(kind, False, lost), some & self.inner
            yield Amiss(kind, True, lost), some & ~self.inner

    def amiss(self, kinds: tuple[str, ...]) -> Iterator[Strips]:
        """Yield the stretches below or above target, of some kinds."""
        for amiss, mine in self.kinds():
            if amiss.kind in kinds:
                yield Strips(amiss, self.k[mine], self.x0[mine], self.x1[mine])


def count_rows(
    stints: Sequence[SweptPieces],
    field: FieldGround | None,
    row: float | None = None,
    edge: float = 0.0,
    target: int = 2,
    seedings: Sequence[SweptPieces] = (),
) -> RowStretches:
    """Cut all ground into stretches of rows with one count each.

    Parameters
    ----------
    stints : list of SweptPieces
        One entry a stint; a visit never goes on from one stint to another.
    field : FieldGround or None
        None: all ground is inside, and inner.
    row : float, optional
        Distance between rows, m; None: `fitting_row`.
    edge : float
        Depth of the strip along the field's edges that is inside but not inner, m.
    target : int
        Passes wanted where there is no field to say.
    seedings : list of SweptPieces
        Stints that seeded the ground: what was covered before them is void.
    """
    row = fitting_row(stints) if row is None else row
    rows = RowsAcross(stints, field, row, edge, seedings)
    parts = [stretches_of(batch, rows, field, target) for batch in rows.batches()]
    empty, no, whole = np.zeros(0), np.zeros(0, bool), np.zeros(0, np.int32)
    columns = [(one.k, one.x0, one.x1, one.count, one.inside, one.inner, one.unseen, one.want) for one in parts]
    del parts
    none = (whole, empty, empty, whole, no, no, no, whole)
    k, x0, x1, count, inside, inner, unseen, want = joined_columns([none, *columns])
    return RowStretches(k, x0, x1, count, inside, inner, unseen, want, row, rows.angle)


def fitting_row(stints: Sequence[SweptPieces]) -> float:
    """Return the distance between rows, m, that keeps chance out of the areas of sections that switch.

    Notes
    -----
    Each change of width lies by chance between two rows: n of them over a width w err by
    w row sqrt(n / 6) together (the sum of differences of two uniform places), here below 3e-4 of the ground.
    """
    changes, ground, across, number = 0, 0.0, 0.0, 0
    for one in stints:
        quad = one.quad
        whole = (quad[:, 2] != quad[:, 3]).any(axis=1)  # a triangle is half of a pivot
        goes_on = (one.s0[1:] <= one.s1[:-1]) & whole[1:] & whole[:-1]
        joined = (quad[1:, :2] == quad[:-1, 3:1:-1]).all(axis=(1, 2))
        changes += int((goes_on & ~joined).sum())
        wide = np.hypot(*(quad[:, 2] - quad[:, 3]).T)
        ground += float((wide * (one.s1 - one.s0)).sum()) * TICK
        across, number = across + float(wide.sum()), number + len(one)
    if not changes:
        return ROW
    fine = 3e-4 * ground / (across / number * np.sqrt(changes / 6))
    return float(np.clip(fine, FINEST, ROW))


def stretches_of(
    batch: RowBatch, rows: RowsAcross, field: FieldGround | None, target: int, amiss: bool = False
) -> RowStretches:
    """Return the stretches of one batch of rows, all or only those in the field with too few or too many passes."""
    if field is None:
        inside = inner = np.ones(len(batch.rung), bool)
        unseen = ~inside
        want = np.full(len(batch.rung), target)
    else:
        inside = (batch.flips & 1) > 0
        inner = inside & ((batch.flips & 2) > 0)
        unseen = (batch.flips & 8) > 0
        want = np.where(batch.flips & 4, 1, field.target)
    real = np.zeros(len(batch.rung), bool)
    real[:-1] = (batch.width[:-1] > 0) & (batch.rung[1:] == batch.rung[:-1])
    if amiss:
        real &= inside & (batch.count != want)
    sample = rows.sample
    x0, x1 = (sample.metres(place) for place in (batch.place[real], (batch.place + batch.width)[real]))
    k, count, want = (one[real].astype(np.int32) for one in (batch.rung, batch.count, want))
    inside, inner, unseen = (one[real] for one in (inside, inner, unseen))
    return RowStretches(k, x0, x1, count, inside, inner, unseen, want, sample.row, rows.angle)
