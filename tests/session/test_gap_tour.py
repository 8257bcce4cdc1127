"""The round of what was missed, from a real drive."""

import numpy as np
import pytest

from cabapp.common.clock import ManualClock
from cabapp.position.fix import Fix
from cabapp.session import Session
from store.models import Field

T0 = 1_779_000_000.0


@pytest.fixture
def rolled(run, drive_rows):
    """Drive passes at these northings right across the field; stop behind the last."""

    def make(ys):
        fixes = drive_rows(ys, hz=0.5, west=-215, east=215)
        day = run(fixes, tick=5.0)
        day.take_over()
        day.until(T0 + 10)
        day.session.tap("start")
        day.until(fixes[-1].t)
        day.session.tap("stop")
        return day.session

    return make


def test_strips_missed_are_a_round_from_where_she_stands(rolled):
    """Half-laps of 6 m with two spacings of 8 m in a row leave strips of 2, 4 and 2 m once: driven
    from the last pass's end to and fro, the round is hardly longer than the strips."""
    session = rolled([-100, -94, -86, -78, -72, -66])
    found = session.mop_up()
    assert sorted(str(stop.words) for stop in found.stops) == [
        f"{wide} ft wide, 0.2 mi long, rolled fewer than twice: sure" for wide in (13, 7, 7)
    ]
    ends = np.array([[session.job.plane.to_xy(*e)[0] for e in (s.start, s.end)] for s in found.stops])
    assert sorted(ends[:, 0, 1]) == pytest.approx([-93, -86, -79], abs=0.5)
    assert np.abs(ends[:, :, 0]) == pytest.approx(np.full((3, 2), 194), abs=2)  # the edge strip is left out
    # she stands in the west, so the first is driven eastwards, and the next back
    assert list(np.sign(ends[:, 0, 0])) == [-1, 1, -1]
    assert 1200 < found.metres < 1320 and found.not_worth == ()
    assert found.seconds == pytest.approx(found.metres / 2.5, rel=0.01)


def test_a_narrow_strip_is_not_worth_its_way(rolled):
    """One spacing of 7 m leaves 1 m once on either side. A foot missed is five times a foot too
    many, so driving for 1 of 12 m is not worth it, and that is said with the time it would take."""
    found = rolled([-100, -94, -87, -81]).mop_up()
    assert found.stops == () and len(found.not_worth) == 2
    assert all(str(one).startswith("Not worth it: 3 min of driving for 0.1 ac (3 ft wide") for one in found.not_worth)


def test_nothing_missed_is_an_empty_round(run, drive_rows):
    """Exact half-laps leave nothing to go back for; the rest of the field is work, not mop-up."""
    fixes = drive_rows([-100, -94, -88], hz=0.5, west=-215, east=215)
    day = run(fixes, tick=5.0)
    day.take_over()
    day.until(T0 + 10)
    day.session.tap("start")
    day.until(fixes[-1].t)
    found = day.session.mop_up()
    assert (found.stops, found.not_worth, found.metres) == ((), (), 0.0)


@pytest.fixture
def missed(rolled, run, store, drive_along):
    """Leave a field with three missed strips behind, finished; open it again with these fixes."""
    session = rolled([-100, -94, -86, -78, -72, -66])
    session.tap("finish")
    session.close()

    def again(fixes):
        day = run(fixes, start=T0 + 90_000.0)
        day.take_over("ben", skip_check="no time")
        day.on(5.0)
        return day.session

    return again


def test_before_the_tractor_has_moved_the_round_begins_where_it_stands(missed, place):
    """A place but no heading yet: the round begins there, with nothing to excuse."""
    here = place(150.0, 100.0)
    session = missed([Fix(T0 + 90_000.0 + k, *here, sigma=0.1, quality=4) for k in range(10)])
    assert session.view.pose is None
    found = session.mop_up()
    assert found.start == pytest.approx(here, abs=1e-6) and found.remark is None
    assert len(found.stops) == 3


def test_without_a_place_the_round_begins_at_the_gate_and_says_so(missed, store, ids, place):
    """No receiver at all: from the gate where one is written down, else from the field's middle."""
    lat, lon = place(-200.0, -150.0)
    found = missed(None).mop_up()
    assert str(found.remark).endswith("reckoned from the middle of the field.")
    assert len(found.stops) + len(found.not_worth) == 3
    store.put(Field, id=ids.field, gate_lat=lat, gate_lon=lon)
    found = missed_again(store).mop_up()
    assert found.start == pytest.approx((lat, lon), abs=1e-6)
    assert str(found.remark) == "The tractor's place is not known: reckoned from the gate."
    assert len(found.stops) + len(found.not_worth) == 3


def missed_again(store):
    """Open the stint in hand as after a restart."""
    return Session(store, ManualClock(T0 + 91_000.0), None)


def test_a_field_without_a_boundary_has_no_round(run):
    """Nothing can be said to have been missed there."""
    day = run()
    day.take_over(field="bare")
    assert day.session.mop_up() is None
