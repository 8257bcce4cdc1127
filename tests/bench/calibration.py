"""Whether "sure" is sure and 90 % is 90 %, under error models that are not the product's: a printed table.

python -m tests.bench.calibration [--fields 40] [--seed 0] [--models "1 min,..."] [--errors 0.3,...] [--kinds stated,unstated]
    [--recorded ../shared/data]

Straight true lanes 12 m wide with misses; what covers them is known exactly, on a line across them. The receiver's
error is added by the models below, written for this file alone: none comes from `cabapp`. For each model, size of error
(1 sigma per axis, m), and whether the fixes state it:

sure     of the gaps said to be "sure", those that are there; the goal is 95 % or more.
listed   of true gaps of half the tool or more that the trace shows at all, those in the list, whatever their
         certainty; the goal is all. `lapped` are those it does not show: over nine tenths of their length the passes
         are seen to lap, or to leave less than the least width of the list, so no list of what is seen can name them.
held     of the 90 % intervals for the share covered to target, those that hold the true share; the goal is 85 to 95 %.
         `below` and `above` say on which side the truth lies in the others, `at 1` how many intervals end at 100 %:
         there the truth cannot lie above, so only the lower end is judged. `so` is what that many fields tell of it:
         the exact binomial 95 % interval (Clopper and Pearson 1934, Biometrika 26). A cell is `out` where no share
         from 85 to 95 % lies in it; one that merely held 96 % of 24 or 98 % of 40 fields is not told from 95 % yet.

Behind each line stands why, where it is no 90 % even by chance (binomial, one time in twenty).

What was looked at while the estimate was built is `fitted`: memories of 1 to 60 min, 1/f, satellites, seed 0. `held out`
are the other models, every line with another seed, and recordings: with --recorded the error of a still receiver as it
was recorded, played forwards and backwards, and a recorded seeding with an error added, whose own count is the truth.

A second table has fields that were steered by the receiver: lanes are seen evenly spaced, and lie elsewhere.
"""

import argparse
import sys
import zlib
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
from shapely.geometry import box

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.confidence import confidence_interval
from cabapp.counting.edge_error import EdgeErrors
from cabapp.counting.gaps import LEAST_WIDTH, list_gaps
from cabapp.counting.job_count import JobCount
from cabapp.geometry.field_ground import FieldGround
from cabapp.position.boundaries.boundary_geojson import read_boundary
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.track.receiver_error import judge
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

WIDTH, SPEED, STEP, DAY, EDGE = 12.0, 3.0, 2, 86400.0, 20.0
ERRORS = (0.02, 0.3, 1.4, 3.2)


# --- errors: unit variance, one value a second, shape (n,) ---------------------------------------------------------


def autoregressive(minutes, n, random):
    """First-order autoregression whose correlation falls to 1/e in so many minutes."""
    from scipy.signal import lfilter  # here, for each worker of the tests loads this module

    keep = float(np.exp(-1 / (60 * minutes)))
    drive = random.standard_normal(n) * np.sqrt(1 - keep**2)
    start = random.standard_normal()
    return lfilter([1.0], [1.0, -keep], drive, zi=[keep * start])[0]


def flicker(n, random):
    """Equal variance in each octave of time from 15 s to 4 h: 1/f noise, seen in GPS series.

    Source: Amiri-Simkooei et al. 2007, J. Geophys. Res. 112, B07413, white and flicker noise.
    """
    octaves = 0.25 * 2.0 ** np.arange(11)
    return sum(autoregressive(minutes, n, random) for minutes in octaves) / np.sqrt(len(octaves))


def satellites(n, random):
    """A level that jumps as a satellite of eight is exchanged, each 4 min on the mean, and a slow part."""
    ranges, out, at = random.standard_normal(8), np.empty(n), 0
    while at < n:
        until = min(n, at + 1 + int(random.exponential(240.0)))
        out[at:until] = ranges.sum() / np.sqrt(8)
        ranges[random.integers(8)] = random.standard_normal()
        at = until
    return np.sqrt(0.7) * out + np.sqrt(0.3) * autoregressive(30, n, random)


def smooth(n, random):
    """Twice filtered, by 5 and 3.3 min: no step at all from one second to the next, as behind a receiver's own filter."""
    from scipy.signal import lfilter

    keep, more = float(np.exp(-1 / 200)), 3000
    once = autoregressive(5, n + more, random)
    return lfilter([1 - keep], [1.0, -keep], once)[more:] / np.sqrt(300 / (300 + 200))


def two_parts(n, random):
    """Three tenths of the variance with a memory of 45 s, the rest with 25 min."""
    return np.sqrt(0.3) * autoregressive(0.75, n, random) + np.sqrt(0.7) * autoregressive(25, n, random)


def waves(n, random):
    """Five sine waves of periods from 2 to 20 min, as reflections from the ground and the cab make them."""
    t, period = np.arange(n), np.exp(random.uniform(np.log(120), np.log(1200), (5, 1)))
    return np.sqrt(2 / 5) * np.sin(2 * np.pi * (t / period + random.random((5, 1)))).sum(axis=0)


MODELS = {f"{minutes} min": partial(autoregressive, minutes) for minutes in (1, 3, 10, 60)}
MODELS |= {"1/f": flicker, "satellites": satellites}
FITTED = tuple(MODELS)
MODELS |= {"smooth": smooth, "two parts": two_parts, "waves": waves}


def recorded_still(folder):
    """Return a model from still receivers of recorded NMEA logs, each played forwards and backwards, at unit variance."""
    series = []
    for name in ("cold_start_37_then_fix", "loss8_then_return"):
        track = read_recording(folder / "nmea" / f"{name}.nmea").main
        for degrees in (track.lat, track.lon):
            some = degrees[np.isfinite(degrees)]
            some = some[-min(len(some), 150) :]  # not what it needs to settle
            if np.ptp(some) > 0:
                series.append((some - some.mean()) / some.std())

    def model(n, random):
        one = series[random.integers(len(series))]
        there_and_back = np.concatenate([one, one[::-1]])
        return random.choice([-1, 1]) * np.resize(np.roll(there_and_back, -random.integers(len(there_and_back))), n)

    return model


# --- fields: what is true, and what is seen ------------------------------------------------------------------------


@dataclass
class Cell:
    """What was said of the fields of one cell of the table."""

    sure: int = 0
    real: int = 0
    wide: int = 0
    found: int = 0
    lapped: int = 0
    below: list[bool] = field(default_factory=list)
    above: list[bool] = field(default_factory=list)
    at_one: list[bool] = field(default_factory=list)
    wideness: list[float] = field(default_factory=list)
    missed: list[float] = field(default_factory=list)

    @property
    def held(self):
        """Which intervals hold the truth."""
        return [not (low or high) for low, high in zip(self.below, self.above, strict=True)]

    def judge(self, told, share):
        """Note an interval, and the true share."""
        self.below.append(share < told.low)
        self.above.append(share > told.high)
        self.at_one.append(told.high >= 1)
        self.wideness.append(told.high - told.low)
        self.missed.append(share - told.share)


def true_share(x, ends, target):
    """Return the part of a line between two ends that lies in `target` or more of the lanes, exactly."""
    cuts = np.unique(np.clip(np.concatenate([x - WIDTH / 2, x + WIDTH / 2, ends]), *ends))
    middle = (cuts[1:] + cuts[:-1]) / 2
    count = (np.abs(middle[:, None] - x) < WIDTH / 2).sum(axis=1)
    return float(np.diff(cuts)[count >= target].sum() / np.ptp(ends))


def lanes_of(random, target, lanes):
    """Return true places of lanes across, m, some of them missed: by a little, or by half the tool."""
    lap = random.normal(0.4, 0.25, lanes - 1)
    missed = random.random(lanes - 1) < random.choice([0.05, 0.15, 0.5])
    lap[missed] = -random.uniform(0.0, WIDTH / 2, missed.sum())
    half = random.random(lanes - 1) < 0.06
    lap[half] = -random.uniform(WIDTH / 2, 0.75 * WIDTH, half.sum())
    return np.concatenate([[0.0], np.cumsum(WIDTH / target - lap)])


def seen(x, day, model, error, length, turn, random):
    """Return times, places and lane numbers of fixes of lanes driven one after the other, up and down."""
    each = int(length / SPEED)
    start = np.arange(len(x)) * (each + turn)
    second = (start[:, None] + np.arange(0, each + 1, STEP)).ravel()
    y = np.arange(0, each + 1, STEP) * SPEED
    along = np.stack([y if n % 2 == 0 else y[::-1] for n in range(len(x))]).ravel()
    lane = np.repeat(np.arange(len(x)), len(y))
    wrong = [error * model(second[-1] + 1, random)[second] for _ in "xy"]
    return day * DAY + second, np.column_stack([x[lane] + wrong[0], along + wrong[1]]), lane


def swept(t, xy, lane):
    """Return what the tool sweeps, lifted between the lanes."""
    sweeper = SwathBuilder(ToolGeometry(WIDTH))
    for n in np.unique(lane):
        sweeper.switch(WorkSwitch(t[lane == n][0] - 1e-6, True))
        sweeper.switch(WorkSwitch(t[lane == n][-1], False))
    return SweptPieces.join([sweeper.feed(t, xy), sweeper.finish()], sweeper.leave)


def one_field(cell, model, error, stated, seed):
    """Drive one field, in two stints a day apart, and note what is said of it."""
    random = np.random.default_rng(seed)
    target, length, turn = 1 + seed % 2, float(random.choice([200, 400])), int(random.integers(15, 60))
    lanes = 20 * target
    x = lanes_of(random, target, lanes)
    half = lanes // 2
    stints = [seen(part, day, model, error, length, turn, random) for day, part in enumerate((x[:half], x[half:]))]
    pieces = [swept(*stint) for stint in stints]
    receivers = [judge(t, np.full(len(t), error) if stated else None) for t, _, _ in stints]
    ends = np.array([x[0], x[-1]]) + (target - 1) * WIDTH / 4 * np.array([1, -1])
    ground = FieldGround(box(ends[0], EDGE, ends[1], length - EDGE), target=target)
    gaps = list_gaps(count_rows(pieces, ground, target=target), EdgeErrors(pieces, receivers, ground))
    # the lanes on either side of a gap are told by where they were seen
    at = np.concatenate([[xy[lane == n, 0].mean() for n in range(half)] for _, xy, lane in stints])
    middle, true = (at[target:] + at[:-target]) / 2, x[target:] - x[:-target] - WIDTH
    between = [int(np.abs(middle - gap.x).argmin()) for gap in gaps]
    for gap, n in zip(gaps, between, strict=True):
        if gap.certainty == "sure":
            cell.sure += 1
            cell.real += bool(true[n] > 0)
    for n in np.flatnonzero(true >= WIDTH / 2):
        cell.wide += 1
        # strips joined into one gap are found anywhere in its box
        if any(g.ring[:, 0].min() - 2 <= middle[n] <= g.ring[:, 0].max() + 2 for g in gaps):
            cell.found += 1
        else:
            one, other = (across(stints, k, half, length) for k in (n, n + target))
            cell.lapped += np.mean(other - one - WIDTH > LEAST_WIDTH) < 0.1
    cell.judge(confidence_interval(pieces, receivers, ground), true_share(x, ends, target))


def across(stints, lane, half, length):
    """Return where a lane was seen, across, at each 2 m along the field."""
    _, xy, lanes = stints[lane // half]
    mine = xy[lanes == lane % half]
    order = np.argsort(mine[:, 1])
    return np.interp(np.arange(EDGE, length - EDGE, 2.0), mine[order, 1], mine[order, 0])


class RecordedSeeding:
    """A recorded seeding, taken for true: 13.2 m wide, once; `share` is its own share of the field covered."""

    def __init__(self, folder):
        boundary = read_boundary(folder / "seeding" / "boundary.geojson")
        self._track = read_recording(folder / "seeding" / "trace_machine2.gpx").main
        self._boundary = boundary
        self.share = self._counted(np.zeros((len(self._track), 2)), None).share

    def _counted(self, off, error):
        track, job = self._track, JobCount(self._boundary, 1)
        lat, lon = job.plane.to_latlon(job.plane.to_xy(track.lat, track.lon) + off)
        sigma = None if error is None else np.full(len(lat), error)
        start = float(track.t[0])
        job.add_stint("one", start, ToolGeometry(13.2), track.t, lat, lon, sigma, [WorkSwitch(start, True)])
        return confidence_interval(job.pieces(), job.receivers(), job.field)

    def told(self, model, error, seed):
        """Return what is said of it with an error added."""
        random, second = np.random.default_rng(seed), (self._track.t - self._track.t[0]).astype(int)
        off = [error * model(second[-1] + 1, random)[second] for _ in "xy"]
        return self._counted(np.column_stack(off), error)


def steered_field(model, error, seed):
    """Return low, high and true share of a field whose passes the receiver itself steered, its error stated."""
    random, length, lanes = np.random.default_rng(seed), 300.0, 40
    x = np.concatenate([[0.0], np.cumsum(WIDTH / 2 - random.normal(0.4, 0.1, lanes - 1))])
    ends = np.array([x[0] + WIDTH / 4, x[-1] - WIDTH / 4])
    pieces, receivers, truth = [], [], []
    for day, part in enumerate((x[: lanes // 2], x[lanes // 2 :])):
        t, xy, lane = seen(part, day, model, 0.0, length, 30, random)
        second = (t - t[0]).astype(int)
        off = xy[:, 0] - error * model(second[-1] + 1, random)[second]
        truth += [off[lane == n][np.argsort(xy[lane == n, 1])] for n in range(len(part))]
        pieces.append(swept(t, xy, lane))
        receivers.append(judge(t, np.full(len(t), error)))
    inner = np.array(truth)[:, int(EDGE / SPEED / STEP) : -int(EDGE / SPEED / STEP)]
    told = confidence_interval(pieces, receivers, FieldGround(box(ends[0], EDGE, ends[1], length - EDGE), target=2))
    return told.low, told.high, float(np.mean([true_share(across, ends, 2) for across in inner.T]))


def measured(name, error, stated, fields, seed=0, model=None):
    """Return one cell of the table."""
    cell = Cell()
    for n in range(fields):
        # the same fields in every cell, with errors of their own
        number = 1000 * seed + n + 100_000 * (zlib.crc32(name.encode()) % 1000)
        one_field(cell, model or MODELS[name], error, stated, number)
    return cell


def why_out(cell, error, stated):
    """Return why the interval of a cell holds too few or too many, "" where that may be chance."""
    from scipy.stats import binom

    number, held = len(cell.held), sum(cell.held)
    if binom.cdf(held, number, 0.9) < 0.05:
        return "too narrow"
    if binom.sf(held - 1, number, 0.9) >= 0.05:
        return ""
    if not stated and error < 3:
        return "wide: no error is stated, so a phone's is assumed"
    if np.mean(cell.at_one) > 0.5:
        return "one-sided: most end at 100 %"
    return "wide: the memory is not known" if error > 0.1 else "wide"


def told_of(cell):
    """Return the exact binomial 95 % interval of how many of a cell's intervals hold."""
    from scipy.stats import binomtest

    return tuple(binomtest(sum(cell.held), len(cell.held)).proportion_ci(0.95))


def is_out(cell):
    """Return whether a cell's intervals hold more or less than 85 to 95 %, beyond what so many fields leave open."""
    low, high = told_of(cell)
    return bool(high < 0.85 or low > 0.95)


HEAD = (
    "                 error            sure  real  half-tool  listed lapped   held         so  below above"
    "  at 1  width  off by"
)


def line(name, error, stated, cell, held_out):
    """Return a cell as a line of the table."""
    so = "{:.0%}-{:.0%}".format(*told_of(cell))
    of_seen = cell.found / (cell.wide - cell.lapped) if cell.wide > cell.lapped else np.nan
    return (
        f"{name:<15}{error:6.2f} {'stated' if stated else 'unstated':<9}"
        f"{cell.sure:6d}{cell.real / cell.sure if cell.sure else np.nan:6.0%}{cell.wide:11d}{of_seen:8.0%}{cell.lapped:7d}"
        f"{np.mean(cell.held):7.0%}{so:>11}{np.mean(cell.below):7.0%}{np.mean(cell.above):6.0%}{np.mean(cell.at_one):6.0%}"
        f"{np.mean(cell.wideness):7.1%}{np.mean(cell.missed):8.1%}  {'held out' if held_out else 'fitted'}"
        f"  {why_out(cell, error, stated)}"
    )


def main():
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--fields", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--models", default=",".join(MODELS))
    parser.add_argument("--errors", default=",".join(map(str, ERRORS)))
    parser.add_argument("--kinds", default="stated,unstated")
    parser.add_argument("--recorded", type=Path)
    args = parser.parse_args()
    errors, names = [float(one) for one in args.errors.split(",")], args.models.split(",")
    print(HEAD)
    counts, lapped, wide = {True: [0, 0, 0, 0], False: [0, 0, 0, 0]}, 0, 0
    for stated in [kind == "stated" for kind in args.kinds.split(",")]:
        for name in names:
            for error in errors:
                one = measured(name, error, stated, args.fields, args.seed)
                held_out = args.seed > 0 or name not in FITTED
                print(line(name, error, stated, one, held_out), flush=True)
                if stated:
                    counts[held_out][0] += 0.85 <= np.mean(one.held) <= 0.95
                    counts[held_out][1] += not why_out(one, error, stated)
                    counts[held_out][2] += is_out(one)
                    counts[held_out][3] += 1
                lapped, wide = lapped + one.lapped, wide + one.wide
    for held_out, (good, likely, out, cells) in counts.items():
        if cells:
            kind = "held out" if held_out else "fitted"
            print(
                f"stated, {kind}: {good} of {cells} cells hold 85 to 95 %, {out} surely hold more or less, "
                f"{likely} are 90 % within chance"
            )
    print(f"{lapped} of {wide} wide gaps are lapped as seen")
    if args.recorded:
        still, seeding = recorded_still(args.recorded), RecordedSeeding(args.recorded)
        for error in errors:
            cell = measured("recorded still", error, True, args.fields, args.seed, still)
            print(line("recorded still", error, True, cell, True), flush=True)
        for name in ("1 min", "10 min", "60 min", "1/f"):
            for error in errors[1:]:
                cell = Cell()
                for n in range(max(args.fields // 2, 1)):
                    cell.judge(seeding.told(MODELS[name], error, 1000 * args.seed + n), seeding.share)
                print(line(f"seeding, {name}", error, True, cell, True), flush=True)
    print("\nsteered by the receiver      held  interval         true")
    for name in names:
        for error in errors:
            rows = np.array(
                [steered_field(MODELS[name], error, args.seed + n) for n in range(max(args.fields // 2, 1))]
            )
            held = np.mean((rows[:, 0] <= rows[:, 2]) & (rows[:, 2] <= rows[:, 1]))
            low, high, true = rows.mean(axis=0)
            print(f"{name:<11}{error:5.2f} stated   {held:9.0%}  {low:5.1%} to {high:6.1%}{true:8.1%}", flush=True)


if __name__ == "__main__":
    main()
