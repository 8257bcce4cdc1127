"""Ground of a stint as areas for maps."""

import numpy as np
import pytest
import shapely

from cabapp.counting.areas.area_totals import area_totals
from cabapp.geometry.plane import Plane
from cabapp.reports.export.swaths import covered_ground, geojson_of
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch


@pytest.mark.parametrize("on", [(), (True, False, True)])
def test_the_area_is_what_was_covered(on):
    """Lanes with tight turns, whole and with the middle third up: the area is that of the rows within 0.3 %."""
    along = np.arange(0.0, 200.0, 2.0)
    turn = np.linspace(0, np.pi, 9)[1:-1]
    lanes = [
        np.column_stack([np.zeros(100), along]),
        np.column_stack([4 - 4 * np.cos(turn), 200 + 4 * np.sin(turn)]),
        np.column_stack([np.full(100, 8.0), along[::-1]]),
    ]
    xy = np.concatenate(lanes)
    builder = SwathBuilder(ToolGeometry(12.0))
    parts = [builder.feed(np.arange(len(xy)) * 1.0, xy, [WorkSwitch(-1.0, True, on)]), builder.finish()]
    pieces = SweptPieces.join(parts, builder.leave)
    ground = covered_ground(pieces)
    assert ground.is_valid
    assert ground.area == pytest.approx(area_totals([pieces], None, 0.1).covered, rel=3e-3)
    form = shapely.geometry.shape(geojson_of(ground, Plane(50.0, -104.0)))
    assert form.is_valid and form.geom_type == "MultiPolygon"
    assert (form.bounds[1], form.bounds[0]) == pytest.approx((50.0, -104.0), abs=1e-3)


def test_nothing_covered_is_no_area():
    """Without pieces there is no feature."""
    assert geojson_of(covered_ground(SweptPieces.none(0)), Plane(50.0, -104.0)) is None
