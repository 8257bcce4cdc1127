"""Play seasons: `--seed N` prints the steps of one; `--seasons A..B --jobs J` plays many and counts."""

import argparse
import logging
import signal
import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

from tests.simulator.carriers import Held
from tests.simulator.device import Wrong
from tests.simulator.season import STEPS, Season, Yard

LONGEST_S = 600
"""A season that takes longer hangs, s."""
_yard: Yard | None = None


def play(seed: int, short: bool, without: frozenset[str]) -> tuple[int, str | None, Counter]:
    """Play one season in this process; return its seed, what went wrong, and what was done."""
    global _yard
    _yard = _yard or Yard()
    season = Season(_yard, seed, short, without)
    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, _too_long)
        signal.alarm(LONGEST_S)
    try:
        return seed, None, season.run()
    except Wrong as wrong:
        return seed, str(wrong), season.counts
    except Held:
        return seed, f"seed {seed}: it hangs\n" + "\n".join(season.log), season.counts
    finally:
        if hasattr(signal, "SIGALRM"):
            signal.alarm(0)


def _too_long(*_: object) -> None:
    raise Held


def _begin() -> None:
    logging.disable(logging.NOTSET)
    logging.lastResort = None


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.simulator", description=__doc__)
    parser.add_argument("--seed", type=int, help="play one season and print its steps")
    parser.add_argument(
        "--seasons", default="0..99", metavar="A..B", help="play these, the last one too (default: 0..99)"
    )
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--short", action="store_true", help="short seasons of few machines, as in the tests")
    parser.add_argument("--without", action="append", default=[], choices=STEPS, metavar="STEP", help="leave steps out")
    parser.add_argument(
        "--only", action="append", default=[], choices=STEPS, metavar="STEP", help="leave all others out"
    )
    args = parser.parse_args()
    without = frozenset(args.without) | (frozenset(STEPS) - {*args.only} if args.only else frozenset())
    _begin()
    if args.seed is not None:
        yard = Yard()
        try:
            Season(yard, args.seed, args.short, without, say=print).run()
        except Wrong as wrong:
            print(str(wrong).partition("\npython -m")[0])
            return 1
        finally:
            yard.close()
        return 0
    first, last = map(int, args.seasons.split(".."))
    began, wrongs, counts = time.perf_counter(), [], Counter()
    seeds = range(first, last + 1)
    with ProcessPoolExecutor(args.jobs, initializer=_begin) as jobs:
        for seed, wrong, done in jobs.map(
            play,
            seeds,
            [args.short] * len(seeds),
            [without] * len(seeds),
            chunksize=max(1, min(20, len(seeds) // args.jobs)),
        ):
            counts += done
            if wrong is not None:
                wrongs.append(seed)
                print(wrong.partition("\n")[0][:600], flush=True)
    took = time.perf_counter() - began
    print(
        f"{len(seeds):,} seasons, {sum(counts.values()):,} steps, {took:.0f} s, {1000 * took / len(seeds):.0f} ms a season"
    )
    print(", ".join(f"{n} {name}" for name, n in counts.most_common()))
    print(f"{len(wrongs)} wrong: {wrongs}" if wrongs else "none wrong")
    return 1 if wrongs else 0


if __name__ == "__main__":
    sys.exit(main())
