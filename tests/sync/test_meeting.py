"""What copies make of each other's work: rows taken away, two at once, what is missing, clocks."""

import sqlite3
from contextlib import closing

from store.models import Field, Job, Stint
from sync import export_bundle, merge_bundles

START = 1_777_000_000.0


def test_what_is_taken_away_stays_away_and_can_come_back(copies, tmp_path, rows_of):
    """A field taken away is gone from every copy's list, though a late edit of it still counts."""
    cab, office, other = copies
    field = cab.all(Field)[0].id
    cab.remove(Field, field)
    office.put(Field, field, crop="lentils")
    for source, target in ((cab, office), (other, office), (office, other), (office, cab)):
        merge_bundles(target, [export_bundle(source, tmp_path / source.device)])
    for store in copies:
        assert store.all(Field) == []
        assert store.get(Field, field).gone and store.get(Field, field).crop == "lentils"
        assert len(store.all(Field, gone=True)) == 1
    assert rows_of(cab) == rows_of(office) == rows_of(other)
    cab.put(Field, field, gone=False)
    assert [f.id for f in cab.all(Field)] == [field]


def test_two_operators_at_once_on_one_field(copies, tmp_path, work, rows_of):
    """Two tablets that each begin the job as the first, at one moment, make one job of both."""
    one, two, office = copies
    field = one.all(Field)[0].id
    for store in (one, two):
        job = store.put(Job, field_id=field, operation="harrowing", season=2026, target=1)
        assert job.target == 1
        work(store, f"operator of {store.device_name}")
    for store in (one, two):
        merge_bundles(office, [export_bundle(store, tmp_path / "stick")])
    for store in (one, two):
        merge_bundles(store, [export_bundle(office, tmp_path / "back")])
    assert rows_of(one) == rows_of(two) == rows_of(office)
    assert len(office.all(Job, operation="harrowing")) == 1
    assert len(office.all(Stint)) == 2 and office.check() == []


def test_a_missing_bundle_is_named_by_its_day(copies, tmp_path, work):
    """What is missing is named as people would: the tablet, the day and its part, farm's time."""
    cab, office, _ = copies
    noon = 1_777_399_200.0  # Tuesday 28 April 2026, 12:00 in Denver (UTC-6)
    for hour in (0, 1, 2):
        cab.wall = lambda hour=hour: noon + 3600 * hour
        work(cab, f"Ada {hour}")
    cab.seal_traces()
    with closing(sqlite3.connect(cab.path)) as raw:
        taps = raw.execute("SELECT id FROM tap ORDER BY seq").fetchall()
        raw.execute("DELETE FROM tap WHERE id = ?", taps[1])
        raw.commit()
    result = merge_bundles(office, [export_bundle(cab, tmp_path)])
    (sentence,) = result.missing
    assert str(sentence).startswith("tablet 1, Tuesday 28 April afternoon, is missing.")
