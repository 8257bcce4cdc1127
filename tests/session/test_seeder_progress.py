"""The seeder as the operator tells of it: by a tap where it is, by its pace, or by both."""

import pytest

from cabapp.common.message import message
from cabapp.common.units import ACRE
from cabapp.jobs.records.stint_state import TapRefused
from cabapp.position.fix import Fix
from store.models import Job, Stint, Tap, job_id

T0 = 1_779_000_000.0
HOUR = 3600.0
FIELD = 400.0 * 300.0  # the test field, m2


@pytest.fixture
def behind(run, store, ids, drive_rows, place):
    """Twelve half-laps lie in the logbook, 6 m apart from the south edge to y = -78; she stands there."""
    fixes = drive_rows([-144.0 + 6 * k for k in range(12)], start=T0 - 3 * HOUR, west=-194.0, east=194.0)
    job = store.put(
        Job, id=job_id(ids.field, "rolling", 2026), field_id=ids.field, operation="rolling", season=2026, target=2
    )
    stint = store.add(
        Stint(
            job_id=job.id, operator_id=ids.ann, tractor_id=ids.red, tool_id=ids.roller, width_m=12.0, at=T0 - 3 * HOUR
        )
    )
    store.add(Tap(stint_id=stint.id, kind="start", at=fixes[0].t))
    writer = store.trace(stint.id)
    for fix in fixes:
        writer.append(fix.t, fix.lat, fix.lon, fix.sigma, fix.quality)
    writer.seal()
    store.add(Tap(stint_id=stint.id, kind="finish", at=fixes[-1].t))
    here = place(194.0, -78.0)
    day = run([Fix(T0 + 2 * k, *here, sigma=0.1, quality=4) for k in range(1500)], tick=5.0)
    day.take_over()
    return day


def seeder(day):
    """What the page says of the seeder."""
    day.on(61.0)
    return {name: str(line) for name, line in day.session.day()}.get("Seeder")


def known(day):
    return day.session._runner.day._known.seeder


def test_nothing_told_says_nothing(behind):
    """Without a tap, a pace or a bundle there is no line on the seeder."""
    assert seeder(behind) is None and known(behind) is None


def test_where_it_is_pointed_out_on_the_map_says_what_waits(behind, place):
    """The seeder at y = +50, our ground finished to y = -78 and half done to -72: what waits lies between, 400 m wide, and what is not seeded lies north of it. No pace is known, so no clock."""
    lat, lon = place(20.0, 50.0)
    behind.session.tap("seeder", lat=lat, lon=lon)
    said = seeder(behind)
    assert said.endswith("ac seeded and not finished.")
    assert known(behind).lead == pytest.approx(400 * (50 + 78), rel=0.03)
    assert known(behind).left == pytest.approx(400 * 100, rel=0.03)
    assert known(behind).rate is None
    (tap,) = behind.session._store.all(Tap, kind="seeder")
    assert (tap.lat, tap.lon) == pytest.approx((lat, lon))


def test_where_it_is_can_be_told_by_the_tractor_s_own_place(behind):
    """Beside the seeder one tap says it: the seeder is where the tractor stands, so nothing waits but
    the half that this pass left."""
    behind.session.tap("seeder")
    seeder(behind)
    assert known(behind).lead < 0.05 * FIELD
    assert known(behind).lead + known(behind).left < FIELD


def test_a_pace_that_is_told_gives_both_clocks(behind, place):
    """20 ac/h and 5 ac/h told: the one gains on us (we finish 13), the other is caught."""
    lat, lon = place(20.0, 50.0)
    behind.session.tap("seeder", lat=lat, lon=lon)
    behind.session.tap("seeder_pace", rate=20 * ACRE / HOUR)
    assert "; it grows by " in seeder(behind)
    behind.session.tap("seeder_pace", rate=5 * ACRE / HOUR)
    assert "; you catch up in " in seeder(behind)
    before = known(behind).lead
    behind.on(600.0)
    assert known(behind).lead - before == pytest.approx(600 * 5 * ACRE / HOUR, rel=0.11)


def test_two_taps_tell_the_pace(behind, place):
    """From y = 20 to y = 50 in half an hour is 12 000 m2, 6.7 m2/s; two taps within ten minutes tell
    none, for the second sets the first right."""
    behind.session.tap("seeder", **dict(zip(("lat", "lon"), place(20.0, 14.0))))
    behind.on(300.0)
    behind.session.tap("seeder", **dict(zip(("lat", "lon"), place(-100.0, 20.0))))
    seeder(behind)
    assert known(behind).rate is None
    behind.on(1800.0 - 61.0)
    behind.session.tap("seeder", **dict(zip(("lat", "lon"), place(0.0, 50.0))))
    seeder(behind)
    assert known(behind).rate == pytest.approx(400 * 30 / 1800, rel=0.05)
    behind.session.tap("undo") if behind.session.view.undo_label else None
    behind.session.tap("seeder_pace", rate=9.0)
    seeder(behind)
    assert known(behind).rate == 9.0, "what is told goes before what is learnt"


def test_without_a_place_pace_and_ground_seeded_are_enough(behind):
    """20 ac of the field seeded and 13 ac/h told: what waits is that less what is finished, and grows."""
    behind.session.tap("seeder_pace", rate=13 * ACRE / HOUR, seeded=20 * ACRE)
    assert "seeded and not finished" in seeder(behind)
    finished = 394 * (78 - 6)  # the strips done once at both edges are half finished each
    since = 60 * 13 * ACRE / HOUR
    assert known(behind).lead == pytest.approx(max(0.0, 20 * ACRE - finished) + since, abs=2500)
    assert known(behind).left == pytest.approx(FIELD - 20 * ACRE - since, abs=1500)


def test_a_standing_seeder_is_a_pace_of_nothing(behind, place):
    """Told that it stands, what waits does not grow, and the sentence says for how long there is ground."""
    lat, lon = place(20.0, -60.0)
    behind.session.tap("seeder", lat=lat, lon=lon)
    behind.session.tap("seeder_pace", rate=0.0)
    seeder(behind)
    before = known(behind).lead
    behind.on(600.0)
    assert known(behind).lead == before
    (ask,) = [ask for ask in behind.session._runner.advice if ask.key == "seeder"]
    assert str(ask.words).startswith("The seeder stands: seeded ground for 13 min. Then ")


def test_old_word_of_the_seeder_says_nothing_of_now(behind, place):
    """After two hours without news the line is gone."""
    behind.session.tap("seeder", **dict(zip(("lat", "lon"), place(0.0, 50.0))))
    assert seeder(behind)
    behind.tick = 60.0
    behind.on(7300.0)
    assert seeder(behind) is None


def test_before_the_first_pass_our_side_is_the_seeded_one(run, place, drive_rows):
    """Taken over at the south edge, nothing rolled: the seeder in the north has the ground between."""
    day = run(drive_rows([-144.0], west=-194.0, east=194.0), tick=5.0)
    day.take_over()
    day.until(T0 + 20.0)
    day.session.tap("seeder", **dict(zip(("lat", "lon"), place(-170.0, 50.0))))
    seeder(day)
    assert known(day).lead == pytest.approx(400 * 200, rel=0.1)


def test_impossible_figures_are_refused(behind):
    """A pace below nothing or beyond any seeder is not written down."""
    for wrong in ({"rate": -1.0}, {"rate": 1e4}, {"rate": 1.0, "seeded": -5.0}):
        with pytest.raises(TapRefused):
            behind.session.tap("seeder_pace", **wrong)
    assert behind.session._store.all(Tap, kind="seeder_pace") == []


def test_a_place_told_by_mistake_is_taken_back(behind, place):
    """Undo within ten seconds: as if it had not been told."""
    behind.session.tap("seeder", **dict(zip(("lat", "lon"), place(0.0, 50.0))))
    assert behind.session.view.undo_label == message("seeder")
    behind.session.tap("undo")
    assert seeder(behind) is None
