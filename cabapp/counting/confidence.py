"""The share of a field covered to target, with an interval that counts the receiver's error. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cabapp.counting.areas.work_direction import frame_angle
from cabapp.counting.visits.visit_rule import valid_visits
from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.polygon_rows import outline_rows
from cabapp.track.receiver_error import BRIEF_S, DRIFT_S, ReceiverError, error_process
from cabapp.track.swept_ground import SweptPieces

SEED = 20
ROUNDS = {0.5: 12, 1.0: 30, 1.5: 12, 2.0: 12}
"""Recounts, by how many times the receiver's variance is added."""
ROWS = 400
"""About so many rows cross a field."""
COARSE = 0.001
"""What rows so far apart may miss of a share."""
NORMAL = 2.3
"""1.645 for 5 % on each side, and 1.4 as a count with error wanders less when error is added once
more than it did the first time (both this and twice 1.645 for the extrapolation by simulation)."""
STEP_S = 10.0
FINE = 2.0**12


@dataclass(frozen=True)
class Confidence:
    """The share of a field covered as often as wanted.

    Attributes
    ----------
    target : int
        Passes wanted (fewer where the field says so).
    share : float
        As counted, 0 to 1. Unknown ground is not covered.
    low, high : float
        The 90 % interval, 0 to 1.
    """

    target: int
    share: float
    low: float
    high: float

    def words(self, verb: str = "covered") -> str:
        """Return the interval as a person says it.

        >>> Confidence(2, 0.941, 0.9215, 0.9580).words("rolled")
        'rolled at least twice: 92 to 96 %'
        """
        often = {1: "once", 2: "twice"}.get(self.target, f"{self.target} times")
        low, high = (f"{100 * share:.0f}" for share in (self.low, self.high))
        return f"{verb} at least {often}: " + (f"{low} to {high} %" if low != high else f"{low} %")


def confidence_interval(
    stints: Sequence[SweptPieces],
    receivers: Sequence[ReceiverError],
    field: FieldGround,
    seedings: Sequence[SweptPieces] = (),
    seed: int = SEED,
) -> Confidence:
    """Return the share covered to target, with a 90 % interval.

    Parameters
    ----------
    stints : sequence of SweptPieces
    receivers : sequence of ReceiverError
        One for each stint.
    field : FieldGround
    seedings : sequence of SweptPieces
        As in `count_rows`.
    seed : int
        The same seed gives the same interval.

    Notes
    -----
    A parametric bootstrap: every visit is shifted by errors drawn anew, a drift and a brief part
    for each stint, sideways to its pass, and all is recounted on coarse rows.
    The basic interval about 2m - mean (Davison and Hinkley, Bootstrap Methods, 1997, section
    5.2) removes what the error once more would add: shifted passes leave more short. Where the
    error is larger than the steering's that is not enough, as what is left short grows with the
    root of the variance. So errors of half to twice the variance are drawn too, and the upper end
    is no lower than their extrapolation to no error (simulation and extrapolation: Cook and
    Stefanski 1994, J. Am. Stat. Assoc. 89, 1314-1328). The lower end is never above the count.
    """
    row = float(np.clip(np.sqrt(field.area) / ROWS, 0.5, 4.0))
    angle = frame_angle(stints)
    ground = _Ground(field.turned(angle), row)
    visits = _visits(stints, [s for s in seedings if len(s)], angle, row)
    if len(visits.k) == 0:
        return Confidence(field.target, 0.0, 0.0, 0.0)
    share = ground.share(visits.k, visits.x0, visits.x1)
    random = np.random.default_rng(seed)
    errors = [_Errors(visits.t[visits.stint == n], r) for n, r in enumerate(receivers)]

    def recount(scale: float) -> float:
        shift = np.zeros(len(visits.k))
        for stint, error in enumerate(errors):
            shift[visits.stint == stint] = scale * error.draw(random)
        x = np.where(visits.across, 0.0, shift)
        up = np.floor(np.where(visits.across, shift, 0.0) / row + random.random()).astype(np.int64)
        return ground.share(visits.k + up, visits.x0 + x, visits.x1 + x)

    again = {more: [recount(float(np.sqrt(more))) for _ in range(n)] for more, n in ROUNDS.items()}
    middle, wide = float(np.mean(again[1.0])), float(np.std(again[1.0]))
    without = _without_error(share, {more: float(np.mean(a)) for more, a in again.items()})
    low, high = (2 * share - middle + sign * NORMAL * wide for sign in (-1, 1))
    high = max(high, without + 2 * 1.645 * wide)
    low, high = np.clip([min(low, share) - COARSE, max(high, share) + COARSE], 0.0, 1.0)
    return Confidence(field.target, share, float(low), float(high))


def _without_error(share: float, again: dict[float, float]) -> float:
    """Return the share extrapolated to no error from those with 1 + v times its variance, {v: share}.

    Fits a + b sqrt(c + v), c from 1 (the error is all there is) to 50 (it hardly matters).
    """
    more = np.array([0.0, *again])
    seen = np.array([share, *again.values()])
    best = (np.inf, share)
    for c in np.geomspace(1.02, 50.0, 40):
        base = np.column_stack([np.ones(len(more)), np.sqrt(c + more)])
        fit = np.linalg.lstsq(base, seen, rcond=None)[0]
        miss = float(((base @ fit - seen) ** 2).sum())
        if miss < best[0]:
            best = (miss, float(fit[0] + fit[1] * np.sqrt(c - 1)))
    return best[1]


@dataclass
class _Visits:
    """Stretches of rows passed over in one visit; across: the pass runs along the row."""

    k: Ints
    x0: Floats
    x1: Floats
    t: Floats
    stint: Ints
    across: Bools


def _visits(stints: Sequence[SweptPieces], seedings: Sequence[SweptPieces], angle: float, row: float) -> _Visits:
    sown = [p.turned(angle) for p in seedings]
    none, some = np.zeros(0, np.int64), np.zeros(0)
    out = [(none, some, some, some, none, none.astype(bool))]
    for number, pieces in enumerate(stints):
        if len(pieces) == 0:
            continue
        turned = pieces.turned(angle)
        k, x0, x1, piece = valid_visits(turned, sown, row)
        if len(k) == 0:
            continue
        along = np.abs(turned.quad[:, 2:].sum(axis=1) - turned.quad[:, :2].sum(axis=1))
        across = (along[:, 0] > along[:, 1])[piece]
        # the parts of one visit move together: join those that touch on a row, in order of time
        order = np.lexsort((x0, pieces.t[piece] // (2 * BRIEF_S), k))
        k, x0, x1, piece, across = k[order], x0[order], x1[order], piece[order], across[order]
        slot = pieces.t[piece] // (2 * BRIEF_S)
        fresh = np.ones(len(k), bool)
        fresh[1:] = (
            (k[1:] != k[:-1]) | (slot[1:] != slot[:-1])
            | (np.abs(x0[1:] - x1[:-1]) > 1e-6) | (across[1:] != across[:-1])
        )  # fmt: skip
        first = np.flatnonzero(fresh)
        last = np.append(first[1:], len(k)) - 1
        out.append(
            (
                k[first], x0[first], x1[last], pieces.t[piece[first]],
                np.full(len(first), number), across[first],
            )
        )  # fmt: skip
    return _Visits(*(np.concatenate(column) for column in zip(*out, strict=True)))


class _Errors:
    """Draws the sideways error of one stint's receiver at the times of its visits."""

    def __init__(self, times: Floats, receiver: ReceiverError) -> None:
        if len(times) == 0:
            times = np.zeros(1)
        slots, self._slot = np.unique(times // STEP_S, return_inverse=True)
        self._nodes = slots * STEP_S
        self._brief, absolute = receiver.at(self._nodes)
        self._drift = np.sqrt(np.maximum(absolute**2 - self._brief**2, 0.0))
        self._count = len(times)

    def draw(self, random: np.random.Generator) -> Floats:
        drift = self._drift * error_process(self._nodes, DRIFT_S, random)
        brief = self._brief * error_process(self._nodes, BRIEF_S, random)
        return np.asarray((drift + brief)[self._slot])


class _Ground:
    """A field on rows, and how much of it stretches of rows cover to target."""

    def __init__(self, field: FieldGround, row: float) -> None:
        self._row, self._target = row, field.target
        self._outline = outline_rows(field.polygon, row)
        self._once = None if field.once is None else outline_rows(field.once, row)
        k, x = self._outline
        order = np.lexsort((x, k))
        self._length = float((x[order][1::2] - x[order][::2]).sum())

    def share(self, k: Ints, x0: Floats, x1: Floats) -> float:
        """Return the part of the field's rows covered to target, 0 to 1."""
        parts = [(k, x0, 0), (k, x1, 1), (*self._outline, 2)]
        parts += [] if self._once is None else [(*self._once, 3)]
        low_k = min(int(p[0].min()) for p in parts if len(p[0]))
        low_x = min(float(p[1].min()) for p in parts if len(p[0]))
        key = np.concatenate(
            [((k - low_k) << 40) | (np.rint((x - low_x) * FINE).astype(np.int64) << 2) | kind for k, x, kind in parts]
        )
        key.sort()
        kind, place, rows = key & 3, (key >> 2) & ((1 << 38) - 1), key >> 40
        count = np.cumsum((kind == 0).astype(np.int64) - (kind == 1))
        inside = np.cumsum(kind == 2) % 2 == 1
        want: int | Ints = self._target
        if self._once is not None:
            want = np.where(np.cumsum(kind == 3) % 2 == 1, 1, self._target)[:-1]
        good = inside[:-1] & (count[:-1] >= want) & (rows[1:] == rows[:-1])
        return float(np.diff(place)[good].sum()) / FINE / self._length if self._length else 0.0
