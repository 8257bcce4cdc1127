"""Seasons of a farm from seeds: nothing acknowledged is lost, nobody honest is locked out, copies are equal; and it can fail."""

import logging
import os
from collections import Counter
from concurrent.futures import ProcessPoolExecutor

import pytest

from tests.simulator import adapter
from tests.simulator.__main__ import play
from tests.simulator.device import Wrong
from tests.simulator.season import Season, Yard

SHORT, LONG = 6, 10_000
LEFT_OUT: frozenset[str] = frozenset()
FOUND_BY = {"a tap is shown and not written": 4, "no lock": 1}
"""The first season that finds a planted fault: where the search begins."""


@pytest.fixture(scope="module")
def yard():
    made = Yard()
    yield made
    made.close()


@pytest.mark.parametrize("part", range(2))
def test_seasons_keep_every_promise(yard, part):
    """Short seasons of two to four machines, each from its seed."""
    counts = Counter()
    for seed in range(part, SHORT, 2):
        counts += Season(yard, seed, short=True, without=LEFT_OUT).run()
    assert sum(counts.values()) > 15 and len(counts) > 8


def test_a_season_is_the_same_again(yard):
    """A seed gives the same steps and the same sentences each time."""
    logs = []
    for _ in range(2):
        season = Season(yard, 7, short=True, without=LEFT_OUT)
        season.run()
        logs.append(season.log)
    assert logs[0] == logs[1] and len(logs[0]) > 8


@pytest.mark.parametrize("fault", adapter.PLANTED)
def test_a_planted_fault_is_found(yard, fault):
    """Each of these faults, put into the program, is found within some seasons."""
    first = FOUND_BY.get(fault, 0)
    with adapter.planted(fault), pytest.raises(Wrong, match="--seed"):
        for seed in range(first, first + 60):
            Season(yard, seed, short=True, without=LEFT_OUT).run()


@pytest.mark.long
@pytest.mark.parametrize("count", [300, LONG])
def test_many_seasons(capsys, count):
    """So many seasons, each tenth of two to twelve machines and up to 80 steps, the others short; printed."""
    counts, wrong, short = Counter(), [], [seed % 10 != 0 for seed in range(count)]
    with ProcessPoolExecutor(os.cpu_count(), initializer=logging.disable, initargs=(logging.NOTSET,)) as jobs:
        for _seed, said, done in jobs.map(play, range(count), short, [LEFT_OUT] * count, chunksize=20):
            counts += done
            wrong += [said.partition("\n")[0]] if said else []
    with capsys.disabled():
        print(f"\n  {count:,} seasons, {sum(counts.values()):,} steps, {len(wrong)} wrong: ", end="")
        print(", ".join(f"{n:,} {what}" for what, n in counts.most_common()))
    assert wrong == []
