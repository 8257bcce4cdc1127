"""The cab's list of the season: order, what each field needs, and the backlog of all who roll."""

import pytest

from cabapp.planning.emergence import DAY
from store.models import Field, Job, Stint, Tap, job_id

T0 = 1_779_000_000.0


@pytest.fixture
def farm(store, ids, box, run):
    """North is half rolled by Ann; East and West are untouched, East seeded long before West."""
    east = store.put(Field, name="East", boundary=box(300, 0, 500, 200), crop="lentil", target=2)
    west = store.put(Field, name="West", boundary=box(-600, 0, -400, 200), crop="lentil", target=1)

    def stint(field, operation, who, tractor, at):
        job = store.put(
            Job, id=job_id(field, operation, 2026), field_id=field, operation=operation, season=2026, target=2
        )
        return store.add(
            Stint(job_id=job.id, operator_id=who, tractor_id=tractor, tool_id=ids.roller, width_m=12.0, at=at)
        )

    for field, ago in ((east.id, 6 * DAY), (west.id, 2 * DAY)):
        one = stint(field, "seeding", ids.ben, ids.blue, T0 - ago)
        store.add(Tap(stint_id=one.id, kind="start", at=T0 - ago))
        store.add(Tap(stint_id=one.id, kind="finish", at=T0 - ago + 3600))
    done = stint(ids.field, "rolling", ids.ann, ids.red, T0 - 7200)
    store.add(Tap(stint_id=done.id, kind="start", at=T0 - 7200))
    store.add(
        Tap(stint_id=done.id, kind="finish", at=T0 - 3600, detail={"share_left": 0.5, "paces": [20.0, 20.0, 24.0]})
    )
    return store, ids, east, west, stint, run


def test_what_closes_first_comes_first_with_what_it_needs(farm):
    """East, seeded first, then West, then North that nothing closes; needs are passes lacking over her
    pace: East 40 000 m2 twice at 20 m2/s are 4 000 s."""
    *_, run = farm
    work, backlog = run().session.season()
    assert [one.name for one in work] == ["East", "West", "North"]
    assert [one.left for one in work] == pytest.approx([80_000, 40_000, 120_000], rel=0.01)
    assert work[0].needs == pytest.approx(80_000 / 20, rel=0.01)
    assert backlog.left == pytest.approx(120_000, rel=0.01)
    assert (backlog.operators, backlog.tractors) == (1, 1)


def test_two_who_roll_share_the_backlog(farm):
    """Ben with another tractor at 30 m2/s: the same backlog in two fifths of the time."""
    store, ids, east, _, stint, run = farm
    other = stint(east.id, "rolling", ids.ben, ids.blue, T0 - 5000)
    store.add(Tap(stint_id=other.id, kind="start", at=T0 - 5000))
    store.add(Tap(stint_id=other.id, kind="stop", at=T0 - 1000, detail={"share_left": 0.75, "paces": [30.0]}))
    _work, backlog = run().session.season()
    assert (backlog.operators, backlog.tractors) == (2, 2)
    assert backlog.left == pytest.approx(0.75 * 80_000 + 40_000, rel=0.01)
    assert backlog.needs == pytest.approx(backlog.left / 50, rel=1e-6)


def test_a_field_that_is_done_is_no_work(farm):
    """A last stop that left nothing takes the field off the list."""
    store, ids, *_, stint, run = farm
    last = stint(ids.field, "rolling", ids.ann, ids.red, T0 - 1800)
    store.add(Tap(stint_id=last.id, kind="start", at=T0 - 1800))
    store.add(Tap(stint_id=last.id, kind="finish", at=T0 - 600, detail={"share_left": 0.0}))
    work, _ = run().session.season()
    assert "North" not in [one.name for one in work]
