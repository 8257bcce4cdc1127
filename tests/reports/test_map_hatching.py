"""Outlines round cells, held to shapely's own union of the same cells."""

import numpy as np
import pytest
import shapely

from cabapp.reports.render import hatching


@pytest.mark.parametrize("seed", range(5))
def test_outlines_are_the_union_of_the_cells(seed):
    """Blocks of four cells laid at random, corner to corner and with holes, give shapely's own union."""
    rng = np.random.default_rng(seed)
    kinds = np.kron(rng.integers(0, 5, (12, 15)), np.ones((4, 4), int)).astype(np.uint8)
    found = hatching.outlines(kinds)
    for kind in hatching.PATTERNS:
        rows, columns = np.nonzero(kinds == kind)
        cells = shapely.union_all(shapely.box(columns, rows, columns + 1, rows + 1))
        ground = shapely.Polygon()
        for ring in found.get(kind, []):  # the even-odd rule, as the page fills them
            ground = ground.symmetric_difference(shapely.Polygon(ring))
        assert ground.symmetric_difference(cells).area == 0, kind


def test_stairs_are_smoothed_and_specks_dropped():
    """A slanted edge becomes a few points, within a cell of where it was; a lone cell is not drawn."""
    rows, columns = np.indices((200, 300))
    kinds = np.where(rows < 40 + columns / 3, hatching.AT_TARGET, 0).astype(np.uint8)
    kinds[150, 20] = hatching.AT_TARGET
    (ring,) = hatching.outlines(kinds)[hatching.AT_TARGET]
    assert len(ring) < 320
    assert shapely.Polygon(ring).area == pytest.approx((kinds > 0).sum(), rel=0.005)
