"""Two machines that write as one device come apart, lock nobody out, lose nothing, and all copies end equal."""

import itertools
import shutil
import sqlite3
import unittest.mock
from contextlib import closing

import pytest

from cabapp.__main__ import main
from store import open_store
from store.errors import message
from store.facts import device_identity
from store.facts.device_identity import renew
from store.models import FACTS, Enrolment, Operator, Own, Retirement, SignedPage, Tap
from store.values.sound_rows import odd_rows
from sync import export_bundle, merge_bundles
from sync.enrolment import card_of, enrol, hold_to, revoke
from sync.folder_exchange import FolderWatcher
from sync.segments import segment_merge


def taps_of(store):
    return {tap.id for tap in store.all(Tap)}


def exchange(source, *targets, folder):
    """Carry all of one copy to others; whatever they refuse is an error."""
    bundle = export_bundle(source, folder / source.device)
    for target in targets:
        result = merge_bundles(target, [bundle])
        assert result.refused == [] and result.missing == []


@pytest.fixture
def clone(copies, tmp_path, stands_for):
    """A clone of the cab's logbook that nothing tells from it: the whole folder, on a machine without a number."""
    path = stands_for(shutil.copy(copies[0].path, tmp_path / "clone.sqlite"))
    with open_store(path) as store:
        assert store.device == copies[0].device
        yield store


def test_a_logbook_put_back_gets_its_own_records_again(copies, tmp_path, work, rows_of, clone):
    """An old file of a device, put back by hand, takes its lost records from others and goes on as a new device."""
    cab, office, _ = copies
    work(cab, "Ada")
    exchange(cab, office, folder=tmp_path)
    exchange(office, clone, folder=tmp_path)
    assert taps_of(clone) == taps_of(office) and len(clone.all(Operator)) == len(office.all(Operator))
    assert clone.device != cab.device and "another machine" in str(clone.renewed)
    work(clone, "Bea")
    assert clone.check() == []
    with clone.session() as session:
        assert list(odd_rows(session)) == []  # that it goes on in place of another is no odd value
    exchange(clone, office, folder=tmp_path)
    assert rows_of(clone) == rows_of(office)


ORDERS = [
    pytest.param(order, marks=[pytest.mark.long] if n % 2 else [])
    for n, order in enumerate(list(itertools.permutations(range(4)))[::6])
]


@pytest.mark.parametrize("order", ORDERS)
def test_a_cloned_card_splits_nobody(copies, tmp_path, work, rows_of, clone, order):
    """Both twins write and meet copies in any order: everything is taken everywhere and ends equal row by row."""
    everyone = [copies[0], clone, copies[1], copies[2]]
    work(copies[0], "Ada")
    work(clone, "Bea")
    acknowledged = taps_of(copies[0]) | taps_of(clone)
    for n in order:
        others = [one for one in everyone if one is not everyone[n]]
        exchange(everyone[n], others[n % 3], folder=tmp_path)
        work(everyone[n], f"after {n}")
        acknowledged |= taps_of(everyone[n])
    for _ in range(2):
        for store in everyone:
            exchange(store, *[one for one in everyone if one is not store], folder=tmp_path)
    for store in everyone:
        assert rows_of(store) == rows_of(everyone[0]) and store.check() == []
        assert acknowledged <= taps_of(store) and len(store.read_trace(store.all(Tap)[0].stint_id)) == 25
    assert copies[0].device != clone.device
    for store in (copies[0], clone):
        assert store.add(Tap(stint_id=store.all(Tap)[0].stint_id, kind="mark", at=1.0)).device == store.device


@pytest.mark.parametrize("order", ORDERS)
def test_twins_meet_in_a_shared_folder(copies, tmp_path, work, rows_of, clone, order):
    """Written piece by piece, in any order of looks: no record is left out, nobody is refused, all copies end equal."""
    everyone, folder = [copies[0], clone, copies[1], copies[2]], tmp_path / "shared"
    folder.mkdir()
    watchers = [FolderWatcher(store, [folder]) for store in everyone]
    acknowledged, refused = set(), []

    def look(n):
        for _ in range(3):  # a file must stand still between two looks
            refused.extend((n, why) for news in watchers[n].look() for _path, why in news.merged.refused)

    for n in (2, 0, 1):
        look(n)  # the office's roll is known
    was = copies[0].device
    for turn in range(3):
        for n in order:
            if turn < 2:
                work(everyone[n], f"{turn} {n}")
                acknowledged |= taps_of(everyone[n])
            look(n)
    for n in (0, 1, 2, 3, 3, 2, 1, 0):
        look(n)
    assert refused == []
    for store in everyone:
        assert acknowledged <= taps_of(store) and store.check() == []
        assert rows_of(store) == rows_of(everyone[0])
    assert {copies[0].device == was, clone.device == was} == {True, False}  # one of them left it, the other stayed


def test_traces_of_two_twins_under_one_number_both_travel(copies, tmp_path, work, rows_of, clone):
    """Two different pieces of trace of one number, both in one copy, go on to the next, with the records around them."""
    cab, office, _ = copies
    work(cab, "Ada")
    writer = clone.trace(work(clone, "Bea").id)
    writer.append(1_777_000_100.0, 49.1, -105.0)
    writer.sync()
    clone.seal_traces()
    exchange(cab, clone, folder=tmp_path)
    exchange(clone, office, folder=tmp_path)
    exchange(office, clone, folder=tmp_path)  # what it vouches for
    assert rows_of(office) == rows_of(clone) and len(taps_of(office)) == 2


@pytest.mark.parametrize("by_hand", [False, True])
def test_an_image_of_before_signing_takes_its_own_pages_again(copies, tmp_path, work, rows_of, stands_for, by_hand):
    """It signs the same records to the very page that is on the carrier already: taken once, and nothing is refused."""
    cab, office, _ = copies
    folder = tmp_path / "shared"
    folder.mkdir()
    exchange(cab, office, folder=tmp_path)
    exchange(office, cab, folder=tmp_path)
    FolderWatcher(cab, [folder]).look()
    stint = cab.all(Tap)[0].stint_id if cab.all(Tap) else work(cab, "Ada").id
    cab.add(Tap(stint_id=stint, kind="mark", at=1.0))
    cab.seal_traces()
    image = tmp_path / "image.sqlite"
    with closing(sqlite3.connect(cab.path)) as now, closing(sqlite3.connect(image)) as then:
        now.backup(then)
    stands_for(image)
    for _ in range(3):
        FolderWatcher(cab, [folder]).look()
    bundle = export_bundle(cab, tmp_path / "by hand")
    with open_store(image) as again:
        watcher = FolderWatcher(again, [folder])
        for _ in range(3):
            results = [merge_bundles(again, [bundle])] if by_hand else [news.merged for news in watcher.look()]
            assert [why for result in results for why in result.refused] == []
        assert rows_of(again)["tap"] == rows_of(cab)["tap"] and again.check() == []
        exchange(again, office, folder=tmp_path)


def test_only_one_twin_goes_on_as_another(copies, tmp_path, work, rows_of, clone):
    """The twin that meets the other's records leaves the device; the other one stays what it was."""
    cab, office, _ = copies
    work(cab, "Ada")
    work(clone, "Bea")
    was = cab.device
    exchange(cab, office, folder=tmp_path)
    exchange(office, clone, folder=tmp_path)
    exchange(clone, cab, office, folder=tmp_path)
    assert cab.device == was and cab.renewed is None and clone.device != was
    (left,) = cab.all(Retirement)
    assert (left.subject, left.device) == (was, clone.device) and left.last is not None
    work(cab, "Cy")
    exchange(cab, office, clone, folder=tmp_path)
    assert rows_of(cab) == rows_of(office) == rows_of(clone)
    assert cab.check() == office.check() == clone.check() == []


def test_check_says_a_split_and_mends_it(copies, tmp_path, work, rows_of, clone, capsys):
    """The office that met both twins says so in words, and one command ends it although neither has met the other."""
    cab, office, third = copies
    work(cab, "Ada")
    work(clone, "Bea")
    was, acknowledged = cab.device, taps_of(cab) | taps_of(clone)
    for twin in (cab, clone):
        bundle = export_bundle(twin, tmp_path / "stick")
        result = merge_bundles(office, [bundle])
        assert result.refused == []
    (sentence,) = map(str, result.doubled)
    assert "Two machines have written as tablet 1" in sentence and "--mend" in sentence
    assert [str(one) for one in office.check()] == [sentence]
    kept = office.backup(tmp_path / "backups")  # the split is no damage: all of it is kept, and to be mended later
    with open_store(kept) as copy:
        assert [str(one) for one in copy.check()] == [sentence] and taps_of(copy) == taps_of(office)
    assert acknowledged <= taps_of(office)
    office.close()
    assert main(["check", "--store", str(office.path)]) == 1
    said = capsys.readouterr()
    assert "is whole" not in said.out and "Two machines have written as tablet 1" in said.err
    assert main(["check", "--mend", "--store", str(office.path)]) == 0
    assert "tablet 1" in capsys.readouterr().err
    assert main(["check", "--store", str(office.path)]) == 0
    with open_store(office.path) as office:
        (ended,) = office.all(Retirement)
        assert (ended.subject, ended.last) == (was, None)
        exchange(office, third, cab, clone, folder=tmp_path)
        assert cab.device != was != clone.device != cab.device  # nobody can say which of them is the first
        for twin in (cab, clone):
            work(twin, "later")
            exchange(twin, office, folder=tmp_path)
        exchange(third, office, folder=tmp_path)
        exchange(office, cab, clone, third, folder=tmp_path)
        everyone = (office, cab, clone, third)
        for store in everyone:
            assert rows_of(store) == rows_of(office)
            assert store.check() == []
        assert acknowledged <= taps_of(third)


def test_an_image_put_back_twice_is_ended_by_the_office(copies, tmp_path, work, rows_of, stands_for):
    """Both lines of a device are gone when a third one meets them: the office says it, and ends it for good."""
    cab, office, third = copies
    (tmp_path / "lines").mkdir()
    images = [stands_for(shutil.copy(cab.path, tmp_path / f"line {n}.sqlite")) for n in range(3)]
    was = cab.device
    for n, target in enumerate((third, office)):  # two lines write, and each is put back over
        with open_store(images[n]) as line:
            work(line, f"line {n}")
            assert line.device == was
            exchange(line, target, folder=tmp_path / "lines" / str(n))
    with open_store(images[2]) as line:
        exchange(third, line, office, folder=tmp_path)
        assert line.device != was
        exchange(line, office, third, folder=tmp_path)
        exchange(office, line, third, folder=tmp_path)
        assert all("Two machines have written" in str(*store.check()) for store in (line, office, third))
        office.end_doubled()
        exchange(office, line, third, folder=tmp_path)
        assert line.check() == office.check() == third.check() == []
        assert rows_of(line) == rows_of(office) == rows_of(third)


def test_a_twin_ends_it_itself(copies, tmp_path, work, clone):
    """Told on one of the two machines, that one goes on as a new device, and its numbers are not ended for the other."""
    cab, office, _ = copies
    work(cab, "Ada")
    work(clone, "Bea")
    exchange(clone, office, folder=tmp_path)
    with unittest.mock.patch("sync.segments.segment_merge.renew_if_doubled", return_value=None):  # it was not noticed
        clone.seal_pages()
        exchange(cab, clone, folder=tmp_path)
    was = clone.device
    assert len(clone.check()) == 1 and "Ended" in str(clone.end_doubled()[0])
    assert clone.device != was and clone.check() == [] and clone.end_doubled() == []
    exchange(clone, cab, office, folder=tmp_path)
    assert cab.device == was and cab.check() == []


def test_a_twin_goes_on_without_being_paired_again(copies, tmp_path, work, rows_of, clone):
    """What both wrote as the enrolled device is taken, and the new device is trusted as the one was that it goes on for: its
    first record is signed by that one's key. If that one is struck off, so is the new one."""
    cab, office, third = copies
    exchange(office, cab, clone, third, folder=tmp_path)
    work(cab, "Ada")
    work(clone, "Bea")
    acknowledged = taps_of(cab) | taps_of(clone)
    exchange(cab, office, folder=tmp_path)
    exchange(clone, third, folder=tmp_path)
    exchange(third, office, folder=tmp_path)  # the twin's records come with an enrolled carrier
    exchange(office, third, folder=tmp_path)
    assert acknowledged <= taps_of(office) & taps_of(third)
    exchange(office, clone, folder=tmp_path)
    exchange(clone, office, folder=tmp_path)
    exchange(office, cab, clone, third, folder=tmp_path)
    work(clone, "Cy")
    exchange(clone, third, office, folder=tmp_path)
    exchange(office, cab, clone, third, folder=tmp_path)
    assert all(rows_of(one) == rows_of(office) and one.check() == [] for one in (cab, clone, third, office))
    revoke(office, "tablet 1")
    work(clone, "Di")
    assert "was reported lost" in str(merge_bundles(office, [export_bundle(clone, tmp_path / "lost")]).refused[0][1])


def test_an_office_put_back_stays_the_office(copies, tmp_path, work, rows_of, stands_for):
    """The office's logbook, put back from an older image, goes on as a new device that is the office as before."""
    cab, office, third = copies
    old = stands_for(shutil.copy(office.path, tmp_path / "old.sqlite"))
    work(office, "Ada")
    exchange(office, cab, folder=tmp_path)
    office.close()
    with open_store(old) as again:
        exchange(cab, again, folder=tmp_path)
        assert again.device != office.device
        with open_store(tmp_path / "four.sqlite", "tablet 4") as four:
            enrol(again, card_of(four))
            hold_to(four, card_of(again))
            exchange(again, cab, third, four, folder=tmp_path)
            work(four, "Fay")
            exchange(four, cab, third, again, folder=tmp_path)
            exchange(third, again, folder=tmp_path)
            exchange(again, cab, third, four, folder=tmp_path)
            assert all(rows_of(one) == rows_of(again) for one in (cab, third, four))


def test_nobody_makes_himself_a_successor(copies, tmp_path, work):
    """A stranger that says it goes on for an enrolled device, signed with its own key, is not taken in."""
    cab, office, _ = copies
    with open_store(tmp_path / "stranger.sqlite", "tablet 1") as stranger:
        hold_to(stranger, card_of(cab))
        assert merge_bundles(stranger, [export_bundle(cab, tmp_path / "found")]).refused == []
        with stranger.writing() as session:
            own = session.query(Own).one()
            posing = Own(device=cab.device, name="tablet 1", private_key=own.private_key, next_seq=9, stamp=own.stamp)
            session.delete(own)
            session.flush()
            session.add(posing)
            session.flush()
            renew(session, 1.0)
        bundle = export_bundle(stranger, tmp_path / "posing")
        assert len(stranger.all(Enrolment, state="successor")) == 1
        assert "is not paired" in str(merge_bundles(office, [bundle]).refused[0][1])


def test_a_lying_device_cannot_end_another(copies, tmp_path, work):
    """Where an office is known, only it can say that nobody goes on as a device."""
    cab, office, third = copies
    for tablet in (cab, third):
        exchange(tablet, office, folder=tmp_path)
    for tablet in (cab, third):
        enrol(office, card_of(tablet))
    exchange(office, cab, third, folder=tmp_path)
    third.add(Retirement(subject=cab.device, first=1, last=None, at=1.0))
    was = cab.device
    exchange(third, cab, office, folder=tmp_path)
    assert cab.device == was
    office.add(Retirement(subject=cab.device, first=1, last=None, at=1.0))
    exchange(office, cab, folder=tmp_path)
    assert cab.device != was


def test_an_office_under_a_new_identity_still_ends_a_device(copies, tmp_path):
    """What goes on in the office's place, by the key of the device it left, says it as well."""
    cab, office, _ = copies
    exchange(cab, office, folder=tmp_path)
    exchange(office, cab, folder=tmp_path)
    with office.writing() as session:
        new = device_identity.renew(session, office.now())
    office.go_on_as(new, message("it was copied here, or put back"))
    was = cab.device
    office.add(Retirement(subject=was, first=1, last=None, at=1.0))
    exchange(office, cab, folder=tmp_path)
    assert cab.device != was


def test_a_page_of_the_twin_is_kept_and_passed_on(copies, tmp_path, work, clone):
    """Pages of one device that overlap are all kept, and each record of both machines stands on one of them."""
    cab, office, third = copies
    work(cab, "Ada")
    work(clone, "Bea")
    for twin in (cab, clone):
        exchange(twin, office, folder=tmp_path)
    with office.session() as session:
        numbers = [
            n for p in session.query(SignedPage).filter_by(device=cab.device) for n in range(p.first, p.last + 1)
        ]
    records = [row for of in FACTS.values() for row in office.all(of) if row.device == cab.device]
    assert len(numbers) == len(records) > len(set(numbers))
    exchange(office, third, folder=tmp_path)
    assert taps_of(third) == taps_of(office)
    assert {o.name for o in third.all(Operator)} >= {"Ada", "Bea"}


def test_a_page_that_does_not_fit_stops_no_other(copies, tmp_path, work, monkeypatch):
    """Of a device one of whose pages cannot be written the later ones wait, and the exchange goes on without a fault."""
    cab, office, _ = copies
    folder = tmp_path / "shared"
    folder.mkdir()
    exchange(office, cab, folder=tmp_path)
    for n in range(3):
        work(cab, f"Ada {n}")
        FolderWatcher(cab, [folder]).look()
    stored, calls = segment_merge.store_pages, []

    def failing(session, pages, packed, news):
        calls.append(len(pages))
        if any(page.device == cab.device for page in pages) and len(calls) < 3:
            raise ValueError("it does not fit")
        stored(session, pages, packed, news)

    monkeypatch.setattr(segment_merge, "store_pages", failing)
    watcher = FolderWatcher(office, [folder])
    said = [str(why) for _ in range(2) for news in watcher.look() for _path, why in news.merged.refused]
    assert len(said) == 1 and "do not fit" in said[0]
    monkeypatch.undo()
    for _ in range(2):
        FolderWatcher(office, [folder]).look()
    assert taps_of(office) == taps_of(cab) and office.check() == []
