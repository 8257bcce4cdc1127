"""No overlap of a piece with earlier pieces of its visit is missed."""

import numpy as np
import pytest
import shapely

from cabapp.counting.visits.overlap_search import overlaps
from cabapp.geometry.quad_rows import corners
from cabapp.track.swath import MachineLimits, SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch


def wound(seed, turns=(0.0, 0.1, -0.2, 0.5, -0.9), leave=None):
    """Pieces of a drive of arcs drawn from some turns (rad in 1.6 m), also inside the tool's width."""
    random = np.random.default_rng(seed)
    heading, xy = random.uniform(-3, 3), [np.zeros(2)]
    for turn in random.choice(turns, 12):
        for _ in range(8):
            heading += turn
            xy.append(xy[-1] + 1.6 * np.array([np.cos(heading), np.sin(heading)]))
    builder = SwathBuilder(ToolGeometry(9.0, hitch=4.0 * (seed % 2)), MachineLimits(leave=leave))
    t = np.arange(len(xy)) * 1.0
    parts = [builder.feed(t, np.array(xy), [WorkSwitch(-1.0, True)]), builder.finish()]
    return SweptPieces.join(parts, builder.leave)


@pytest.mark.parametrize(
    ("seed", "turns", "leave"),
    [(seed, (0.0, 0.1, -0.2, 0.5, -0.9), None) for seed in range(3)]
    # wide loops that no pivot breaks, in one long visit
    + [(10, (0.25,), 80.0), (12, (-0.25, -0.2), 80.0), (14, (0.2, 0.3), 80.0)],
)
def test_every_overlap_lies_in_the_range_that_is_searched(seed, turns, leave):
    """Each pair of one visit whose polygons share ground (shapely) is among the candidates."""
    pieces = wound(seed, turns, leave)
    since = pieces.s0 - pieces.leave
    found = overlaps(*corners(pieces.quad), pieces.s1, since)
    joins, forward = found.joins, found.forward
    far, near = np.zeros((2, len(pieces)), int)
    far[found.busy], near[found.busy] = found.far, found.near
    polygons = shapely.make_valid(shapely.polygons(pieces.quad))
    later, earlier = shapely.STRtree(polygons).query(polygons, predicate="intersects")
    pairs = [(j, i) for j, i in zip(later, earlier) if i < j and pieces.s1[i] >= since[j]]
    # without a grid GEOS 3.14 takes a sliver between two triangles for the whole of one
    grid = {"grid_size": 1e-7}
    shared = [(j, i) for j, i in pairs if shapely.intersection(polygons[j], polygons[i], **grid).area > 1e-6]
    assert len(shared) > 20 and (leave or not forward.all())
    assert [(j, i) for j, i in shared if not far[j] <= i < near[j]] == []
    rings = shapely.linearrings(pieces.quad)
    assert (forward == shapely.is_ccw(rings)).all()
    assert not joins[0] and joins.any()


def test_a_straight_drive_has_no_candidates():
    """Pieces that only advance overlap none, in any direction; a second run after the visit neither."""
    for angle in np.linspace(0, 2 * np.pi, 9):
        y = np.concatenate([np.arange(0.0, 100.0, 2.0), np.arange(0.0, 100.0, 2.0)])
        x = np.repeat([0.0, 5.0], 50)
        c, s = np.cos(angle), np.sin(angle)
        builder = SwathBuilder(ToolGeometry(9.0))
        t = np.arange(100) + np.repeat([0.0, 1000.0], 50)
        xy = np.column_stack([x, y]) @ np.array([[c, s], [-s, c]])
        pieces = SweptPieces.join([builder.feed(t, xy, [WorkSwitch(-1.0, True)]), builder.finish()], builder.leave)
        assert len(overlaps(*corners(pieces.quad), pieces.s1, pieces.s0 - pieces.leave).busy) == 0
