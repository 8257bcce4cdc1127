"""The share of a field covered to target, with an interval that counts the receiver's error. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from cabapp.counting.areas.work_direction import frame_angle
from cabapp.counting.visits.visit_rule import valid_visits
from cabapp.geometry.arrays import Bools, Floats, Ints, Shorts, joined_columns
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.polygon_rows import outline_rows
from cabapp.geometry.quad_rows import corners, turned
from cabapp.track.receiver_error import LEAST_S, LONGEST_S, ReceiverError, error_process
from cabapp.track.swept_ground import SweptPieces

SEED = 20
ROUNDS = 12
"""Pairs of recounts for each memory, the errors of the second being those of the first turned round."""
MEMORIES = {LEAST_S: 2.1, LONGEST_S: 1.4}
"""The ends of the range of memories, s, and how many standard deviations the interval reaches beyond what is likely.

Under one memory the truth is near one end only, so about a tenth beyond each (1.28). For the short one it is more, as
what is likely has an error of its own. Both are fitted to `tests/bench/calibration.py`.
"""
ROWS = 400
"""About so many rows cross a field."""
COARSE = 0.0004
"""What rows so far apart may miss of a share."""
STEPS = 200
"""Of the search for the likeliest distribution."""
PAIRS = 6
"""Fewer neighbours do not tell how rough the passes are."""
EVEN = 0.2
"""m. Passes more evenly spaced than this, as standard deviation, were not steered by eye (from memory)."""
STEP_S, SLOT_S = 10.0, 240.0
FINE = 2.0**12
TOGETHER = 1 << 15
"""Events or pieces looked at at once, so that memory is for the visits alone."""


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
    A count with error finds too little: shifted passes leave more short. How much too little depends on how
    much the error changes between neighbours, so on its memory, of which only the range is known. For each end of
    the range the likely share is found from the distribution of what each seam of two passes falls short
    (`_Seams`), and the spread about it by a parametric bootstrap (Davison and Hinkley, Bootstrap Methods, 1997,
    chapter 2): every visit is shifted sideways by an error drawn anew, and all is recounted on coarse rows. The
    interval holds both, and the share as counted.

    Steering and the receiver's error are taken to be independent, unless passes are seen more evenly spaced than
    anybody steers by eye: then the receiver may have steered, its error is in the ground and not in the trace, and
    the share may be as low as errors added to what was seen make it.
    """
    row = float(np.clip(np.sqrt(field.area) / ROWS, 0.5, 4.0))
    angle = frame_angle(stints)
    ground = _Ground(field.turned(angle), row)
    visits = _visits(stints, [s for s in seedings if len(s)], angle, row)
    if len(visits.k) == 0:
        return Confidence(field.target, 0.0, 0.0, 0.0)
    share = ground.share(visits)
    random = np.random.default_rng(seed)
    seams = _Seams(visits, receivers, field.target, ground)
    ends, wide = [share], 0.0
    for memory, reach in MEMORIES.items():
        errors = [_Errors(visits.t[visits.stint == n], r, memory, seams) for n, r in enumerate(receivers)]
        again = []
        for _ in range(ROUNDS):
            shift = np.zeros(len(visits.k))
            for stint, error in enumerate(errors):
                shift[visits.stint == stint] = error.draw(random)
            again += [ground.share(visits, shift, sign) for sign in (1, -1)]
        likely, wide = share + seams.hidden(memory) / max(ground.length, row), max(wide, float(np.std(again)))
        ends += [likely - reach * wide, likely + reach * wide]
        if seams.rough < EVEN**2:
            ends.append(float(np.mean(again)) - reach * wide)
    low, high = np.clip([min(ends) - COARSE, max(ends) + COARSE], 0.0, 1.0)
    return Confidence(field.target, share, float(low), float(high))


class _Seams:
    """Where passes meet on rows: by how much they fall short of the target, m, negative where they overlap.

    Of the sorted ends e and beginnings s of the passes on a row, ground is below target from e[i] to s[i + target]
    wherever that is positive.

    Attributes
    ----------
    lag, rough : float
        Median time between the passes of a seam of one stint, s, and variance of how far they fall short, m2:
        from the median absolute deviation (Hampel 1974, J. Am. Stat. Assoc. 69, 383-393), so that misses do not count.
    """

    def __init__(self, visits: "_Visits", receivers: Sequence[ReceiverError], target: int, ground: "_Ground") -> None:
        k, x0, x1, t, stint = visits.k, visits.x0, visits.x1, visits.t, visits.stint
        error = np.zeros(len(k))
        for n, receiver in enumerate(receivers):
            error[stint == n] = receiver.at(t[stint == n])[1]
        some = np.flatnonzero(~visits.across)
        last = some[np.lexsort((x1[some], k[some]))[:-target]]
        first = some[np.lexsort((x0[some], k[some]))[target:]]
        del some
        met = k[last] == k[first]
        last, first = last[met], first[met]
        met = np.ones(len(last), bool)
        for start in range(0, len(last), TOGETHER):
            part = slice(start, start + TOGETHER)
            met[part] = ground.holds(k[last[part]], (x1[last[part]] + x0[first[part]]) / 2)
        last, first = last[met], first[met]
        self._short = x0[first] - x1[last]
        self._error = np.hypot(error[last], error[first])
        del error
        self._apart = np.where(stint[last] == stint[first], np.abs(t[last] - t[first]), np.inf)
        del last, first
        near = np.isfinite(self._apart)
        self.lag, self.rough = 0.0, np.inf
        if near.sum() >= PAIRS:
            self.lag = float(np.median(self._apart[near]))
            off = np.abs(self._short[near] - np.median(self._short[near]))
            self.rough = float((1.4826 * np.median(off)) ** 2)

    def hidden(self, memory: float) -> float:
        """Return how much longer all seams together are seen to fall short than they likely do, m.

        The distribution of the true ones is that of greatest likelihood, by expectation maximisation on a grid
        (Laird 1978, J. Am. Stat. Assoc. 73, 805-811). Those wider than the error can make are left as they are.
        """
        if len(self._short) == 0:
            return 0.0
        spread = self._error * np.sqrt(-np.expm1(-self._apart / memory))
        widest = 4 * float(spread.max()) + 1.0
        step = float(np.clip(np.median(spread) / 4, max(0.02, widest / 150), 0.5))
        near = np.abs(self._short) < widest
        seen = np.rint(self._short[near] / step) * step
        # few different spreads, in steps of a root of two
        spread = np.maximum(step, 2.0 ** (np.rint(2 * np.log2(np.maximum(spread[near], step))) / 2))
        if len(seen) == 0:
            return 0.0
        pairs, times = np.unique(seen + 1j * spread, return_counts=True)
        pairs = np.column_stack([pairs.real, pairs.imag])
        grid = np.arange(seen.min(), seen.max() + step, step)
        like = np.exp(-0.5 * ((pairs[:, :1] - grid) / pairs[:, 1:]) ** 2)
        weight, part = np.full(len(grid), 1 / len(grid)), times / times.sum()
        for _ in range(STEPS):
            weight = weight * ((part / (like @ weight)) @ like)
        return float(np.maximum(seen, 0.0).sum() - len(seen) * (weight @ np.maximum(grid, 0.0)))


@dataclass
class _Visits:
    """Stretches of rows passed over in one visit; across: the pass runs along the row."""

    k: Ints
    x0: Floats
    x1: Floats
    t: Floats
    stint: Shorts
    across: Bools

    def moved(self, row: float, shift: Floats | None, sign: int) -> Iterator[tuple[Ints, Floats, Floats]]:
        """Yield row, start and end, m, some visits at a time, each shifted sideways, m, to the side of the sign."""
        for start in range(0, len(self.k), TOGETHER):
            part = slice(start, start + TOGETHER)
            k, x0, x1 = self.k[part], self.x0[part], self.x1[part]
            if shift is not None:
                across, one = self.across[part], sign * shift[part]
                x = np.where(across, 0.0, one)
                k, x0, x1 = k + np.rint(np.where(across, one, 0.0) / row).astype(np.int64), x0 + x, x1 + x
            yield k, x0, x1


def _visits(stints: Sequence[SweptPieces], seedings: Sequence[SweptPieces], angle: float, row: float) -> _Visits:
    none, some = np.zeros(0, np.int64), np.zeros(0)
    out = [(none, some, some, some, none.astype(np.int32), none.astype(bool))]
    for number, pieces in enumerate(stints):
        if len(pieces) == 0:
            continue
        k, x0, x1, piece = valid_visits(pieces, seedings, row, angle)
        if len(k) == 0:
            continue
        across = _goes_across(pieces, angle)[piece]
        # the parts of one visit move together: join those that touch on a row, in order of time
        slot = pieces.t[piece] // SLOT_S
        order = np.lexsort((x0, slot, k))
        k = k[order]
        x0 = x0[order]
        x1 = x1[order]
        piece = piece[order]
        slot = slot[order]
        across = across[order]
        del order
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
                np.full(len(first), number, np.int32), across[first],
            )
        )  # fmt: skip
    return _Visits(*joined_columns(out))


def _goes_across(pieces: SweptPieces, angle: float) -> Bools:
    """Return which pieces go more along rows than across them."""
    found = np.zeros(len(pieces), bool)
    for start in range(0, len(pieces), TOGETHER):
        part = slice(start, start + TOGETHER)
        x, y = turned(*corners(pieces.quad[part]), angle)
        east, north = (np.abs(z[2:].sum(axis=0) - z[:2].sum(axis=0)) for z in (x, y))
        found[part] = east > north
    return found


class _Errors:
    """Draws the sideways error of one stint's receiver at the times of its visits.

    A part has the memory, the rest stays for the stint. The part is all, unless passes steered by eye would then be
    rougher than they are seen to be.
    """

    def __init__(self, times: Floats, receiver: ReceiverError, memory: float, seams: _Seams) -> None:
        if len(times) == 0:
            times = np.zeros(1)
        times = times // STEP_S
        slots = np.unique(times)
        self._slot = np.searchsorted(slots, times)
        self._nodes, self._memory = slots * STEP_S, memory
        _, absolute = receiver.at(self._nodes)
        between = -2 * np.median(absolute) ** 2 * np.expm1(-seams.lag / memory)
        part = min(1.0, seams.rough / between) if between > 0 and seams.rough >= EVEN**2 else 1.0
        self._passing, self._lasting = absolute * np.sqrt(part), absolute * np.sqrt(1 - part)

    def draw(self, random: np.random.Generator) -> Floats:
        passing = self._passing * error_process(self._nodes, self._memory, random)
        return np.asarray((passing + self._lasting * random.standard_normal())[self._slot])


class _Ground:
    """A field on rows, and how much of it stretches of rows cover to target."""

    def __init__(self, field: FieldGround, row: float) -> None:
        self._row, self._target = row, field.target
        self._outline = outline_rows(field.polygon, row)
        self._once = None if field.once is None else outline_rows(field.once, row)
        k, x = self._outline
        order = np.lexsort((x, k))
        self._k, self._from, self._to = k[order][::2], x[order][::2], x[order][1::2]
        self.length = float((self._to - self._from).sum())

    def holds(self, k: Ints, x: Floats) -> Bools:
        """Return whether places on rows lie in the field, shape (n,)."""
        span = 1.0 + float(np.abs(np.concatenate([self._from, self._to, x])).max(initial=0.0)) * 2
        which = np.searchsorted(self._k * span + self._from, k * span + x, side="right") - 1
        good = which >= 0
        good[good] = (self._k[which[good]] == k[good]) & (x[good] < self._to[which[good]])
        return good

    def share(self, visits: _Visits, shift: Floats | None = None, sign: int = 1) -> float:
        """Return the part of the field's rows covered to target by visits shifted sideways, m, 0 to 1."""
        outlines = [(*self._outline, 2)] + ([] if self._once is None else [(*self._once, 3)])

        def parts() -> Iterator[tuple[Ints, Floats, int]]:
            yield from outlines
            for k, x0, x1 in visits.moved(self._row, shift, sign):
                yield from ((k, x0, 0), (k, x1, 1))

        low_k = min(int(k.min()) for k, _, _ in parts() if len(k))
        low_x = min(float(x.min()) for _, x, _ in parts() if len(x))
        key = np.empty(2 * len(visits.k) + sum(len(one[0]) for one in outlines), np.int64)
        filled = 0
        for k, x, kind in parts():
            place = np.rint((x - low_x) * FINE).astype(np.int64)
            key[filled : filled + len(place)] = ((k - low_k) << 40) | (place << 2) | kind
            filled += len(place)
        key.sort()
        covered = passes = within = single = 0
        for start in range(0, len(key) - 1, TOGETHER):
            events = key[start : start + TOGETHER + 1]
            what, at, rows = (events & 3)[:-1], (events >> 2) & ((1 << 38) - 1), events >> 40
            count = np.cumsum((what == 0).astype(np.int64) - (what == 1)) + passes
            inside, once = (np.cumsum(what == n) + had for n, had in ((2, within), (3, single)))
            want = np.where(once % 2 == 1, 1, self._target)
            good = (inside % 2 == 1) & (count >= want) & (rows[1:] == rows[:-1])
            covered += int(np.diff(at)[good].sum())
            passes, within, single = int(count[-1]), int(inside[-1]), int(once[-1])
        return covered / FINE / self.length if self.length else 0.0
