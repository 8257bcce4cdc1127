"""Whether "sure" is sure and 90 % is 90 %, under error models that are not the product's: a printed table.

python -m tests.bench.calibration [--fields 40] [--seed 0] [--cells "1 min/0.3/stated,..."]

Straight true lanes 12 m wide with misses; what covers them is known exactly, on a line across them. The receiver's
error is added by the models below, written for this file alone: none comes from `cabapp`. For each model, size of error
(1 sigma per axis, m), and whether the fixes state it:

sure     of the gaps said to be "sure", those that are there; the goal is 95 % or more.
listed   of true gaps of half the tool or more, those in the list, whatever their certainty; the goal is all.
held     of the 90 % intervals for the share covered to target, those that hold the true share; the goal is 85 to 95 %
         where the error is stated, and 85 % or more where it is not: then the worst is assumed.

A second table has fields that were steered by the receiver: lanes are seen evenly spaced, and lie elsewhere.
"""

import argparse
import sys
import zlib
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import numpy as np
from scipy.signal import lfilter
from shapely.geometry import box

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.confidence import confidence_interval
from cabapp.counting.edge_error import EdgeErrors
from cabapp.counting.gaps import list_gaps
from cabapp.geometry.field_ground import FieldGround
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


MODELS = {f"{minutes} min": partial(autoregressive, minutes) for minutes in (1, 3, 10, 60)}
MODELS |= {"1/f": flicker, "satellites": satellites}


# --- fields: what is true, and what is seen ------------------------------------------------------------------------


@dataclass
class Cell:
    """What was said of the fields of one cell of the table."""

    sure: int = 0
    real: int = 0
    wide: int = 0
    found: int = 0
    held: list[bool] = field(default_factory=list)
    wideness: list[float] = field(default_factory=list)
    missed: list[float] = field(default_factory=list)


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
        cell.found += any(g.ring[:, 0].min() - 2 <= middle[n] <= g.ring[:, 0].max() + 2 for g in gaps)
    told, share = confidence_interval(pieces, receivers, ground), true_share(x, ends, target)
    cell.held.append(told.low <= share <= told.high)
    cell.wideness.append(told.high - told.low)
    cell.missed.append(share - told.share)


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


def measured(name, error, stated, fields, seed=0):
    """Return one cell of the table."""
    cell = Cell()
    for n in range(fields):
        # the same fields in every cell, with errors of their own
        one_field(cell, MODELS[name], error, stated, 1000 * seed + n + 100_000 * (zlib.crc32(name.encode()) % 1000))
    return cell


def main():
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--fields", type=int, default=40)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--models", default=",".join(MODELS))
    parser.add_argument("--errors", default=",".join(map(str, ERRORS)))
    args = parser.parse_args()
    print("model       error            sure  real     half-tool  listed     held  width  count is off by")
    for stated in (True, False):
        for name in args.models.split(","):
            for error in map(float, args.errors.split(",")):
                one = measured(name, error, stated, args.fields, args.seed)
                print(
                    f"{name:<11}{error:5.2f} {'stated' if stated else 'unstated':<9}"
                    f"{one.sure:6d}{one.real / one.sure if one.sure else np.nan:6.0%}"
                    f"{one.wide:14d}{one.found / max(one.wide, 1):8.0%}{np.mean(one.held):9.0%}"
                    f"{np.mean(one.wideness):7.1%}{np.mean(one.missed):9.1%}",
                    flush=True,
                )
    print("\nsteered by the receiver      held  interval         true")
    for name in args.models.split(","):
        for error in map(float, args.errors.split(",")):
            rows = np.array([steered_field(MODELS[name], error, args.seed + n) for n in range(args.fields // 2)])
            held = np.mean((rows[:, 0] <= rows[:, 2]) & (rows[:, 2] <= rows[:, 1]))
            low, high, true = rows.mean(axis=0)
            print(f"{name:<11}{error:5.2f} stated   {held:9.0%}  {low:5.1%} to {high:6.1%}{true:8.1%}", flush=True)


if __name__ == "__main__":
    main()
