"""The share of a field covered to target, with an interval that counts the receiver's error. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from scipy import special

from cabapp.counting.areas.work_direction import frame_angle
from cabapp.counting.visits.visit_rule import valid_visits
from cabapp.geometry.arrays import Bools, Floats, Ints, Shorts, joined_columns
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.polygon_rows import outline_rows
from cabapp.geometry.quad_rows import corners, turned
from cabapp.track.receiver_error import LEAST_S, LONGEST_S, ReceiverError, error_process
from cabapp.track.swept_ground import SweptPieces

SEED = 20
ROUNDS = 6
"""Pairs of recounts for each memory, the errors of the second being those of the first turned round."""
MEMORIES = (LEAST_S, 300.0, LONGEST_S)
"""s. The ends of the range of memories and one between them, held for equally likely until the trace says otherwise."""
LEVEL = 0.9
TAKEN = 2 / 3
"""How much of the estimator's own bias is taken off where several passes are wanted: they lie so close that they are seen
in another order, more so where they already lie as seen, where alone the bias is known. It is held for uncertain,
evenly from a third of it to all. Fitted to `tests/bench/calibration.py`."""
ROWS = 400
"""About so many rows cross a field."""
COARSE = 2.5
"""What rows miss of a share, 1 sigma, times the square of their number: the error of the midpoint rule falls with it.
Measured on random fields against their exact areas (`tests/counting/test_certainty.py`)."""
HALVINGS = 50
"""Of the search for an end of the interval; to load SciPy's optimiser and distributions takes 50 MB."""
STEPS = 100
"""Of the search for the likeliest distribution."""
TRIES = 9
"""Of the search for how far the likelihood reaches."""
PAIRS = 6
"""Fewer neighbours do not tell how rough the passes are."""
EVEN = 0.2
"""m. Passes more evenly spaced than this, as standard deviation, were not steered by eye (from memory)."""
WANDER = 0.3
"""m. A pass steered by eye sways by no more than this to either side within half a minute, 1 sigma (from memory)."""
BLOCK_S, AHEAD_S = 60.0, 30.0
"""Two passes that meet belong together for so long; along them the change over so long is looked at."""
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
    much the error changes between neighbours, so on its memory, of which only the range is known. For memories of
    that range the likely share is found from the distribution of what each seam of two passes falls short
    (`_Law`), and its bias and spread by a bootstrap (Davison and Hinkley, Bootstrap Methods, 1997, chapter 2):
    every visit is shifted sideways by an error drawn anew, and the estimate is made again; as the count is known
    before the shifts, so is what the estimate is off by. Where one pass is wanted, that is taken for what is lost at
    the field's edges only. Passes may be steered more evenly than can be told from
    such a trace; so upwards it reaches to where the likelihood falls as far as 90 % allow (profile likelihood:
    Murphy and van der Vaart 2000, J. Am. Stat. Assoc. 95, 449-465). The interval holds the middle 90 % of all
    memories, those left out under which passes could not sway as much as they are seen to.

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
    random = np.random.default_rng(seed)
    errors = _Errors(visits, receivers)
    share, seams = ground.counted(visits, errors.none(), errors.each)
    sway, length = _Sway(seams), max(ground.length, row)
    told, lowest = [], 1.0
    for memory in MEMORIES:
        chance = sway.chance(memory)
        if chance < 0.01 and memory != LEAST_S:
            continue
        part = sway.part(memory)
        found, again, edges = np.zeros((3, 2 * ROUNDS))
        for n in range(0, 2 * ROUNDS, 2):
            shift = errors.draw(memory, part, random)
            for k in (n, n + 1):
                again[k], shifted = ground.counted(visits, shift, errors.each)
                found[k] = again[k] + shifted.law(memory, part).hidden() / length
                edges[k] = again[k] + shifted.seen / length
                del shifted
                np.negative(shift, out=shift)
        if field.target > 1:
            off = TAKEN * (share - float(found.mean()))
        else:
            off = share + seams.seen / length - float(edges.mean())
        law = seams.law(memory, part)
        spread = np.sqrt(np.var(found, ddof=1) + off**2 / 12 + ground.missed**2)
        above = max(spread, (law.most_hidden(seams) - law.hidden()) / length / _NORMAL)
        told.append((chance, share + law.hidden() / length + off, spread, above))
        if sway.steered:
            lowest = min(lowest, max(float(again.mean() - _REACH * np.std(again, ddof=1)), 0.0))
    low, high = np.clip(_middle(*np.array(told).T), 0.0, 1.0)
    return Confidence(field.target, share, min(float(low), lowest), float(high))


_NORMAL = float(special.ndtri((1 + LEVEL) / 2))
_REACH = float(special.stdtrit(2 * ROUNDS - 1, (1 + LEVEL) / 2))
"""Standard deviations from the middle to an end of the interval, of so many draws (Student)."""


def _middle(chances: Floats, centres: Floats, below: Floats, above: Floats) -> tuple[float, float]:
    """Return the ends of the middle `LEVEL` of distributions mixed with some chances.

    Each is a share, and its spread below and above its centre.
    """
    chances = chances / chances.sum()
    ends = (centres - 20 * below).min(), (centres + 20 * above).max()

    def end(level: float) -> float:
        low, high = ends
        for _ in range(HALVINGS):
            x = (low + high) / 2
            scaled = (x - centres) / np.where(x > centres, above, below)
            reached = float(chances @ special.stdtr(2 * ROUNDS - 1, scaled)) >= level
            low, high = (low, x) if reached else (x, high)
        return float(high)

    return end((1 - LEVEL) / 2), end((1 + LEVEL) / 2)


class _Seams:
    """Where passes meet on rows: by how much they fall short of the target, m, negative where they overlap.

    Of the sorted ends e and beginnings s of the passes on a row, ground is below target from e[i] to s[i + target]
    wherever that is positive.

    Parameters
    ----------
    visits : _Visits
    each : ndarray
        The error of each visit, m.
    last, first : ndarray of int32, shape (n,)
        The visits that end and begin at each seam.
    short : ndarray, shape (n,)
        How far it falls short, m.
    """

    def __init__(self, visits: "_Visits", each: Floats, last: Shorts, first: Shorts, short: Floats) -> None:
        self._visits, self._each, self._last, self._first, self.short = visits, each, last, first, short

    @property
    def seen(self) -> float:
        """How much all seams together are seen to fall short, m."""
        return float(np.maximum(self.short, 0.0).sum())

    @property
    def same(self) -> Bools:
        """Whether both passes are of one stint."""
        same: Bools = self._visits.stint[self._last] == self._visits.stint[self._first]
        return same

    def rows(self, which: Any) -> Ints:
        """Return the rows of some seams."""
        rows: Ints = self._visits.k[self._last[which]]
        return rows

    def times(self, which: Any) -> tuple[Floats, Floats]:
        """Return when the passes of some seams were there, POSIX s."""
        return self._visits.t[self._last[which]], self._visits.t[self._first[which]]

    def apart(self, which: Any) -> Floats:
        """Return the time between the passes of some seams, s, whatever their stints."""
        one, other = self.times(which)
        one -= other
        return np.abs(one, out=one)

    def error(self, which: Any) -> Floats:
        """Return the error of some seams if both passes were independent, m."""
        error: Floats = np.hypot(self._each[self._last[which]], self._each[self._first[which]])
        return error

    def law(self, memory: float, part: float) -> "_Law":
        """Return what is known of the true seams where a part of the error's variance has a memory, s."""
        spread = np.empty(len(self.short))
        for some in _parts(len(spread)):
            same = self._visits.stint[self._last[some]] == self._visits.stint[self._first[some]]
            unlike = np.where(same, part * -np.expm1(-self.apart(some) / memory), 1.0)
            spread[some] = self.error(some) * np.sqrt(unlike)
        return _Law(self.short, spread)

    def runs(self) -> Ints:
        """Return numbers that are equal where seams say little more than one of them: of passes in equal slots of time."""
        same = np.flatnonzero(self.same)
        # passes that meet are about as far apart in time as one of them is long
        slot = max(BLOCK_S, float(np.median(self.apart(same)))) if len(same) else SLOT_S
        return _numbered(*self.times(slice(None)), slot)


def _parts(number: int) -> Iterator[slice]:
    """Yield slices of so many things, few enough that what is made of them takes little memory."""
    return (slice(start, start + TOGETHER) for start in range(0, number, TOGETHER))


def _numbered(one: Floats, other: Floats, slot: float) -> Ints:
    """Return a whole number from 0 up for each pair of times, s, equal where both are in equal slots."""
    a, b = (np.floor_divide(t, slot, out=t).astype(np.int64) for t in (one, other))
    if len(a):
        # times of a pair are near each other, whatever the times of a season
        b -= a
        b -= b.min()
        a -= a.min()
        a *= int(b.max()) + 1
        a += b
    return a


class _Law:
    """The distribution of what seams truly fall short, m, by what they are seen to and the spread of that.

    It is that of greatest likelihood, by expectation maximisation on a grid (Laird 1978, J. Am. Stat. Assoc. 73,
    805-811). Seams wider than the error can make are left as they are.

    Parameters
    ----------
    short, spread : ndarray, shape (n,)
        m.
    """

    def __init__(self, short: Floats, spread: Floats) -> None:
        widest = 4 * float(spread.max(initial=0.0)) + 1.0
        step = float(np.clip(np.median(spread) / 4 if len(spread) else 0.0, max(0.02, widest / 150), 0.5))
        near = self._near = np.abs(short) < widest
        # few different spreads, in steps of a root of two
        key = np.rint(short[near] / step).astype(np.int64) << 8
        key |= np.rint(2 * np.log2(np.maximum(spread[near], step))).astype(np.int64) + 64
        pairs, times = np.unique(key, return_counts=True)
        seen, spreads = (pairs >> 8) * step, np.maximum(step, 2.0 ** (((pairs & 255) - 64) / 2))
        self._number, self._seen = len(key), float(times @ np.maximum(seen, 0.0))
        if not len(key):
            return
        grid = np.arange(seen.min(), seen.max() + step, step)
        self._like = np.exp(-0.5 * ((seen[:, None] - grid) / spreads[:, None]) ** 2)
        self._part, self._gap, self._step = (
            times / times.sum(),
            np.maximum(grid, 0.0),
            float(np.median(np.repeat(spreads, times))),
        )
        self._likeliest = self._fitted(np.full(len(grid), 1 / len(grid)))

    def _fitted(self, weight: Floats, pull: float = 0.0) -> Floats:
        """Return the likeliest weights of the grid; `pull`, 1/m, draws them towards no gaps."""
        for _ in range(STEPS):
            found = (self._part / (self._like @ weight)) @ self._like
            weight = weight * found
            if pull:
                weight /= np.maximum(1 + pull * (self._gap - weight @ self._gap), 1e-3)
                weight /= weight.sum()
        return weight

    def hidden(self) -> float:
        """Return how much longer all seams together are seen to fall short than they likely do, m."""
        return self._seen - self._number * float(self._likeliest @ self._gap) if self._number else 0.0

    def most_hidden(self, seams: _Seams) -> float:
        """Return how much longer the seams it is of may be seen at most, one time in twenty excepted, m."""
        if not self._number:
            return 0.0
        runs = np.unique(seams.runs()[self._near], return_counts=True)[1].astype(float)
        loss = float(special.chdtri(1, 1 - LEVEL)) / 2 * float((runs**2).sum() / runs.sum() ** 2)
        least = self._log_likelihood(self._likeliest) - loss
        best, pull, low, high = self._likeliest, 0.05 / self._step, 0.0, np.inf
        for _ in range(TRIES):
            weight = self._fitted(self._likeliest, pull)
            if self._log_likelihood(weight) > least:
                best, low = weight, pull
            else:
                high = pull
            pull = 3 * pull if np.isinf(high) else (low + high) / 2
        # of these seams as they are seen, not of others that might have been driven
        return self._seen - self._number * float(self._part @ ((self._like @ (best * self._gap)) / (self._like @ best)))

    def _log_likelihood(self, weight: Floats) -> float:
        """Return the logarithm of the likelihood, the mean of all seams."""
        return float(self._part @ np.log(self._like @ weight))


class _Sway:
    """How much passes are seen to sway against each other, and so which errors they can have.

    All figures are medians, so that misses do not count (median absolute deviation: Hampel 1974, J. Am. Stat.
    Assoc. 69, 383-393).

    Attributes
    ----------
    steered : bool
        Passes lie so evenly that the receiver may have steered: then its error is not in the trace.
    """

    def __init__(self, seams: _Seams) -> None:
        near = np.flatnonzero(seams.same)
        self._lag, self._rough, self._error, self._number = 0.0, np.inf, 0.0, 2.0
        self._change: float | None = None
        if len(near) >= PAIRS:
            short = seams.short[near]
            self._lag = float(np.median(seams.apart(near)))
            self._rough = _variance(short - np.median(short))
            self._error = float(np.median(seams.error(near)) ** 2)
            self._follow(seams, near)
        self.steered = self._rough < EVEN**2

    def _follow(self, seams: _Seams, near: Ints) -> None:
        """Find how much seams change along themselves within `AHEAD_S`."""
        key, k = _numbered(*seams.times(near), BLOCK_S), seams.rows(near)
        k -= k.min()
        span = int(2 * k.max() + 2)
        key *= span
        key += k
        del k
        order = np.argsort(key).astype(np.int32)
        key = key[order]
        # where two seams of a pair are on a row, neither tells which it is
        other = np.concatenate([[True], key[1:] != key[:-1], [True]])
        single = other[1:] & other[:-1]
        key, near = key[single], near[order[single]]
        del order
        pace = np.abs(np.diff(seams.times(near)[0]))[np.diff(key) == 1]
        if len(pace) < PAIRS or not pace.any():
            return
        rows = max(1, round(AHEAD_S / float(pace.mean())))
        to = np.minimum(np.searchsorted(key, key + rows), len(key) - 1)
        good = key[to] == key + rows
        one, two = near[good], near[to[good]]
        if len(one) < PAIRS:
            return
        self._change = _variance(seams.short[two] - seams.short[one])
        runs = np.unique(key[good] // span, return_counts=True)[1].astype(float)
        self._number = max(2.0, float(runs.sum() ** 2 / (runs**2).sum()))
        self._seams, self._pairs = seams, (one.astype(np.int32), two.astype(np.int32))

    def part(self, memory: float) -> float:
        """Return how much of the error's variance can have a memory, s: not more than the passes are rough."""
        between = -self._error * np.expm1(-self._lag / memory)
        if self.steered or between <= 0:
            return 1.0
        surely = self._number / float(special.chdtri(self._number, LEVEL))
        return float(min(1.0, self._rough * surely / between))

    def chance(self, memory: float) -> float:
        """Return how well a memory, s, fits, 0 to 1: less where passes sway more than it and steering by eye allow."""
        if self._change is None or self.steered:
            return 1.0

        def alike(one: Floats, two: Floats) -> Floats:
            return np.exp(-np.abs(one - two) / memory)

        factor = np.empty(len(self._pairs[0]))
        for some in _parts(len(factor)):
            # (a - b) - (c - d), of one process
            (a, b), (c, d) = (self._seams.times(pair[some]) for pair in self._pairs)
            factor[some] = 2 - alike(a, c) - alike(b, d) - alike(a, b) + alike(a, d) + alike(b, c) - alike(c, d)
        most = self._error * float(np.median(factor)) + 4 * WANDER**2
        over = np.log(max(self._change / most, 1.0))
        # the logarithm of a variance from n differences has the variance 2 / n; of a median about 3 / n
        return float(np.exp(-0.5 * over**2 / (3 / self._number)))


def _variance(off: Floats) -> float:
    return float((1.4826 * np.median(np.abs(off))) ** 2)


@dataclass
class _Visits:
    """Stretches of rows passed over in one visit, by row; across: the pass runs along the row, these come last."""

    k: Ints
    x0: Floats
    x1: Floats
    t: Floats
    stint: Shorts
    across: Bools

    def bands(self, shift: Floats, row: float) -> Iterator[tuple[slice, Ints, Floats, Floats, tuple[float, float]]]:
        """Yield those of some rows at a time, shifted sideways, m, shape (n,).

        Which of those across rows they are, and the row, start and end, m, of these and then of those along rows,
        which are shifted to another row, in steps of `row`, m; and the first row and that after the last.
        """
        begun = int(np.searchsorted(self.across, True))
        k, along, moved = self.k[:begun], slice(begun, None), shift[begun:]
        rows = self.k[along] + np.rint(moved / row).astype(np.int64)
        cuts = [-np.inf, *np.unique(k[TOGETHER::TOGETHER]).tolist(), np.inf]
        for low, high in pairwise(cuts):
            some = slice(*np.searchsorted(k, (low, high)).tolist())
            here = (rows >= low) & (rows < high)
            yield (
                some,
                np.concatenate([k[some], rows[here]]),
                np.concatenate([self.x0[some] + shift[some], self.x0[along][here]]),
                np.concatenate([self.x1[some] + shift[some], self.x1[along][here]]),
                (low, high),
            )


def _visits(stints: Sequence[SweptPieces], seedings: Sequence[SweptPieces], angle: float, row: float) -> _Visits:
    out: list[tuple[Any, ...]] = []
    for number, pieces in enumerate(stints):
        if len(pieces) == 0:
            continue
        k, x0, x1, piece = valid_visits(pieces, seedings, row, angle)
        if len(k):
            # what is no longer wanted goes before the next is made
            piece = piece.astype(np.int32)
            out.append(_joined(number, pieces.t, _goes_across(pieces, angle), [piece, k, x0, x1]))
            del k, x0, x1, piece
    if not out:
        none, some = np.zeros(0, np.int64), np.zeros(0)
        return _Visits(none, some, some, some, none.astype(np.int32), none.astype(bool))
    columns = list(joined_columns(out))
    order = np.lexsort((columns[1], columns[0], columns[5])).astype(np.int32)
    for n in range(len(columns)):
        columns[n] = columns[n][order]
    return _Visits(*columns)


def _joined(number: int, t: Floats, along: Bools, visits: list[Any]) -> tuple[Any, ...]:
    """Return the columns of `_Visits` of a stint, of whose visits those that touch on a row are one.

    `visits` are piece, row, start and end, m, and are emptied; `along` says of each piece whether it goes along rows.
    """
    # the parts of one visit move together: in order of time
    order = np.lexsort((visits[2], t[visits[0]] // SLOT_S, visits[1])).astype(np.int32)
    x1, x0, k, piece = (visits.pop()[order] for _ in range(len(visits)))
    del order
    fresh = np.ones(len(k), bool)
    for part in _parts(len(k) - 1):
        one, two = slice(part.start, min(part.stop, len(k) - 1)), slice(part.start + 1, part.stop + 1)
        slots = (t[piece[some]] // SLOT_S for some in (one, two))
        fresh[two] = np.not_equal(*slots) | (k[one] != k[two]) | (along[piece[one]] != along[piece[two]])
        fresh[two] |= np.abs(x0[two] - x1[one]) > 1e-6
    first = np.flatnonzero(fresh).astype(np.int32)
    del fresh
    x1 = x1[np.append(first[1:], len(k)) - 1]
    x0 = x0[first]
    k = k[first]
    piece = piece[first]
    return k, x0, x1, t[piece], np.full(len(first), number, np.int32), along[piece]


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
    """The sideways errors of visits: a part of the variance has the memory, the rest stays for a stint.

    Attributes
    ----------
    each : ndarray, shape (n,)
        The error of each visit, m, 1 sigma.
    """

    def __init__(self, visits: _Visits, receivers: Sequence[ReceiverError]) -> None:
        self.each = np.zeros(len(visits.k))
        self._stints: list[tuple[Shorts, Floats, Shorts, Floats]] = []
        for stint, receiver in enumerate(receivers):
            mine = np.flatnonzero(visits.stint == stint).astype(np.int32)
            slots, which = np.unique(visits.t[mine] // STEP_S, return_inverse=True)
            if len(slots):
                self.each[mine] = receiver.at(visits.t[mine])[1]
                self._stints.append((mine, slots * STEP_S, which.astype(np.int32), receiver.at(slots * STEP_S)[1]))

    def none(self) -> Floats:
        """Return no error for each visit, m, shape (n,)."""
        return np.zeros(len(self.each))

    def draw(self, memory: float, part: float, random: np.random.Generator) -> Floats:
        """Return an error for each visit, m, shape (n,)."""
        out = self.none()
        for mine, nodes, which, absolute in self._stints:
            passing = absolute * np.sqrt(part) * error_process(nodes, memory, random)
            error = passing + absolute * np.sqrt(1 - part) * random.standard_normal()
            out[mine] = error[which]
        return out


class _Ground:
    """A field on rows, and how much of it stretches of rows cover to target.

    Attributes
    ----------
    length : float
        Of all rows in the field, m.
    missed : float
        What the rows may miss of a share, 1 sigma.
    """

    def __init__(self, field: FieldGround, row: float) -> None:
        self._row, self._target = row, field.target
        self._outlines = [(*_by_row(*outline_rows(field.polygon, row)), 2)]
        if field.once is not None:
            self._outlines.append((*_by_row(*outline_rows(field.once, row)), 3))
        k, x, _ = self._outlines[0]
        self._k, self._from, self._to = k[::2], x[::2], x[1::2]
        self.length = float((self._to - self._from).sum())
        self.missed = COARSE / max(len(np.unique(self._k)), 1) ** 2

    def holds(self, k: Ints, x: Floats) -> Bools:
        """Return whether places on rows lie in the field, shape (n,)."""
        span = 1.0 + float(np.abs(np.concatenate([self._from, self._to, x])).max(initial=0.0)) * 2
        which = np.searchsorted(self._k * span + self._from, k * span + x, side="right") - 1
        good = which >= 0
        good[good] = (self._k[which[good]] == k[good]) & (x[good] < self._to[which[good]])
        return good

    def counted(self, visits: _Visits, shift: Floats, each: Floats) -> tuple[float, _Seams]:
        """Return the part of the field's rows that shifted visits cover to target, 0 to 1, and their seams.

        `shift` and `each`, the error of a visit, are in m, shape (n,).
        """
        covered, none = 0, np.zeros(0, np.int32)
        found = [(none, none, np.zeros(0))]
        for some, k, x0, x1, band in visits.bands(shift, self._row):
            lines: list[tuple[Ints, Floats, int]] = [(k, x0, 0), (k, x1, 1)]
            for at, x, kind in self._outlines:
                here = slice(*np.searchsorted(at, band).tolist())
                lines.append((at[here], x[here], kind))
            low_k = min((int(at.min()) for at, _, _ in lines if len(at)), default=0)
            low_x = min((float(x.min()) for _, x, _ in lines if len(x)), default=0.0)
            keys = [
                ((at - low_k) << 40) | (np.rint((x - low_x) * FINE).astype(np.int64) << 2) | kind
                for at, x, kind in lines
            ]
            number = some.stop - some.start
            # nearly in order already, for which the stable sort is the quickest
            last = np.argsort(keys[1][:number], kind="stable")[: -self._target]
            first = np.argsort(keys[0][:number], kind="stable")[self._target :]
            met = k[last] == k[first]
            last, first = last[met], first[met]
            met = self.holds(k[last], (x1[last] + x0[first]) / 2)
            last, first = last[met], first[met]
            numbers = ((which + some.start).astype(np.int32) for which in (last, first))
            found.append((*numbers, x0[first] - x1[last]))
            covered += self._covered(np.concatenate(keys))
        share = covered / FINE / self.length if self.length else 0.0
        return share, _Seams(visits, each, *joined_columns(found))

    def _covered(self, events: Ints) -> int:
        """Return how much of rows is covered to target, in 1 / `FINE` m, by all that begins and ends on them."""
        events.sort()
        what, at = (events & 3).astype(np.int8), events >> 2
        count = np.cumsum(_ADDS[what], dtype=np.int32)
        inside, once = (np.logical_xor.accumulate(what == n) for n in (2, 3))
        # where a row ends the field and all visits have ended
        good = inside & (count >= np.where(once, 1, self._target))
        return int(np.diff(at)[good[:-1]].sum())


_ADDS = np.array([1, -1, 0, 0], np.int8)
"""What each kind of event adds to the passes: a visit begins, it ends, an outline is crossed."""


def _by_row(k: Ints, x: Floats) -> tuple[Ints, Floats]:
    order = np.lexsort((x, k))
    return k[order], x[order]
