"""The share of a field covered to target, with an interval that counts the receiver's error. Pure."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

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
COARSE = 0.0001
"""What rows so far apart may miss of a share, 1 sigma."""
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
    share = ground.share(visits)
    random = np.random.default_rng(seed)
    error = np.zeros(len(visits.k))
    for stint, receiver in enumerate(receivers):
        mine = visits.stint == stint
        error[mine] = receiver.at(visits.t[mine])[1]
    seams = _Seams(visits, error, field.target, ground)
    sway, length = _Sway(seams), max(ground.length, row)
    told, lowest = [], 1.0
    for memory in MEMORIES:
        chance = sway.chance(memory)
        if chance < 0.01 and memory != LEAST_S:
            continue
        part = sway.part(memory)
        errors = _Errors(visits, receivers, memory, part)
        found, again, edges = np.zeros((3, 2 * ROUNDS))
        for n in range(0, 2 * ROUNDS, 2):
            shift = errors.draw(random)
            for k, one in enumerate((shift, -shift), n):
                moved = visits.shifted(one, row)
                again[k], shifted = ground.share(moved), _Seams(moved, error, field.target, ground)
                found[k] = again[k] + shifted.law(memory, part).hidden() / length
                edges[k] = again[k] + shifted.seen / length
        if field.target > 1:
            off = TAKEN * (share - float(found.mean()))
        else:
            off = share + seams.seen / length - float(edges.mean())
        law = seams.law(memory, part)
        spread = np.sqrt(np.var(found, ddof=1) + off**2 / 12 + COARSE**2)
        above = max(spread, (law.most_hidden() - law.hidden()) / length / _NORMAL)
        told.append((chance, share + law.hidden() / length + off, spread, above))
        if sway.steered:
            lowest = min(lowest, float(again.mean() - _REACH * np.std(again, ddof=1)))
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

    Attributes
    ----------
    k : ndarray of int, shape (n,)
        The row of each seam.
    short, error : ndarray
        How far it falls short, and the error of that if both passes were independent, m.
    one, other : ndarray
        When its passes were there, POSIX s.
    same : ndarray of bool
        Whether both are of one stint.
    """

    def __init__(self, visits: "_Visits", error: Floats, target: int, ground: "_Ground") -> None:
        k, x0, x1, t, stint = visits.k, visits.x0, visits.x1, visits.t, visits.stint
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
        self.k, self.short = k[last], x0[first] - x1[last]
        self.error = np.hypot(error[last], error[first])
        self.one, self.other, self.same = t[last], t[first], stint[last] == stint[first]

    @property
    def seen(self) -> float:
        """How much all seams together are seen to fall short, m."""
        return float(np.maximum(self.short, 0.0).sum())

    @property
    def apart(self) -> Floats:
        """Time between the passes of each seam, s; without end for two stints."""
        return np.where(self.same, np.abs(self.one - self.other), np.inf)

    def law(self, memory: float, part: float) -> "_Law":
        """Return what is known of the true seams where a part of the error's variance has a memory, s."""
        spread = self.error * np.sqrt(np.where(self.same, part, 1.0) * -np.expm1(-self.apart / memory))
        # passes that meet are about as far apart in time as one of them is long
        slot = max(BLOCK_S, float(np.median(self.apart[self.same]))) if self.same.any() else SLOT_S
        return _Law(self.short, spread, self.one // slot, self.other // slot)


class _Law:
    """The distribution of what seams truly fall short, m, by what they are seen to and the spread of that.

    It is that of greatest likelihood, by expectation maximisation on a grid (Laird 1978, J. Am. Stat. Assoc. 73,
    805-811). Seams wider than the error can make are left as they are.

    Parameters
    ----------
    short, spread : ndarray, shape (n,)
        m.
    one, other : ndarray
        Slots of time of both passes of each seam: those of equal ones say little more than one of them.
    """

    def __init__(self, short: Floats, spread: Floats, one: Floats, other: Floats) -> None:
        widest = 4 * float(spread.max(initial=0.0)) + 1.0
        step = float(np.clip(np.median(spread) / 4 if len(spread) else 0.0, max(0.02, widest / 150), 0.5))
        near = np.abs(short) < widest
        seen = np.rint(short[near] / step) * step
        # few different spreads, in steps of a root of two
        spread = np.maximum(step, 2.0 ** (np.rint(2 * np.log2(np.maximum(spread[near], step))) / 2))
        pairs, times = np.unique(seen + 1j * spread, return_counts=True)
        self._number, self._seen = len(seen), float(np.maximum(seen, 0.0).sum())
        if not len(seen):
            return
        grid = np.arange(seen.min(), seen.max() + step, step)
        self._like = np.exp(-0.5 * ((pairs.real[:, None] - grid) / pairs.imag[:, None]) ** 2)
        self._part, self._gap, self._step = times / times.sum(), np.maximum(grid, 0.0), float(np.median(spread))
        self._runs = one[near], other[near]
        self._likeliest = self._fitted(np.full(len(grid), 1 / len(grid)))

    def _fitted(self, weight: Floats, pull: float = 0.0) -> Floats:
        """Return the likeliest weights of the grid; `pull`, 1/m, draws them towards no gaps."""
        for _ in range(STEPS):
            found = (self._part / (self._like @ weight)) @ self._like
            weight = weight * found / np.maximum(1 + pull * (self._gap - weight @ self._gap), 1e-3)
            weight = weight / weight.sum()
        return weight

    def hidden(self) -> float:
        """Return how much longer all seams together are seen to fall short than they likely do, m."""
        return self._seen - self._number * float(self._likeliest @ self._gap) if self._number else 0.0

    def most_hidden(self) -> float:
        """Return how much longer they may be seen at most, one time in twenty excepted, m."""
        if not self._number:
            return 0.0
        runs = np.unique(np.column_stack(self._runs), axis=0, return_counts=True)[1].astype(float)
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
            self._lag = float(np.median(seams.apart[near]))
            self._rough = _variance(short - np.median(short))
            self._error = float(np.median(seams.error[near] ** 2))
            self._follow(seams, near)
        self.steered = self._rough < EVEN**2

    def _follow(self, seams: _Seams, near: Ints) -> None:
        """Find how much seams change along themselves within `AHEAD_S`."""
        pair = np.unique(np.column_stack([seams.one[near], seams.other[near]]) // BLOCK_S, axis=0, return_inverse=True)[
            1
        ]
        k = seams.k[near] - seams.k.min()
        key, at, times = np.unique(pair.ravel() * (2 * k.max() + 2) + k, return_index=True, return_counts=True)
        # where two seams of a pair are on a row, neither tells which it is
        key, near = key[times == 1], near[at[times == 1]]
        pace = np.abs(np.diff(seams.one[near]))[np.diff(key) == 1]
        if len(pace) < PAIRS or not pace.any():
            return
        rows = max(1, round(AHEAD_S / float(pace.mean())))
        to = np.minimum(np.searchsorted(key, key + rows), len(key) - 1)
        good = key[to] == key + rows
        one, two = near[good], near[to[good]]
        if len(one) < PAIRS:
            return
        self._change = _variance(seams.short[two] - seams.short[one])
        runs = np.unique(key[good] // (2 * k.max() + 2), return_counts=True)[1].astype(float)
        self._number = max(2.0, float(runs.sum() ** 2 / (runs**2).sum()))
        self._times = seams.one[one], seams.other[one], seams.one[two], seams.other[two]

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
        a, b, c, d = self._times

        def alike(one: Floats, two: Floats) -> Floats:
            return np.exp(-np.abs(one - two) / memory)

        # (a - b) - (c - d), of one process
        factor = 2 - alike(a, c) - alike(b, d) - alike(a, b) + alike(a, d) + alike(b, c) - alike(c, d)
        most = self._error * float(np.median(factor)) + 4 * WANDER**2
        over = np.log(max(self._change / most, 1.0))
        # the logarithm of a variance from n differences has the variance 2 / n; of a median about 3 / n
        return float(np.exp(-0.5 * over**2 / (3 / self._number)))


def _variance(off: Floats) -> float:
    return float((1.4826 * np.median(np.abs(off))) ** 2)


@dataclass
class _Visits:
    """Stretches of rows passed over in one visit; across: the pass runs along the row."""

    k: Ints
    x0: Floats
    x1: Floats
    t: Floats
    stint: Shorts
    across: Bools

    def shifted(self, shift: Floats, row: float) -> "_Visits":
        """Return them shifted sideways, m, shape (n,): those along rows to another row, in steps of `row`, m."""
        x = np.where(self.across, 0.0, shift)
        k = self.k + np.rint(np.where(self.across, shift, 0.0) / row).astype(np.int64)
        return replace(self, k=k, x0=self.x0 + x, x1=self.x1 + x)


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
    """Draws the sideways errors of visits: a part of the variance has the memory, the rest stays for a stint."""

    def __init__(self, visits: _Visits, receivers: Sequence[ReceiverError], memory: float, part: float) -> None:
        self._visits, self._memory = visits, memory
        self._stints: list[tuple[Ints, Floats, Ints, Floats, Floats]] = []
        for stint, receiver in enumerate(receivers):
            mine = np.flatnonzero(visits.stint == stint)
            slots, which = np.unique(visits.t[mine] // STEP_S, return_inverse=True)
            if len(slots):
                absolute = receiver.at(slots * STEP_S)[1]
                self._stints.append(
                    (mine, slots * STEP_S, which, absolute * np.sqrt(part), absolute * np.sqrt(1 - part))
                )

    def draw(self, random: np.random.Generator) -> Floats:
        """Return an error for each visit, m, shape (n,)."""
        out = np.zeros(len(self._visits.k))
        for mine, nodes, which, passing, lasting in self._stints:
            error = passing * error_process(nodes, self._memory, random) + lasting * random.standard_normal()
            out[mine] = error[which]
        return out


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

    def share(self, visits: _Visits) -> float:
        """Return the part of the field's rows covered to target, 0 to 1."""
        outlines = [(*self._outline, 2)] + ([] if self._once is None else [(*self._once, 3)])

        def parts() -> Iterator[tuple[Ints, Floats, int]]:
            yield from outlines
            yield from ((visits.k, visits.x0, 0), (visits.k, visits.x1, 1))

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
