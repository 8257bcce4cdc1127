"""Copies that have exchanged everything are equal row by row, in whatever order it came."""

import gc
import json
import shutil
import sqlite3
import tempfile
import zipfile
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from store import open_store
from store.facts.signed_pages import make_page, text_of
from store.models import Change, Farm, Field, Job, Mark, Operator, Own, Peer, Stint, Tap, Tool, TraceChunk, Tractor
from sync import export_bundle, merge_bundles
from sync.bundle_export import export_version_4
from sync.bundle_file import RECORDS, write_bundle
from sync.enrolment import card_of, enrol

device = st.integers(0, 2)
acts = st.lists(
    st.one_of(
        st.tuples(st.just("work"), device),
        st.tuples(st.just("edit"), device, st.sampled_from(["name", "crop"]), st.sampled_from("abc")),
        st.tuples(st.just("job"), device, st.sampled_from([2026, 2027])),
        st.tuples(st.just("write"), device),
        st.tuples(st.just("read"), device, st.integers(0, 30)),
    ),
    max_size=12,
)


@settings(max_examples=8)
@given(acts, st.permutations([0, 1, 2]), st.permutations([0, 1, 2]))
def test_any_order_ends_the_same(open_copies, rows_of, work, drawn, first, second):
    """Work, edits, old bundles read late or twice: after a full exchange three copies are equal."""
    with tempfile.TemporaryDirectory() as folder:
        folder = Path(folder)
        stores = open_copies(folder)
        shelf = []
        for what, who, *more in drawn:
            store = stores[who]
            if what == "work":
                work(store, f"operator of {who}")
            elif what == "edit":
                store.put(Field, store.all(Field)[0].id, **{more[0]: more[1]})
            elif what == "job":
                store.put(Job, field_id=store.all(Field)[0].id, operation="rolling", season=more[0])
            elif what == "write":
                path = export_bundle(store, folder / "out")
                shelf.append(shutil.copy(path, folder / f"rollbook-{len(shelf)}.zip"))
            elif shelf:
                assert merge_bundles(store, [shelf[more[0] % len(shelf)]]).refused == []
        for store in stores:
            export_bundle(store, folder / "last")
        last = sorted((folder / "last").iterdir())
        assert len(last) == 3
        for store, order in zip(stores, (first, second, (0, 1, 2)), strict=True):
            result = merge_bundles(store, [last[n] for n in order])
            assert result.refused == [] and result.missing == []
            again = merge_bundles(store, [folder / "last", *shelf])
            assert again.added == 0 and again.refused == []
            assert store.check() == []
        assert rows_of(stores[0]) == rows_of(stores[1]) == rows_of(stores[2])
        for store in stores:
            store.close()


def test_the_newest_word_wins_per_column_and_the_others_stay(copies, tmp_path):
    """Two copies edit one field: different columns both hold, the same column goes by the stamp."""
    right, slow, _wild = copies
    field = right.all(Field)[0].id
    slow.put(Field, field, name="slow", crop="lentils")  # its clock is an hour behind
    right.put(Field, field, name="right", target=1)
    for store in (right, slow):
        export_bundle(store, tmp_path / "stick")
    for store in (right, slow):
        merge_bundles(store, [tmp_path / "stick"])
        row = store.get(Field, field)
        assert (row.name, row.crop, row.target) == ("right", "lentils", 1)
        names = [c.columns.get("name") for c in store.all(Change, row_id=field)]
        assert set(names) == {"North", "slow", "right"}


def test_a_wild_clock_neither_wins_for_ever_nor_spreads(copies, tmp_path):
    """A tablet in 2094 edits a field: others read it, can overrule it, and keep their own time."""
    right, slow, wild = copies
    field = right.all(Field)[0].id
    wild.put(Field, field, crop="wild oats")
    merge_bundles(right, [export_bundle(wild, tmp_path / "a")])
    assert right.get(Field, field).crop == "wild oats"
    assert right.all(Change)[-1].stamp.startswith("2093-")
    right.put(Field, field, crop="lentils")
    other = right.put(Operator, name="Ada")
    assert other.stamp.startswith("2026-")
    bundle = export_bundle(right, tmp_path / "b")
    for store in (slow, wild):
        merge_bundles(store, [bundle])
        assert store.get(Field, field).crop == "lentils"


def test_news_travels_through_a_third_copy(copies, tmp_path, work, rows_of):
    """What one tablet did reaches another through the office, which passes on all it knows."""
    cab, office, other = copies
    work(cab, "Ada")
    merge_bundles(office, [export_bundle(cab, tmp_path / "a")])
    result = merge_bundles(other, [export_bundle(office, tmp_path / "b")])
    assert result.refused == [] and result.missing == []
    there = rows_of(other)
    for table, rows in rows_of(cab).items():
        assert all(row in there[table] for row in rows)
    stint = cab.all(Tap)[0].stint_id
    assert len(other.read_trace(stint)) == 25
    with other.session() as session:
        assert session.get(Peer, cab.device).name == "tablet 1"


def test_an_open_trace_is_carried_and_goes_on(copies, tmp_path, work):
    """Exporting in mid-stint carries the trace so far, and the writer goes on unharmed."""
    cab, office, _ = copies
    stint = work(cab, "Ada").id
    writer = cab.trace(stint)
    writer.append(1_777_000_003.0, 49.0, -105.0)
    merge_bundles(office, [export_bundle(cab, tmp_path)])
    assert len(office.read_trace(stint)) == 25
    writer.append(1_777_000_003.1, 49.0, -105.0)
    writer.seal()
    merge_bundles(office, [export_bundle(cab, tmp_path)])
    assert len(office.read_trace(stint)) == len(cab.read_trace(stint)) == 27
    assert cab.check() == office.check() == []
    assert [c.n for c in office.all(TraceChunk)] == [0, 25]


def test_missing_numbers_are_named_in_words(copies, tmp_path, work):
    """Records of another device that did not come are named with the device and the numbers."""
    cab, office, _ = copies
    work(cab, "Ada")
    (mark,) = list(cab.all(Tap))
    cab.seal_traces()  # so that no later number follows
    with closing(sqlite3.connect(cab.path)) as raw:
        raw.execute("DELETE FROM tap")
        raw.commit()
    result = merge_bundles(office, [export_bundle(cab, tmp_path)])
    assert result.refused == []
    (sentence,) = result.missing
    assert f"Records {mark.seq} of tablet 1" in str(sentence)
    assert office.check() == [sentence]


def test_a_copy_without_a_farm_takes_the_first(copies, tmp_path, rows_of):
    """An empty logbook takes the farm of the first bundle it merges, then refuses another's."""
    bundle = export_bundle(copies[0], tmp_path / "ours")
    with open_store(tmp_path / "theirs.sqlite", "stranger") as other:
        other.put(Farm, name="Far Farm", timezone="America/Regina", units="metric")
        stray = export_bundle(other, tmp_path / "theirs")
        posing = card_of(other)
    with open_store(tmp_path / "new.sqlite", "office") as new:
        enrol(new, card_of(copies[0]), posing)
        assert merge_bundles(new, [bundle]).refused == []
        before = rows_of(new)
        assert {**before, "enrolment": []} == rows_of(copies[0])
        (sentence,) = (str(why) for _path, why in merge_bundles(new, [stray]).refused)
        assert "'Far Farm'" in sentence and "'Three Poplars'" in sentence
        assert rows_of(new) == before


def test_without_a_farm_there_is_no_bundle(tmp_path):
    """Exporting a logbook that has no farm is refused with a sentence."""
    from store.errors import BundleRefused

    with open_store(tmp_path / "x.sqlite") as store, pytest.raises(BundleRefused, match="no farm yet"):
        export_bundle(store, tmp_path)


def test_a_device_with_another_key_is_refused(copies, tmp_path, work, rows_of):
    """A device that signs with another key than before is refused, however sound the bundle."""
    cab, office, _ = copies
    merge_bundles(office, [export_bundle(cab, tmp_path)])
    with cab.writing() as session:
        session.query(Own).one().private_key = bytes(range(32))
    work(cab, "Eve")
    before = rows_of(office)
    (sentence,) = (str(why) for _path, why in merge_bundles(office, [export_bundle(cab, tmp_path)]).refused)
    assert "not signed with the key" in sentence.replace("\n", " ")
    assert rows_of(office) == before


def test_a_bundle_that_builds_on_what_is_not_here_is_refused(copies, tmp_path, work, rows_of):
    """A tap of a stint that neither the bundle nor the logbook has is refused, with its page and those behind."""
    cab, office, _ = copies
    work(cab, "Ada")
    cab.seal_traces()
    with closing(sqlite3.connect(cab.path)) as raw:
        raw.execute("DELETE FROM stint")
        raw.commit()
    before = rows_of(office)
    (sentence,) = (str(why) for _path, why in merge_bundles(office, [export_bundle(cab, tmp_path)]).refused)
    assert "build on records it does not carry" in sentence
    after = rows_of(office)
    assert all(after[table] == before[table] for table in ("stint", "tap", "mark", "trace_chunk", "hand_over"))


def test_one_bad_bundle_does_not_hinder_the_others(copies, tmp_path, work):
    """Of a folder with one broken bundle the sound ones are merged, and the broken one is named."""
    cab, office, _ = copies
    work(cab, "Ada")
    export_bundle(cab, tmp_path / "stick")
    (tmp_path / "stick" / "rollbook-broken-00000000.zip").write_bytes(b"PK\x03\x04 and no more")
    (tmp_path / "stick" / "holiday.zip").write_bytes(b"not ours to look at")
    seen = []
    result = merge_bundles(office, [tmp_path / "stick"], lambda *said: seen.append(said))
    assert result.added > 0
    assert [path.name for path, _ in result.refused] == ["rollbook-broken-00000000.zip"]
    assert seen[-1] == (2, 2, "")


def test_added_and_known_are_counted_over_all_bundles(copies, tmp_path, work):
    """Of two bundles and one repeated, every record counts once as added and as often as it came as known."""
    one, two, office = copies
    for store in (one, two):
        work(store, "Ada")
    paths = [export_bundle(store, tmp_path / store.device) for store in (one, two)]
    first = merge_bundles(office, paths)
    again = merge_bundles(office, [paths[0], paths[1], paths[0]])
    records = [records_on(path) for path in paths]
    assert first.added + first.known == sum(records) and first.known > 0
    assert (again.added, again.known) == (0, 2 * records[0] + records[1])


def records_on(path):
    """Return how many records a bundle carries."""
    with zipfile.ZipFile(path) as file:
        named = (n.rpartition("/")[2].split("-") for n in file.namelist() if n.endswith(".rbs"))
        return sum(int(last) - int(first) + 1 for first, last, _mark in named)


@pytest.mark.parametrize("enabled", [True, False])
def test_garbage_collection_is_as_before_after_merging(copies, tmp_path, enabled, monkeypatch):
    """It is disabled while a bundle is merged, refused or not, and afterwards as it was found."""
    copies[0].put(Operator, name="Ada")
    bundle, during = export_bundle(copies[0], tmp_path), []
    monkeypatch.setattr("sync.segments.segment_merge.unmet", lambda *_: during.append(gc.isenabled()) or {})
    try:
        gc.enable() if enabled else gc.disable()
        merge_bundles(copies[1], [bundle])
        assert gc.isenabled() is enabled
        copies[0].put(Operator, name="Bea")
        monkeypatch.setattr("sync.segments.segment_merge.insert_records", lambda *_: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            merge_bundles(copies[1], [export_bundle(copies[0], tmp_path)])
        assert gc.isenabled() is enabled and during == [False, False]
    finally:
        gc.enable()


@pytest.mark.parametrize("overlap", [0, 1, 3])
@pytest.mark.parametrize("alter", [False, True])
def test_pages_that_overlap_hold_the_same_records(copies, tmp_path, work, rows_of, overlap, alter):
    """Records on two pages are taken once; if the two differ, nothing of the bundle is taken."""
    cab, office, _ = copies
    work(cab, "Ada")
    sound = export_version_4(cab, tmp_path / "sound")
    with zipfile.ZipFile(sound) as file:
        members = {n: file.read(n) for n in file.namelist() if n == RECORDS or n.startswith("traces/")}
        said = json.loads(file.read("manifest.json"))
    lines = members[RECORDS].decode().splitlines()
    with cab.session() as session:
        key = session.query(Own).one().private_key
    twice = (
        [line.replace('"stamp": "2026', '"stamp": "2027') for line in lines[8 - overlap :]]
        if alter
        else lines[8 - overlap :]
    )
    pages = [make_page(cab.device, 1, lines[:8], key), make_page(cab.device, 9 - overlap, twice, key)]
    members[RECORDS] = b"".join(map(text_of, pages))
    names = ("device", "first", "last", "sha256", "signature")
    said["pages"] = [{"bytes": len(text_of(p)), **{n: getattr(p, n) for n in names}} for p in pages]
    path = tmp_path / "rollbook-overlapping.zip"
    write_bundle(path, {n: said[n] for n in ("written_at", "farm", "device", "devices", "pages")}, members, key)
    before = rows_of(office)
    result = merge_bundles(office, [path])
    if alter and overlap:
        assert "one id" in str(result.refused[0][1]) and rows_of(office) == before
    elif not alter:
        assert result.refused == [] and office.check() == []
        assert rows_of(office)["tap"] == rows_of(cab)["tap"] != before["tap"]
        assert merge_bundles(office, [sound]).added == 0


def test_a_number_is_kept_alike_everywhere(copies, tmp_path):
    """1 and 1.0, -0.0 and whole numbers beyond 64 bits lie in every copy's file in the same letters."""
    first, second = copies[0], copies[1]
    tool = first.put(Tool, name="one", operation="rolling", width_m=6, grease_every_h=10)
    first.put(Tool, tool.id, width_m=7)
    first.put(Farm, first.all(Farm)[0].id, go_rules={"wind_m_s": 5, "air_c": 20})
    first.add(Mark(field_id=first.all(Field)[0].id, kind="rock", lat=-0.0, lon=10, at=1))
    stint = first.add(
        Stint(job_id=first.all(Job)[0].id, operator_id=first.put(Operator, name="Ida").id, tool_id=tool.id, width_m=7,
              tractor_id=first.all(Tractor)[0].id, at=1_777_000_000)
    )  # fmt: skip
    first.add(Tap(stint_id=stint.id, kind="start", at=1_777_000_000, detail={"n": 10**20, "m": 1, "f": 1.0}))
    assert merge_bundles(second, [export_bundle(first, tmp_path / "a")]).refused == []

    def letters(store):
        with store.session() as session:
            run = session.connection().exec_driver_sql
            return [
                run(f'SELECT {columns} FROM "{table}" WHERE device = ? ORDER BY seq', (first.device,)).fetchall()
                for table, columns in (
                    ("change", "quote(columns)"), ("tap", "quote(detail), quote(at)"), ("mark", "quote(lat), quote(lon), quote(at)"),
                    ("stint", "quote(width_m)"), ("tool", "quote(width_m), quote(grease_every_h)"),
                )
            ]  # fmt: skip

    assert letters(first) == letters(second)
    assert all("7.0" in str(one) for one in letters(second)[3])
