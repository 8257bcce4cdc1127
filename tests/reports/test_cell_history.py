"""Who covered each cell when: held to the count's own cells and areas."""

import base64
import zlib

import numpy as np
import pytest

from cabapp.reports.model.cell_history import STEP_S, frame_of, history, passes_by_cell

START = 1778780400.0


@pytest.fixture(scope="module")
def cells(small_log):
    """The frame, the planes of passes and their moments, of the small job."""
    frame = frame_of(small_log)
    return frame, *passes_by_cell(small_log, frame)


def test_the_frame_holds_the_field_and_little_more(small_log, cells):
    """The frame begins less than a cell west and south of the field, and ends less than two cells beyond it."""
    (cell, i0, j0, columns, rows), _planes, _moments = cells
    west, south, east, north = small_log.count.field.polygon.bounds
    assert 0 <= west - i0 * cell < cell and 0 <= south - j0 * cell < cell
    assert 0 <= (i0 + columns) * cell - east < 2 * cell and 0 <= (j0 + rows) * cell - north < 2 * cell


def test_each_cell_has_as_many_moments_as_passes(small_log, cells):
    """Passes by cell are the count's own at the cells' middles, and their area is the pass area in the field."""
    (cell, i0, j0, columns, rows), planes, moments = cells
    x, y = np.meshgrid((np.arange(columns) + i0 + 0.5) * cell, (np.arange(rows) + j0 + 0.5) * cell)
    places = np.column_stack([x.ravel(), y.ravel()])
    inside = (small_log.count.wanted(places) > 0).reshape(rows, columns)
    passes = (planes > 0).sum(axis=0)
    counted = small_log.count.grid.at(places).reshape(rows, columns)
    assert (passes == counted)[inside].mean() > 0.98 and passes[inside].max() == 2
    assert passes[inside].sum() * cell**2 == pytest.approx(small_log.totals.pass_area, rel=0.02)
    assert planes.max() == len(moments)


def test_moments_are_in_order_and_name_their_stint(small_log, cells):
    """Moments are steps of five minutes in order of time, each within its stint; a second pass is later."""
    _frame, planes, moments = cells
    times = moments[:, 1]
    assert np.all(np.diff(times) >= 0) and np.all(times % STEP_S == 0)
    for stint, at in moments:
        log = small_log.stints[int(stint)]
        assert log.row.at - STEP_S < at <= log.ended
    assert set(moments[:, 0]) == {0, 1} and times[0] == START // STEP_S * STEP_S
    twice = planes[1] > 0
    assert twice.any() and np.all(planes[1][twice] > planes[0][twice])


def test_the_script_gets_the_same_numbers(small_log, cells):
    """Decoded again, the data are the planes of passes and the passes wanted, row by row."""
    (cell, i0, j0, columns, rows), planes, moments = cells
    data = history(small_log)
    values = np.frombuffer(zlib.decompress(base64.b64decode(data["data"])), "<u2").reshape(-1, rows, columns)
    assert (data["west"], data["south"], data["planes"]) == (i0 * cell, j0 * cell, len(planes))
    assert len(values) == len(planes) + 1 and set(np.unique(values[-1])) == {0, 2}
    inside = values[-1] > 0
    assert np.array_equal(values[:-1][:, inside], planes[:, inside]) and not values[:-1][:, ~inside].any()
    assert data["who"] == ["Ada Stone", "Bo Reed"] and len(data["moments"]) == len(moments)
    assert data["done"] == "rolled"
