"""Connected pieces of rows against scipy's connected components, and lists of strips against lists from all rows."""

import numpy as np
import pytest
import shapely
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from cabapp.counting.areas import strips_amiss
from cabapp.counting.areas.connected_rows import ConnectedRows, merged
from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.gaps import LEAST_AREA, LEAST_WIDTH, list_gaps, list_recovered
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.swath import SwathBuilder
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch


def stretches(rng, rows, share):
    """Whole rows of a lattice of 30 places, each filled by chance: k, x0, x1, those that touch joined."""
    k, at = np.nonzero(rng.random((rows, 30)) < share)
    return merged(k.astype(np.int32), at.astype(float), at + 1.0)[:3]


def by_scipy(k, x0, x1):
    """Component of each stretch from all pairs that overlap in neighbouring rows."""
    meets = (np.abs(k[:, None] - k) == 1) & (x0[:, None] < x1) & (x1[:, None] > x0)
    return connected_components(csr_array(meets), directed=False)[1]


@pytest.mark.parametrize("share", [0.2, 0.45, 0.55, 0.7])
@pytest.mark.parametrize("together", [1, 3, 40])
def test_pieces_are_those_of_scipy_however_many_rows_come_at_once(share, together):
    """Components and their order equal scipy.sparse.csgraph's, also where pieces meet only rows later."""
    rng = np.random.default_rng(7)
    for _ in range(10):
        k, x0, x1 = stretches(rng, 40, share)
        connected, labels = ConnectedRows(), []
        for low in range(0, 40, together):
            mine = (k >= low) & (k < low + together)
            labels.append(connected.feed(k[mine], x0[mine], x1[mine]))
        assert connected.settled()[np.concatenate(labels)].tolist() == by_scipy(k, x0, x1).tolist()


@pytest.mark.parametrize("kept", [0, strips_amiss.KEPT])
def test_strips_listed_are_those_of_all_rows(monkeypatch, kept):
    """Gaps and re-covered strips are equal, number by number, whether small ones were left out while counting or not."""
    monkeypatch.setattr(strips_amiss, "KEPT", kept)
    rng = np.random.default_rng(3)
    lanes, y = np.arange(0, 300, 5.0), np.arange(0, 400, 4.0)
    xy = [np.column_stack([x + np.cumsum(rng.normal(0, 0.05, len(y))), y if n % 2 else y[::-1]])
          for n, x in enumerate(lanes)]  # fmt: skip
    builder = SwathBuilder(ToolGeometry(10.0))
    places = np.concatenate(xy)
    pieces = [builder.feed(np.arange(len(places)) * 1.5, places, [WorkSwitch(-1.0, True)], last=True)]
    field = FieldGround(shapely.box(5.0, 5.0, 290.0, 390.0))
    every = count_rows(pieces, field, edge=5.0)
    some = strips_amiss.strips_amiss(pieces, field, 5.0, 2, (), LEAST_AREA, LEAST_WIDTH)
    assert sum(len(one.k) for one in some.strips) < (every.inside & (every.count != every.want)).sum() / 1.25
    for listed in (list_gaps, list_recovered):
        few, all_of_them = listed(some, 0.1), listed(every, 0.1)
        assert len(few) > 20
        assert [(g.kind, g.area, g.width, g.x, g.y, g.ring.tolist()) for g in few] == [
            (g.kind, g.area, g.width, g.x, g.y, g.ring.tolist()) for g in all_of_them
        ]
