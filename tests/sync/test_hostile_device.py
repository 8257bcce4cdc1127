"""A tablet on the roll whose holder has altered its program: it takes nobody's place, and copies stay equal."""

import itertools
import tracemalloc

import pytest

from store.facts.record_id import may_have, new_id
from store.models import FACTS, Own, Tap
from sync import export_bundle, merge_bundles
from sync.bundle_export import export_version_4
from sync.folder_exchange import FolderWatcher

WRITERS = {"bundle": export_bundle, "older bundle": export_version_4}


def carried(source, *targets, folder, write=export_bundle):
    """Carry all of one copy to others; return what was said."""
    bundle, said = write(source, folder / source.device), []
    for target in targets:
        result = merge_bundles(target, [bundle])
        said += [str(why) for _path, why in result.refused] + list(map(str, result.missing))
    return said


def test_every_record_has_an_id_of_its_device(copies, work):
    """Whatever writes a record, its id is one that no record of another device can have."""
    cab, office, _third = copies
    work(cab, "Ada")
    with cab.session() as session:
        ids = [id for model in FACTS.values() for (id,) in session.query(model.id).filter_by(device=cab.device)]
    assert len(ids) > 8 and all(id[14] == "8" and may_have(cab.device, id) for id in ids)
    assert not any(may_have(office.device, id) for id in ids)
    assert len({new_id(cab.device) for _ in range(1000)}) == 1000


@pytest.mark.parametrize("write", WRITERS.values(), ids=WRITERS)
@pytest.mark.parametrize("order", list(itertools.permutations(range(3), 2)))
def test_nobody_takes_the_id_of_anothers_record(copies, work, rows_of, tmp_path, order, write):
    """A record that was given the id of another device's is in no copy, whichever of the two comes first."""
    liar, office, third = copies
    carried(liar, office, third, folder=tmp_path)
    stint = work(office, "Ada")
    (wanted,) = office.all(Tap)
    carried(office, liar, folder=tmp_path) if order[0] == 2 else None  # it may know what the id stands for, or not
    with liar.writing() as session:
        if order[0] == 2:
            session.connection().exec_driver_sql(f"DELETE FROM tap WHERE id = '{wanted.id}'")
    named = liar.all(type(stint)) or [work(liar, "Bo")]
    liar.add(Tap(id=wanted.id, stint_id=named[0].id, kind="finish", at=7.0))
    everyone, said = [liar, office, third], []
    for source in order:
        said += carried(everyone[source], office, third, folder=tmp_path, write=write)
    carried(office, third, folder=tmp_path)
    carried(third, office, folder=tmp_path)
    assert rows_of(office) == rows_of(third)
    assert third.get(Tap, wanted.id).kind == "stop" and office.get(Tap, wanted.id).kind == "stop"
    assert 0 not in order or any("the id of another device's record" in one for one in said)


@pytest.mark.parametrize("write", [*WRITERS.values(), None], ids=[*WRITERS, "folder"])
def test_a_number_far_beyond_all_leaves_no_hole(copies, work, rows_of, tmp_path, write):
    """A page numbered near the last number there can be is set aside and named: no copy lacks two thousand million records."""
    liar, office, third = copies
    work(liar, "Ada")
    with liar.writing() as session:
        liar_top = session.query(Own).one().next_seq
        liar.number(session, Tap(stint_id=liar.all(Tap)[0].stint_id, kind="mark", at=1.0))
    liar.seal_pages()
    with liar.writing() as session:
        session.query(Own).one().next_seq = 2147483600
    liar.add(Tap(stint_id=liar.all(Tap)[0].stint_id, kind="finish", at=7.0))
    if write is not None:
        said = carried(liar, office, third, folder=tmp_path, write=write)
    else:
        (tmp_path / "stick").mkdir()
        said = [
            str(one) for store in (liar, office, third, office) for _ in range(2)
            for news in FolderWatcher(store, [tmp_path / "stick"]).look() for one in news.messages
        ]  # fmt: skip
    assert any("from number 2147483600 on were set aside" in one for one in said), said
    assert not any("missing" in one for one in said)
    assert len([tap for tap in office.all(Tap) if tap.device == liar.device]) == 2 and liar_top < 100
    assert office.check() == third.check() == [] and office.backup(tmp_path / "backups").exists()
    work(office, "Bea")
    assert carried(office, third, folder=tmp_path) == carried(third, office, folder=tmp_path) == []
    assert rows_of(office) == rows_of(third)


def _amplified(store, megabytes):
    """Sign, as a device of the roll, records that say so much in so few bytes when packed."""
    stint = store.all(Tap)[0].stint_id
    for _ in range(megabytes // 4):
        with store.writing() as session:
            store.number(session, Tap(stint_id=stint, kind="mark", at=1.0, reason="x" * 2**22))
        store.seal_pages()


def test_a_small_file_fills_no_memory(copies, work, tmp_path, monkeypatch):
    """A page that unpacks to far more than its size is refused before it is unpacked; lines are taken some at a time."""
    liar, office, third = copies
    work(liar, "Ada")
    _amplified(liar, 48)
    bundle = export_bundle(liar, tmp_path / "bundle")
    assert bundle.stat().st_size < 100_000
    tracemalloc.start()
    result = merge_bundles(office, [bundle])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3 * 2**22, peak
    assert any("unpacks to more than it may" in str(why) for _path, why in result.refused)
    monkeypatch.setattr("store.unpacking.RATIO", 2000)  # what is within it is taken piece by piece
    tracemalloc.start()
    assert merge_bundles(third, [bundle]).refused == []
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 20 * 2**22, peak
    assert len([tap for tap in third.all(Tap) if tap.device == liar.device]) == 13
