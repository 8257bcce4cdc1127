"""Stretches of rows laid across the work, each with one pass count. Exact along the rows."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cabapp.counting.areas.row_events import DOWN, EDGE, INNER, ONCE, UP, RowBatch, RowEvents
from cabapp.counting.areas.work_direction import main_direction
from cabapp.counting.visits.row_sampling import RowSample
from cabapp.counting.visits.visit_rule import crossings, valid_visits
from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.polygon_rows import odd_outline_rows, outline_rows
from cabapp.track.swept_ground import TICK, SweptPieces

ROW, FINEST = 0.5, 0.1
"""m between rows: where the tool works whole, and the least where its sections switch."""

SLANT = 0.07
"""rad. Rows lie not quite square to the work: an edge along a row would be counted whole or not."""


@dataclass
class RowStretches:
    """n stretches of rows, each with one count and wholly in or out of the field.

    Attributes
    ----------
    k : ndarray of int64, shape (n,)
        Row; its middle is y = (k + 0.5) * row in the turned frame.
    x0, x1 : ndarray, shape (n,)
        m in the turned frame.
    count : ndarray of int64, shape (n,)
    inside, inner : ndarray of bool, shape (n,)
        In the field; and not in the strip along its edge.
    want : ndarray of int64, shape (n,)
        Passes wanted there.
    row : float
        m.
    angle : float
        What the frame is turned by, rad, so that rows lie across the work.
    """

    k: Ints
    x0: Floats
    x1: Floats
    count: Ints
    inside: Bools
    inner: Bools
    want: Ints
    row: float
    angle: float

    @property
    def area(self) -> Floats:
        """Area of each stretch, m2, shape (n,)."""
        return (self.x1 - self.x0) * self.row


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
    events, _, angle = row_events(stints, field, row, edge, seedings)
    empty, no, whole = np.zeros(0), np.zeros(0, bool), np.zeros(0, np.int64)
    parts = [(whole, empty, empty, whole, no, no, whole)]
    parts += [_stretches(batch, events, field, target) for batch in events.batches(field is not None)]
    k, x0, x1, count, inside, inner, want = (np.concatenate(column) for column in zip(*parts))
    return RowStretches(k, x0, x1, count, inside, inner, want, row, angle)


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


def frame_angle(stints: Sequence[SweptPieces]) -> float:
    """Return what the frame is turned by, rad, so that rows lie across the work."""
    return float(np.pi / 2 - main_direction(stints) + SLANT)


def row_events(
    stints: Sequence[SweptPieces],
    field: FieldGround | None,
    row: float,
    edge: float,
    seedings: Sequence[SweptPieces],
    every: bool = True,
) -> tuple[RowEvents, RowSample, float]:
    """Return the events on rows laid across the work, the rows kept, and the turn of the frame, rad.

    Parameters are those of `count_rows`; unless `every` row is wanted, one stands for several where
    the work runs straight on.
    """
    angle = frame_angle(stints)
    sown = [one.turned(angle) for one in seedings]
    far = [float(np.abs(one.quad).max()) for one in stints if len(one)]
    far += [float(np.abs(field.polygon.bounds).max())] if field is not None else []
    reach = 1 + 1.5 * max(far, default=0.0)  # a corner turned lies within sqrt 2 times as far
    events = RowEvents(-reach, reach)
    void = [any(len(one) and one.t[-1] >= pieces.t[0] for one in sown if len(pieces)) for pieces in stints]
    whole = [crossings(p, angle) for p, some in zip(stints, void) if not some]
    outlines = []
    if field is not None:
        here = field.turned(angle)
        inner = here.without_edge(edge) if edge else here.polygon
        outlines = [(here.polygon, EDGE), (inner, INNER), (here.once, ONCE)]
        outlines = [(polygon, kind) for polygon, kind in outlines if polygon is not None]
    sample = RowSample(row)
    if not every and not any(void):
        odd = [one.odd_rows(row, -np.tan(SLANT)) for one in whole]
        odd += [odd_outline_rows(polygon, row) for polygon, _ in outlines]
        sample = RowSample(row, *_busy(odd))
    for one in whole:
        for k, x, ends in one.on(sample):
            events.add(k, x, ends.view(np.int8))  # UP is 0 and DOWN 1
    for pieces, some in zip(stints, void):
        if some:
            k, x0, x1, _ = valid_visits(pieces.turned(angle), sown, row)
            events.add(k, x0, UP)
            events.add(k, x1, DOWN)
    for polygon, kind in outlines:
        k, x = outline_rows(polygon, row)
        kept, rung = sample.find(k)
        events.add(rung, x[kept], kind)
    return events, sample, angle


def _busy(odd: Sequence[tuple[Ints, Ints]]) -> tuple[int, Bools]:
    """Return the lowest row of any of some ranges of rows, and which from there up are in one."""
    first, last = (np.concatenate([np.zeros(0, np.int64), *(ends[n] for ends in odd)]) for n in (0, 1))
    if len(first) == 0:
        return 0, np.zeros(0, bool)
    bottom = int(first.min())
    size = int(last.max()) - bottom + 2
    starts = np.bincount(first - bottom, minlength=size)
    return bottom, np.cumsum(starts - np.bincount(last + 1 - bottom, minlength=size)) > 0


def _stretches(
    batch: RowBatch, events: RowEvents, field: FieldGround | None, target: int
) -> tuple[Ints, Floats, Floats, Ints, Bools, Bools, Ints]:
    """Return the columns of `RowStretches` for one batch of rows."""
    real = batch.width > 0
    flips = batch.flips[real]
    if field is None:
        inside = inner = np.ones(len(flips), bool)
        want = np.full(len(flips), target)
    else:
        inside = (flips & 1) > 0
        inner = inside & ((flips & 2) > 0)
        want = np.where(flips & 4, 1, field.target)
    return (
        np.repeat(batch.k, real.sum(axis=1)),
        events.metres(batch.place[real]),
        events.metres(batch.place[real] + batch.width[real]),
        batch.count[real],
        inside,
        inner,
        want,
    )
