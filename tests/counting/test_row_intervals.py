"""The visit rule on rows: short ways round give what asking piece by piece gives."""

import numpy as np
import pytest

from cabapp.counting.areas.area_totals import area_totals, totals_of_rows
from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.visits import overlap_search, row_crossings
from cabapp.counting.visits.row_sampling import DOWN, KIND_BITS, PLACE_BITS, ROW_BITS, RowSample
from cabapp.counting.visits.visit_rule import crossings, visits
from cabapp.geometry.quad_rows import row_spans
from cabapp.track import swath
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch


def wander(seed, fixes=250):
    """Pieces of a drive that goes straight, turns wide and tight, and jitters."""
    random = np.random.default_rng(seed)
    turn = np.repeat(random.choice([0.0, 0.0, 0.1, -0.2, 0.5, -0.9], fixes // 10), 10)
    heading = random.uniform(0, 6) + np.cumsum(turn)
    step = random.uniform(1.0, 4.0) * np.column_stack([np.cos(heading), np.sin(heading)])
    xy = np.cumsum(step, axis=0) + random.normal(0, random.choice([0.0, 0.05, 0.3]), step.shape)
    tool = ToolGeometry(float(random.choice([3.0, 12.8])), float(random.choice([0.0, 5.0])))
    off = [WorkSwitch(-1.0, True), WorkSwitch(fixes * 0.4, False), WorkSwitch(fixes * 0.4 + 4, True)]
    sweeper = SwathBuilder(tool)
    return SweptPieces.join([sweeper.feed(np.arange(len(xy)) * 1.0, xy, off), sweeper.finish()], sweeper.leave)


def one_by_one(pieces, row):
    """Length that each piece adds on each row, asking every earlier piece of the visit."""
    rows = row_spans(pieces.quad, row)
    added = {}
    for n in range(len(pieces)):
        earlier = [m for m in range(n) if pieces.s0[n] - pieces.s1[m] <= pieces.leave]
        for at in range(rows.offset[n], rows.offset[n] + rows.count[n]):
            k, parts = rows.k[at], [(rows.x0[at], rows.x1[at])]
            for m in earlier:
                if rows.first[m] <= k < rows.first[m] + rows.count[m]:
                    there = rows.offset[m] + k - rows.first[m]
                    c, d = rows.x0[there], rows.x1[there]
                    parts = [part for a, b in parts for part in ((a, min(b, c)), (max(a, d), b)) if part[0] < part[1]]
            added[n, k] = sum(b - a for a, b in parts if a < b)
    return added


@pytest.mark.parametrize("seed", range(12))
def test_skipping_pieces_that_cannot_overlap_changes_no_visit(seed):
    """Every piece adds on every row what it adds when all earlier pieces of its visit are asked."""
    pieces = wander(seed)
    expected = one_by_one(pieces, 0.5)
    found = dict.fromkeys(expected, 0.0)
    for k, x0, x1, piece in zip(*visits(pieces, 0.5)):
        found[piece, k] += x1 - x0
    assert max(abs(found[key] - expected[key]) for key in expected) < 1e-6
    assert sum(expected.values()) > 100


@pytest.mark.parametrize("seed", range(12))
def test_following_only_outer_edges_changes_no_count(seed, monkeypatch):
    """Starts and ends taken together hold, row by row, the same passes at the same places.

    Passes and their first and second moment along each row are compared; in small blocks too.
    """
    pieces = wander(seed)
    k, x0, x1, _ = visits(pieces, 0.5)
    sample = RowSample(0.5, 1.0 + np.abs(pieces.quad).max())
    for block in (row_crossings.BLOCK, 37):
        for module in (row_crossings, overlap_search):
            monkeypatch.setattr(module, "BLOCK", block)
        keys = np.concatenate(list(crossings(pieces).on(sample)))
        rows, ends = keys >> ROW_BITS, keys & DOWN
        x = sample.metres(keys >> KIND_BITS & (1 << PLACE_BITS) - 1)
        low, size = k.min(), np.ptp(k) + 1
        assert rows.min() >= low
        for power in (1, 2, 3):
            whole = np.bincount(k - low, x1**power - x0**power, minlength=size)
            edges = np.bincount(rows - low, np.where(ends, 1, -1) * x**power, minlength=size)
            assert np.abs(whole - edges).max() < 1e-8 * np.abs(x).max() ** power


def test_areas_without_stretches_written_down_are_the_areas_of_the_stretches():
    """`area_totals` and `totals_of_rows` of `count_rows` agree for several stints, but for rows left out."""
    stints = [wander(seed) for seed in (1, 2, 3)]
    short, long = area_totals(stints, None), totals_of_rows(count_rows(stints, None), None)
    assert short.by_count.keys() == long.by_count.keys()
    for count, area in long.by_count.items():
        assert short.by_count[count] == pytest.approx(area, abs=1e-5 * long.covered)
    assert short.avoidable == pytest.approx(long.avoidable, abs=1e-5 * long.covered)


def test_a_long_trace_is_swept_in_blocks_to_the_same_pieces(monkeypatch):
    """Blocks of fixes give the very same pieces as the whole trace at once."""
    random = np.random.default_rng(5)
    heading = np.cumsum(random.normal(0, 0.1, 900))
    xy = np.cumsum(2 * np.column_stack([np.cos(heading), np.sin(heading)]), axis=0)
    given = np.arange(900) * 1.0, xy, [WorkSwitch(-1.0, True), WorkSwitch(500.3, True, (False, True, True))]
    found = []
    for block in (10_000, 128):
        monkeypatch.setattr(swath, "BLOCK", block)
        sweeper = SwathBuilder(ToolGeometry(12.0, 6.0))
        found.append(SweptPieces.join([sweeper.feed(*given), sweeper.finish()], sweeper.leave))
    one, other = found
    assert len(one) == len(other) > 900
    assert (one.quad == other.quad).all() and (one.s0 == other.s0).all()
