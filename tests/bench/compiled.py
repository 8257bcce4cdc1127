"""The counting of `cabapp.counting.visits.row_intervals` and `tally` as plain loops, compiled by numba.

A yardstick only: the same rows, visit rule and starts and ends, piece by piece.
"""

import numpy as np
from numba import njit

SLANT = 0.07


@njit(cache=False)
def interval(x, y, k, row):
    """Return where one convex piece, corners x, y, meets the middle of row k."""
    low, high = np.inf, -np.inf
    middle = (k + 0.5) * row
    for a in range(4):
        b = (a + 1) % 4
        if (y[a] <= middle) != (y[b] <= middle):
            at = x[a] + (middle - y[a]) * (x[b] - x[a]) / (y[b] - y[a])
            low, high = min(low, at), max(high, at)
    return low, high


@njit(cache=False)
def overlaps_none(x, y, ways):
    """Return for each piece from which one on all run one way, as `reach.reaches`."""
    n = len(x)
    near = np.empty(n, np.int64)
    stops = np.zeros(len(ways), np.int64)
    for i in range(n):
        forward = (x[i, 2] - x[i, 0]) * (y[i, 3] - y[i, 1]) >= (y[i, 2] - y[i, 0]) * (x[i, 3] - x[i, 1])
        joins = i > 0
        for begin, end in ((0, 3), (1, 2)):
            if joins:
                joins = abs(x[i, begin] - x[i - 1, end]) < 1e-4 and abs(y[i, begin] - y[i - 1, end]) < 1e-4
        best = i
        for d in range(len(ways)):
            c, s = ways[d]
            one = (x[i, 3] - x[i, 0]) * c + (y[i, 3] - y[i, 0]) * s
            other = (x[i, 2] - x[i, 1]) * c + (y[i, 2] - y[i, 1]) * s
            if not forward or one < 0 or other < 0:
                stops[d] = i + 1
            elif not joins:
                stops[d] = max(stops[d], i)
            best = min(best, stops[d])
        near[i] = best
    return near


@njit(cache=False)
def events(x, y, s0, s1, leave, row, near):
    n = len(x)
    first, last = np.empty(n, np.int64), np.empty(n, np.int64)
    total = 0
    for i in range(n):
        first[i] = int(np.ceil(y[i].min() / row - 0.5))
        last[i] = int(np.ceil(y[i].max() / row - 0.5))
        total += last[i] - first[i]
    rows = np.empty(4 * total, np.int64)
    places = np.empty(4 * total)
    kinds = np.empty(4 * total, np.int64)
    used = 0
    starts, ends = np.empty(256), np.empty(256)
    for i in range(n):
        for k in range(first[i], last[i]):
            parts = 1
            starts[0], ends[0] = interval(x[i], y[i], k, row)
            j = near[i] - 1
            while j >= 0 and s0[i] - s1[j] <= leave:
                if first[j] <= k < last[j]:
                    c, d = interval(x[j], y[j], k, row)
                    now = parts
                    for p in range(now):
                        a, b = starts[p], ends[p]
                        if c < b and d > a:
                            ends[p] = min(b, max(a, c))
                            if d < b and parts < 256:
                                starts[parts], ends[parts] = d, b
                                parts += 1
                j -= 1
            for p in range(parts):
                if starts[p] < ends[p]:
                    rows[used], places[used], kinds[used] = k, starts[p], 1
                    rows[used + 1], places[used + 1], kinds[used + 1] = k, ends[p], -1
                    used += 2
    return rows[:used], places[:used], kinds[:used]


@njit(cache=False)
def add_up(rows, places, kinds, row):
    low = rows.min()
    number = np.zeros(rows.max() - low + 2, np.int64)
    for k in rows:
        number[k - low + 1] += 1
    offset = np.cumsum(number)
    at = offset[:-1].copy()
    place, kind = np.empty(len(rows)), np.empty(len(rows), np.int64)
    for n in range(len(rows)):
        slot = at[rows[n] - low]
        place[slot], kind[slot] = places[n], kinds[n]
        at[rows[n] - low] += 1
    sums = np.zeros(256)
    for r in range(len(offset) - 1):
        mine = place[offset[r] : offset[r + 1]]
        order = np.argsort(mine)
        count = 0
        for n in range(len(order) - 1):
            count += kind[offset[r] + order[n]]
            if count > 0:
                sums[count] += (mine[order[n + 1]] - mine[order[n]]) * row
    return sums


def count(quad, s0, s1, leave, row):
    """Return areas by number of passes, m2, shape (256,)."""
    step = (quad[:, 2] + quad[:, 3] - quad[:, 0] - quad[:, 1]) / 2
    size = np.maximum(np.hypot(step[:, 0], step[:, 1]), 1e-3)
    east = ((step[:, 0] ** 2 - step[:, 1] ** 2) / size).sum()
    north = (2 * step[:, 0] * step[:, 1] / size).sum()
    angle = np.pi / 2 - np.arctan2(north, east) / 2 % np.pi + SLANT
    c, s = np.cos(angle), np.sin(angle)
    turned = quad @ np.array([[c, s], [-s, c]])
    x, y = np.ascontiguousarray(turned[..., 0]), np.ascontiguousarray(turned[..., 1])
    ways = np.array([(np.cos(a), np.sin(a)) for a in np.arange(8) * (np.pi / 4)])
    near = overlaps_none(x, y, ways)
    return add_up(*events(x, y, s0, s1, leave, row, near), row)
