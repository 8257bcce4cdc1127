"""A folder of segments: written once, read once, the same bytes whoever writes them, and whole again when torn."""

import itertools
import shutil

import pytest
from sqlalchemy import select

from store import open_store
from store.models import Operator, Own, SignedPage, Tap
from sync import export_bundle, merge_bundles
from sync.bundle_export import export_version_4
from sync.enrolment import pair, revoke
from sync.folder_exchange import FolderWatcher
from sync.segments import place_reader


@pytest.fixture
def stick(tmp_path):
    """An empty folder."""
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


@pytest.fixture
def short(monkeypatch):
    """Segments are closed at 8 records, so that a few make a season."""
    monkeypatch.setattr("sync.segments.segment_writer.CLOSED_RECORDS", 8)


def exchange(store, folder, **more):
    """Look twice, as the command does, and return all that was said."""
    watch = FolderWatcher(store, [folder], **more)
    return [str(sentence) for _ in range(2) for news in watch.look() for sentence in news.messages]


def segments(folder):
    """Return the bytes of the segments in a folder by path."""
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.glob("*/*.rb*"))}


def test_a_closed_segment_is_never_written_again(copies, work, stick, short):
    """Each exchange writes what is new: closed files keep their bytes and times, one open one a device is replaced."""
    cab, *_ = copies
    marks, lives = {}, {}
    for turn in range(12):
        work(cab, f"operator {turn}")
        exchange(cab, stick)
        now = {path: path.stat().st_mtime_ns for path in stick.glob(f"{cab.device}/*.rbs")}
        spans = sorted(tuple(map(int, path.name.split("-")[:2])) for path in now)
        assert all(b[0] == a[1] + 1 for a, b in itertools.pairwise(spans)) and spans[0][0] == 1
        assert len([path for path in now if path not in marks]) <= 2
        assert all(marks[path] == at for path, at in now.items() if path in marks)
        for path in now:
            lives[path] = lives.get(path, 0) + 1
        marks = now
    closed = [path for path in marks if lives[path] > 2]
    assert len(closed) >= 3 and len(marks) < 12


def test_whoever_passes_it_on_writes_the_same_bytes(copies, work, tmp_path, stick, short):
    """The office writes what a tablet wrote byte for byte under the same names, so no program carries it twice."""
    cab, office, third = copies
    for turn in range(5):
        work(cab, f"operator {turn}")
        exchange(cab, stick)
    exchange(office, stick)
    before = segments(stick)
    exchange(cab, stick)
    assert segments(stick) == before
    (tmp_path / "other").mkdir()
    exchange(office, tmp_path / "other")
    theirs = segments(tmp_path / "other")
    of_cab = {path for path in before if path.startswith(cab.device)}
    assert len(of_cab) > 2 and all(theirs[path] == before[path] for path in of_cab)
    exchange(third, tmp_path / "other")
    assert len(third.all(Tap)) == len(cab.all(Tap)) and third.check() == []


def test_what_was_read_is_not_read_again(copies, work, stick, short, monkeypatch):
    """A later process opens only files that are new since, whatever the season has grown to."""
    cab, office, _ = copies
    opened = []
    real = place_reader.is_whole
    monkeypatch.setattr(place_reader, "is_whole", lambda file, name: opened.append(name) or real(file, name))
    for turn in range(6):
        work(cab, f"operator {turn}")
        exchange(cab, stick)
        exchange(office, stick)
    assert len(segments(stick)) > 4
    opened.clear()
    assert exchange(office, stick) == [] and opened == []
    work(cab, "one more")
    exchange(cab, stick)
    opened.clear()
    exchange(office, stick)
    assert 1 <= len(opened) <= 4  # what is new of the cab, and of the office itself


def test_a_logbook_put_back_reads_all_again(copies, work, tmp_path, stick, short):
    """The list of files that were read counts for the logbook it was written for only."""
    cab, office, _ = copies
    shutil.copy(office.path, tmp_path / "old.sqlite")
    work(cab, "Ada")
    exchange(cab, stick)
    exchange(office, stick)
    taps = {tap.id for tap in office.all(Tap)}
    assert taps
    seen = office.path.with_name(f"{office.path.stem}-seen.json")
    assert seen.exists()
    office.close()
    shutil.copy(tmp_path / "old.sqlite", office.path)
    with open_store(office.path) as old:
        assert not old.all(Tap)
        exchange(old, stick)
        assert {tap.id for tap in old.all(Tap)} == taps


@pytest.mark.parametrize("hurt", ["torn", "empty", "altered", "gone", "grown"])
def test_a_torn_segment_is_named_and_taken_from_elsewhere(copies, work, tmp_path, stick, short, hurt):
    """Who has its records writes it anew; who lacks them says so once, takes what comes before it, and goes on later."""
    cab, office, _ = copies
    for turn in range(6):
        work(cab, f"operator {turn}")
        exchange(cab, stick)
    whole = segments(stick)
    names = [path for path in whole if path.startswith(cab.device)]
    victim = stick / sorted(names, key=lambda name: int(name.rpartition("/")[2].split("-")[0]))[1]
    data = victim.read_bytes()
    if hurt == "gone":
        victim.unlink()
    else:
        hurts = {"torn": data[:-9], "empty": b"", "altered": data[:-9] + bytes(9), "grown": data + b"x"}
        victim.write_bytes(hurts[hurt])
    watch = FolderWatcher(office, [stick])
    said = [str(sentence) for _ in range(4) for news in watch.look() for sentence in news.messages]
    first = int(victim.name.split("-")[0])
    with office.session() as session:
        assert (
            session.scalar(select(SignedPage.last).filter_by(device=cab.device).order_by(SignedPage.last.desc()))
            < first
        )
    named = [
        sentence for sentence in said if f"Records {first} to" in sentence and "cut off or were altered" in sentence
    ]
    assert len(named) == (0 if hurt == "gone" else 1)
    assert len([sentence for sentence in said if "wait for records that are not there yet" in sentence]) == 1
    exchange(cab, stick)
    assert {path: data for path, data in segments(stick).items() if path in whole} == whole
    exchange(office, stick)
    assert {tap.id for tap in office.all(Tap)} == {tap.id for tap in cab.all(Tap)} and office.check() == []


def test_copies_that_a_program_made_of_a_file_are_read(copies, work, stick, short):
    """A "conflicted copy" or "sync-conflict" of a segment is as good as the segment, and harms nothing beside it."""
    cab, office, _ = copies
    for turn in range(4):
        work(cab, f"operator {turn}")
        exchange(cab, stick)
    for n, path in enumerate(sorted(stick.glob("*/*.rbs"))):
        word = (" (Ada's conflicted copy).rbs", ".sync-conflict-20260504-132007-ABCDEFG.rbs", "~2.rbs")[n % 3]
        path.rename(path.with_name(path.stem + word)) if n % 2 else shutil.copy(path, path.with_name(path.stem + word))
    (head,) = stick.glob("*.head")
    shutil.copy(head, stick / f"{head.stem} (conflicted copy).head")
    assert not any("not merged" in sentence for sentence in exchange(office, stick))
    assert {tap.id for tap in office.all(Tap)} == {tap.id for tap in cab.all(Tap)} and office.check() == []


def test_a_head_before_its_segments_says_what_is_not_there_yet(copies, work, stick):
    """If a program has carried the head only, the records it speaks of are named; they are taken when they come."""
    cab, office, _ = copies
    work(cab, "Ada")
    exchange(cab, stick)
    away = stick / cab.device
    away.rename(stick.parent / "away")
    watch = FolderWatcher(office, [stick])
    said = [str(sentence) for _ in range(4) for news in watch.look() for sentence in news.messages]
    assert len([sentence for sentence in said if "are not in stick yet" in sentence]) == 1
    shutil.copytree(stick.parent / "away", away, dirs_exist_ok=True)
    watch.look()
    assert {tap.id for tap in office.all(Tap)} == {tap.id for tap in cab.all(Tap)}


@pytest.mark.parametrize("most", [1, 3, 7])
def test_batches_of_any_size_end_the_same(copies, work, stick, short, rows_of, monkeypatch, most):
    """However few records a batch takes, and whatever the clocks say, nothing is taken before what it names."""
    for turn in range(3):
        for store in copies:
            work(store, f"operator {turn} of {store.device_name}")
            exchange(store, stick)
    for store in copies:
        exchange(store, stick)
    monkeypatch.setattr("sync.segments.segment_merge.BATCH_RECORDS", most)
    for path in stick.parent.glob("*-seen.json"):
        path.unlink()
    with open_store(stick.parent / "late.sqlite", "late") as late:
        pair(copies[1], late)
        exchange(copies[1], stick)
        exchange(late, stick)
        exchange(copies[1], stick)
        assert late.check() == [] and rows_of(late) == rows_of(copies[1])


def test_an_older_program_is_written_for_while_it_is_there(copies, work, stick, monkeypatch):
    """Where a bundle of version 4 stands of a device that has no head, ours is written beside the segments."""
    cab, office, _ = copies
    work(cab, "Ada")
    export_version_4(cab, stick)
    watch = FolderWatcher(office, [stick])
    for _ in range(4):
        watch.look()
    assert len(office.all(Tap)) == 1
    (ours,) = stick.glob(f"*{office.device[:8]}.zip")
    with monkeypatch.context() as patch:
        patch.setattr("sync.bundle_file.VERSION", 4)
        office.put(Operator, name="Zoe")
        watch.look()
        assert merge_bundles(cab, [ours]).refused == []
    assert "Zoe" in {operator.name for operator in cab.all(Operator)}
    exchange(cab, stick)  # the newer program was installed there
    for _ in range(3):
        watch.look()
    assert not ours.exists() and not list(stick.glob("*.zip"))


def test_locked_segments_are_the_same_whoever_writes_them(copies, work, tmp_path, stick, short):
    """With a passphrase no content is shown; two copies write the same bytes; other words are refused with a sentence."""
    cab, office, third = copies
    work(cab, "Ada Lovelace-Öz")
    words = "four ordinary words here"
    exchange(cab, stick, passphrase=words)
    assert not any(b"Ada" in path.read_bytes() for path in stick.rglob("*") if path.is_file())
    said = exchange(office, stick, passphrase="other ordinary words")
    assert any("passphrase is not the one" in sentence for sentence in said) and not office.all(Tap)
    assert any("locked with a passphrase" in sentence for sentence in exchange(third, stick))
    exchange(office, stick, passphrase=words)
    assert len(office.all(Tap)) == 1
    (tmp_path / "other").mkdir()
    exchange(office, tmp_path / "other", passphrase=words)
    theirs = segments(tmp_path / "other")
    ours = {path: data for path, data in theirs.items() if path.startswith(cab.device)}
    assert ours and all(segments(stick)[path] == data for path, data in ours.items())


def test_a_lost_tablets_new_segments_are_left_and_its_old_ones_taken(copies, work, stick, tmp_path):
    """Once it is struck off, of a tablet is taken what a paired copy has, and nothing it writes itself afterwards."""
    cab, office, third = copies
    work(cab, "before")
    exchange(cab, stick)
    exchange(office, stick)
    revoke(office, cab.device[:8], "stolen")
    exchange(office, stick)
    work(cab, "after")
    exchange(cab, stick)
    said = exchange(third, stick)
    assert any("reported lost (stolen)" in sentence for sentence in said)
    assert {"before"} == {o.name for o in third.all(Operator)} & {"before", "after"}
    exchange(office, stick)
    assert "after" not in {o.name for o in office.all(Operator)} and office.check() == third.check() == []


def test_one_file_by_hand_is_the_folder_in_a_zip(copies, work, tmp_path, short, rows_of):
    """Unpacked, a bundle is a folder to exchange with; a folder's files, zipped, are the bundle."""
    cab, office, _ = copies
    for turn in range(4):
        work(cab, f"operator {turn}")
    path = export_bundle(cab, tmp_path / "out")
    shutil.unpack_archive(path, tmp_path / "unpacked")
    assert merge_bundles(office, [tmp_path / "unpacked"]).refused == []
    assert {tap.id for tap in office.all(Tap)} == {tap.id for tap in cab.all(Tap)}
    assert merge_bundles(office, [path]).added == 0


def test_a_part_left_out_of_a_bundle_by_hand_is_noticed(copies, work, tmp_path, short, rows_of):
    """The head says what a bundle holds; if a segment was taken out, nothing of it is merged."""
    import zipfile

    cab, office, _ = copies
    for turn in range(6):
        work(cab, f"operator {turn}")
        cab.seal_pages()
    path, before = export_bundle(cab, tmp_path / "out"), rows_of(office)
    with zipfile.ZipFile(path) as file, zipfile.ZipFile(tmp_path / "rollbook-less.zip", "w") as less:
        names = [name for name in file.namelist() if name.startswith(cab.device)]
        assert len(names) > 1
        for name in file.namelist():
            if name != names[-1]:
                less.writestr(name, file.read(name))
    (sentence,) = (str(why) for _path, why in merge_bundles(office, [tmp_path / "rollbook-less.zip"]).refused)
    assert "missing or were added" in sentence and rows_of(office) == before


def test_our_key_is_not_in_what_is_written(copies, work, stick):
    """No file holds the private key."""
    cab, *_ = copies
    work(cab, "Ada")
    exchange(cab, stick)
    with cab.session() as session:
        key = session.scalars(select(Own.private_key)).one()
    files = [path.read_bytes() for path in stick.rglob("*") if path.is_file()]
    assert files and not any(key in data or key.hex().encode() in data for data in files)


def test_little_news_moves_little(copies, work, stick, monkeypatch):
    """While a segment is open, each exchange writes its news only; once, when it is closed, all of the segment."""
    monkeypatch.setattr("sync.segments.segment_writer.CLOSED_RECORDS", 60)
    monkeypatch.setattr("sync.segments.segment_writer.SMALL_BYTES", 0)
    cab, *_ = copies
    exchange(cab, stick)
    lengths = []
    for turn in range(24):
        before = segments(stick)
        work(cab, f"operator {turn}")
        exchange(cab, stick)
        new = [path.split("/")[1].split("-") for path in segments(stick).keys() - before.keys()]
        lengths.append(sum(int(last) - int(first) + 1 for first, last, _mark in new))
    assert sum(length == 6 for length in lengths) >= 16 and sum(lengths) <= 2 * (24 * 6 + 5)
    assert len(segments(stick)) <= 12


def test_files_of_strangers_do_not_fill_the_memory(copies, work, stick, short, tmp_path, monkeypatch):
    """Of devices that are not known few pages are looked at; who is on a roll that comes along is taken after it."""
    cab, office, _ = copies
    for turn in range(5):
        work(cab, f"operator {turn}")
        exchange(cab, stick)
    exchange(office, stick)
    monkeypatch.setattr(place_reader, "MOST_UNKNOWN", 1)
    with open_store(tmp_path / "late.sqlite", "late") as late:
        pair(office, late)
        exchange(office, stick)
        result = merge_bundles(late, [stick])
        assert result.refused == [] and {tap.id for tap in late.all(Tap)} == {tap.id for tap in cab.all(Tap)}
    opened = []
    real = place_reader.is_whole
    monkeypatch.setattr(place_reader, "is_whole", lambda file, name: opened.append(name) or real(file, name))
    with open_store(tmp_path / "nobody.sqlite", "nobody") as nobody:
        assert "not paired" in str(merge_bundles(nobody, [stick]).refused[0][1])
        assert len(opened) == 1 and not nobody.all(Tap)
