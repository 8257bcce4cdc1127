"""Two tablets on one field: each counts what the other did as soon as its bundle is merged."""

import numpy as np
import pytest

from cabapp.jobs.records.stint_state import TapRefused
from store import open_store
from store.models import HandOverReceipt, Job
from sync import export_bundle, merge_bundles
from sync.enrolment import pair

T0 = 1_779_000_000.0


@pytest.fixture
def second(tmp_path, stock_farm, store):
    with open_store(tmp_path / "second.sqlite", "tablet 2") as opened:
        stock_farm(opened)
        pair(store, opened)
        yield opened


def work(day, fixes, operator="ann", tractor="red"):
    day.take_over(operator=operator, tractor=tractor)
    day.until(fixes[0].t)
    day.session.tap("start")
    day.until(fixes[-1].t + 1)
    day.session.tap("stop")


def test_what_another_tablet_rolled_counts_at_take_over(run, store, second, tmp_path, drive_rows):
    """Ann rolls once on one tablet, Ben the same ground on the other: merged, it is twice."""
    first = drive_rows([-100, -94])
    ann = run(first, tick=5.0)
    work(ann, first)
    ann.session.tap("finish")
    ann.on(11)
    merge_bundles(second, [export_bundle(store, tmp_path)])
    later = drive_rows([-94, -100], start=T0 + 1000)
    ben = run(later, store=second, start=T0 + 900)
    ben.take_over(operator="ben", tractor="blue")
    assert len(second.all(Job)) == 1
    once = ben.session.job.areas()
    assert once["covered"] == pytest.approx(12 * 120 + 6 * 120, rel=0.1) and once["done"] > 600
    ben.until(later[0].t)
    ben.session.tap("start")
    views = ben.until(later[-1].t + 1)
    # the middle is at target already: half the tool, said on the way
    assert any(v.sentence and v.sentence.rank == 5 for v in views)
    ben.session.tap("stop")
    ben.session.job.end()  # gives out the last step, which a live count holds back
    merge_bundles(store, [export_bundle(second, tmp_path)])
    # the same job on the first tablet: the same counts, whoever asks
    third = run(start=T0 + 5000)
    third.take_over()
    assert np.array_equal(third.session.job.grid.counts, ben.session.job.grid.counts)
    shares = [f.share_done for f in third.session.choices().fields if f.name == "North"]
    assert shares == [pytest.approx(ben.session.view.done_area / 120000, abs=1e-4)]


def test_a_hand_over_left_on_one_tablet_is_received_on_the_other(run, store, second, tmp_path, drive_rows, place, ids):
    """The sheet travels in the bundle; its receiver points on the other tablet's map."""
    fixes = drive_rows([-100])
    ann = run(fixes)
    work(ann, fixes)
    sheet = ann.session.prepare_hand_over(left=True)
    given = ann.session.hand_over(sheet)
    merge_bundles(second, [export_bundle(store, tmp_path)])
    ben = run(store=second, start=T0 + 3600)
    assert [w.id for w in ben.session.choices().hand_overs] == [given]
    with pytest.raises(TapRefused, match="Ann handed this field over"):
        ben.take_over(operator="ben")
    assert not ben.session.receive(given, ids.ben, *place(0.0, 0.0)).agreed
    assert ben.session.receive(given, ids.ben, sheet.next_lat, sheet.next_lon).agreed
    ben.take_over(operator="ben")
    merge_bundles(store, [export_bundle(second, tmp_path)])
    assert [r.agreed for r in store.all(HandOverReceipt)] == [False, True]
    # the first tablet, opened again, finds its hand-over answered
    assert run(start=T0 + 7200).session.view.state == "idle"


def test_what_is_merged_in_the_midst_of_a_stint_counts_as_soon_as_it_is_told(run, store, second, tmp_path, drive_rows):
    """Ben is at work already when Ann's bundle comes: her pass is in his count at once."""
    fixes = drive_rows([-100])
    ann = run(fixes)
    work(ann, fixes)
    later = drive_rows([20], start=T0 + 1000)
    ben = run(later, store=second, start=T0 + 990)
    work(ben, later, "ben", "blue")
    before = ben.session.job.areas()["covered"]
    ben.session.take_dirty()
    merge_bundles(second, [export_bundle(store, tmp_path)])
    ben.session.merged()
    assert ben.session.job.areas()["covered"] == pytest.approx(2 * before, rel=0.03)
    assert ben.session.take_dirty() == "all" and ben.session.view.state == "stopped"


def test_ground_rolled_before_it_was_seeded_is_bare_again(run, store, drive_rows):
    """Rolled, then seeded over half of it: only the other half is still rolled."""
    fixes = drive_rows([-100])
    ann = run(fixes)
    work(ann, fixes)
    ann.session.tap("finish")
    rolled = ann.session.job.areas()["covered"]
    ann.on(11)
    over = drive_rows([-100], start=T0 + 1210, west=-60, east=0)
    seeder = run(over, start=T0 + 1200)
    seeder.take_over(operation="seeding")
    seeder.until(over[0].t)
    seeder.session.tap("start")
    seeder.until(over[-1].t + 1)
    seeder.session.tap("finish")
    seeder.on(11)
    ben = run(start=T0 + 3000)
    ben.take_over(operator="ben")
    assert ben.session.job.areas()["covered"] == pytest.approx(rolled / 2, rel=0.05)
