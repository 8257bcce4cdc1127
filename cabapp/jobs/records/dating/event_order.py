"""The order of what was written, and times in that order, whatever a clock said. Pure.

Notes: Rows come in the order of their stamps (a hybrid logical clock never goes back); a tablet's clock may be set to
anything between two taps. This is the only home of both: whoever needs an order or rising times asks here.
"""

import itertools
import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from typing import TypeVar

from cabapp.jobs.records.tap_kinds import TAP_KINDS
from store.models import Record, Tap
from store.values.sound_rows import copied

AnyRow = TypeVar("AnyRow", bound=Record)

ANSWERS = ("were_rolling", "stop_counting")
"""Taps that say since when (``from`` in their detail, POSIX s), which moves with them."""
SWITCHING = {kind.name for kind in TAP_KINDS.values() if kind.switches} | set(ANSWERS)
"""Kinds that begin or end work, or change a part of the tool."""
DATED_BEFORE = ("warned", "caution")
"""Kinds written some time after the moment they are dated: their place in the order says nothing of it."""


def order_of(row: Record) -> tuple[str, str, int, str]:
    """Return what a row is ordered by: its stamp, then device, number and id."""
    return row.stamp, row.device, row.seq, row.id


def in_order(rows: Iterable[AnyRow]) -> list[AnyRow]:
    """Return rows in the order they were written."""
    return sorted(rows, key=order_of)


def rising(times: Sequence[float], sure: Sequence[bool]) -> list[float]:
    """Return times that never fall, with as few changed as can be.

    `times`: POSIX s, finite, in the order they were written.
    `sure`: which are known to be right; these are kept before all others.

    Notes: Kept is the heaviest subsequence that never falls, the later one of two equal ones, since a clock is
    sooner put right than wrong. Each other time becomes the nearest that fits between its kept neighbours.

    >>> rising([50.0, 10.0, 20.0], [False] * 3), rising([50.0, 10.0, 20.0], [True, False, False])
    ([10.0, 10.0, 20.0], [50.0, 50.0, 50.0])
    """
    if all(a <= b for a, b in itertools.pairwise(times)):
        return list(times)
    kept = _heaviest(times, [len(times) + 1 if one else 1 for one in sure])
    found, before, n = [], -math.inf, 0
    for k, t in enumerate(times):
        n += n < len(kept) and kept[n] < k
        after = times[kept[n]] if n < len(kept) else math.inf
        before = max(before, min(t, after))
        found.append(before)
    return found


def _heaviest(times: Sequence[float], weights: Sequence[int]) -> list[int]:
    """Return the indices of the heaviest subsequence that never falls (a Fenwick tree of maxima, from the end)."""
    ranks = sorted(set(times))
    best: list[tuple[int, int]] = [(0, -1)] * (len(ranks) + 1)  # weight from here on, and the index it begins with
    follows = [-1] * len(times)
    for k in range(len(times) - 1, -1, -1):
        place = len(ranks) - bisect_left(ranks, times[k])  # 1 for the latest time
        most, at = (0, -1), place
        while at:
            most, at = max(most, best[at]), at & (at - 1)
        follows[k] = most[1]
        own, at = (most[0] + weights[k], k), place
        while at < len(best):
            best[at], at = max(best[at], own), at + (at & -at)
    at, kept = max(best)[1], []
    while at >= 0:
        kept.append(at)
        at = follows[at]
    return kept


def rising_taps(taken_over: float, sure: bool, taps: Sequence[Tap], told: set[str]) -> tuple[float, list[Tap]]:
    """Return when a stint was taken over and its taps, dated so that their times never fall.

    `taken_over`: POSIX s as written or corrected; `sure` when it was corrected.
    `taps`: of one stint in the order they were written.
    `told`: ids of taps whose time was corrected.

    Notes: A tap with a place was dated while a receiver was heard, by satellite time.
    """
    fixed = [
        k for k, tap in enumerate(taps)
        if tap.kind in SWITCHING or (tap.kind not in DATED_BEFORE and tap.id not in told)
    ]  # fmt: skip
    times = [taken_over, *(taps[k].at for k in fixed)]
    found = rising(times, [sure, *(taps[k].lat is not None or taps[k].id in told for k in fixed)])
    dated = list(taps)
    for k, t in zip(fixed, found[1:]):
        dated[k] = moved(taps[k], t)
    return found[0], dated


def moved(tap: Tap, at: float) -> Tap:
    """Return a tap dated to another time, POSIX s, and since when it says with it; itself where it is so already."""
    since = (tap.detail or {}).get("from")
    if at == tap.at:
        return tap
    if tap.kind in ANSWERS and isinstance(since, (int, float)):
        return copied(tap, at=at, detail={**(tap.detail or {}), "from": since + at - tap.at})
    return copied(tap, at=at)
