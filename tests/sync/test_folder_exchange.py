"""Folders and sticks: what is new is taken in, what is ours is written, pulling out is safe."""

import shutil

import pytest

from cabapp.__main__ import main
from store import open_store
from store.models import Operator, Tap
from sync import export_bundle, merge_bundles
from sync.bundle_export import bundle_name
from sync.enrolment import card_of, enrol, hold_to
from sync.folder_exchange import FolderWatcher, write_own


def test_two_copies_meet_in_a_shared_folder(copies, work, tmp_path, rows_of):
    """Two copies that watch one folder end equal, and then say nothing more."""
    shared = tmp_path / "shared"
    shared.mkdir()
    work(copies[0], "Ada")
    work(copies[1], "Bea")
    watches = [FolderWatcher(store, [shared]) for store in copies[:2]]
    for _ in range(5):
        news = [n for watch in watches for n in watch.look()]
    assert news == []
    assert rows_of(copies[0]) == rows_of(copies[1])
    assert len(copies[0].all(Tap)) == 2
    work(copies[1], "Cyd")
    assert "Our records written" in str(watches[1].look()[0].messages[0])
    assert "taken in" in str(watches[0].look()[0].messages[0])


def test_a_file_still_growing_is_left_alone(copies, work, tmp_path, rows_of):
    """A bundle that arrives bit by bit is not looked into before it stands still."""
    work(copies[0], "Ada")
    data = export_bundle(copies[0], tmp_path / "made").read_bytes()
    shared = tmp_path / "shared"
    shared.mkdir()
    watch = FolderWatcher(copies[1], [shared])
    part = shared / "rollbook-arriving-00000000.zip"
    for size in (10, 500, len(data) - 1, len(data)):
        part.write_bytes(data[:size])
        assert all(n.merged.refused == [] and n.merged.added == 0 for n in watch.look())
    (news,) = watch.look()
    assert news.merged.added > 0


def test_a_cut_off_bundle_is_named_once_and_taken_when_whole(copies, work, tmp_path):
    """A bundle that stays cut off is refused once, not at every look; whole again, it is taken."""
    work(copies[0], "Ada")
    data = export_bundle(copies[0], tmp_path / "made").read_bytes()
    shared = tmp_path / "shared"
    shared.mkdir()
    part = shared / "rollbook-x-00000000.zip"
    part.write_bytes(data[:-9])
    watch = FolderWatcher(copies[1], [shared])
    refusals = [n.merged.refused for _ in range(4) for n in watch.look() if n.merged.refused]
    assert len(refusals) == 1
    part.write_bytes(data)
    assert any(n.merged.added for _ in range(2) for n in watch.look())


def test_a_stick_is_noticed_when_put_in_and_again(copies, work, tmp_path):
    """Only a stick with a folder `rollbook` is used; put in a second time it is looked at anew."""
    stick, camera, inside = tmp_path / "stick", tmp_path / "camera", []
    (stick / "rollbook").mkdir(parents=True)
    camera.mkdir()
    watch = FolderWatcher(copies[0], mounts=lambda: inside)
    assert watch.look() == []
    inside += [stick, camera]
    (news,) = watch.look()
    assert news.written.parent == stick / "rollbook" and list(camera.iterdir()) == []
    assert watch.look() == []
    inside.clear()
    watch.look()
    shutil.rmtree(stick / "rollbook")
    (stick / "rollbook").mkdir()
    inside.append(stick)
    assert watch.look()[0].written.exists()


def test_a_stick_pulled_out_at_any_byte_harms_nothing(copies, work, tmp_path, rows_of):
    """However much of a bundle reached a stick, it is taken whole or refused, and then put right.

    On FAT a pulled stick may hold the new name with any part of the new content, for the rename
    is not journalled: so each length is tried under the final name.
    """
    work(copies[0], "Ada")
    stick = tmp_path / "stick"
    path = export_bundle(copies[0], stick)
    data, before = path.read_bytes(), rows_of(copies[1])
    for size in range(0, len(data), 97):
        path.write_bytes(data[:size])
        watch = FolderWatcher(copies[1], [stick])
        watch.look()
        for news in watch.look():
            assert news.merged.added == 0
        assert rows_of(copies[1]) == before
        assert path.read_bytes() == data[:size]
    path.write_bytes(data)
    watch = FolderWatcher(copies[1], [stick])
    assert any(n.merged.added for _ in range(2) for n in watch.look())


def test_a_stick_that_goes_while_it_is_written_is_a_sentence(copies, tmp_path, monkeypatch):
    """If the folder goes while a bundle is written, the result says so and nothing is lost."""
    stick = tmp_path / "stick"
    stick.mkdir()
    watch = FolderWatcher(copies[0], [stick])

    def pulled(*_):
        raise OSError(5, "Input/output error")

    with monkeypatch.context() as patch:
        patch.setattr("store.durability.atomic_file.os.fsync", pulled)
        (news,) = watch.look()
        assert "could not be written" in str(news.trouble) and "Input/output error" in str(news.trouble)
    assert [path for path in stick.rglob("*") if path.is_file()] == []
    assert watch.look()[0].written.exists()


def test_the_command_exchanges_once(copies, work, tmp_path, monkeypatch, capsys):
    """`rollbook exchange DIR` merges the bundles there, writes our bundle, and ends."""
    monkeypatch.setattr("cabapp.commands.copies.exchange.PAUSE_S", 0.0)
    work(copies[0], "Ada")
    export_bundle(copies[0], tmp_path / "shared")
    words = ["exchange", str(tmp_path / "shared"), "--store", str(copies[1].path)]
    assert main(words) == 0
    assert "taken in" in capsys.readouterr().out
    (head,) = (tmp_path / "shared").glob("*.head")
    assert copies[1].device[:8] in head.name and list((tmp_path / "shared").glob("*/*.rbs"))
    (tmp_path / "shared" / "rollbook-bad.zip").write_bytes(b"no")
    assert main(words) == 1
    assert "damaged" in capsys.readouterr().err


def test_the_command_says_what_it_found_where_nothing_is_new(copies, tmp_path, monkeypatch, capsys):
    """A folder without news is named as such; no stick, and no farm yet, are sentences of their own."""
    monkeypatch.setattr("cabapp.commands.copies.exchange.PAUSE_S", 0.0)
    monkeypatch.setattr("cabapp.commands.copies.exchange.mounts", list)
    shared = tmp_path / "shared"
    shared.mkdir()
    words = ["exchange", str(shared), "--store", str(copies[0].path)]
    assert main(words) == 0 and "Nothing new" not in capsys.readouterr().out
    assert main(words) == 0
    assert capsys.readouterr().out == f"Nothing new in {shared}.\n"
    assert main([*words, "--sticks"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        f"Nothing new in {shared}.",
        "No stick with a folder named rollbook is here.",
    ]
    (tmp_path / "empty").mkdir()
    with open_store(tmp_path / "new.sqlite", "office") as new:
        pass
    assert main(["exchange", str(tmp_path / "empty"), "--store", str(new.path)]) == 0
    assert "this logbook has no farm yet. Set up the farm in the cab first." in capsys.readouterr().out


@pytest.mark.parametrize("kind", ["link", "dangling link", "file"])
def test_what_stands_in_place_of_a_devices_folder_is_set_aside(copies, work, tmp_path, kind):
    """Nothing is written through a link, no file stops the exchange, and neither is lost."""
    shared, outside = tmp_path / "shared", tmp_path / "outside"
    shared.mkdir()
    there = shared / copies[0].device
    if kind == "file":
        there.write_text("mine")
    else:
        if kind == "link":
            outside.mkdir()
        there.symlink_to(outside, target_is_directory=True)
    work(copies[0], "Ada")
    (news,) = FolderWatcher(copies[0], [shared]).look()
    assert news.trouble is None and news.written
    assert not there.is_symlink() and list(there.glob("*.rbs"))
    assert not outside.exists() or list(outside.iterdir()) == []
    (aside,) = shared.glob("*.aside-1")
    assert aside.read_text() == "mine" if kind == "file" else aside.is_symlink()


def test_a_stick_does_not_lead_elsewhere(copies, work, tmp_path):
    """A link in place of a stick's folder is refused in a sentence, and nothing is written where it leads."""
    stick, outside = tmp_path / "stick", tmp_path / "outside"
    stick.mkdir()
    outside.mkdir()
    (stick / "rollbook").symlink_to(outside, target_is_directory=True)
    work(copies[0], "Ada")
    (news,) = FolderWatcher(copies[0], mounts=lambda: [stick]).look()
    assert "It is a link" in str(news.trouble) and news.written is None
    assert list(outside.iterdir()) == []


def test_a_files_name_does_not_command_the_terminal(copies, tmp_path, monkeypatch, capsys):
    """Control characters in names of heads, bundles and folders are shown as escapes, and bytes of no text too."""
    monkeypatch.setattr("cabapp.commands.copies.exchange.PAUSE_S", 0.0)
    shared = tmp_path / "sha\x1bred"
    shared.mkdir()
    for name in ("rollbook-\x1b[2J\nx.head", "rollbook-\x1b]0;y\a-00000000.zip", "rollbook-\udcff.head"):
        (shared / name).write_bytes(b"no")
    assert main(["exchange", str(shared), "--store", str(copies[0].path)]) == 1
    said = "".join(capsys.readouterr())
    assert said.replace("\n", "").isprintable()
    assert "rollbook-\\x1b[2J\\nx.head" in said and "\\udcff" in said


def test_an_open_trace_is_carried_every_five_minutes(copies, work, tmp_path, monkeypatch):
    """An open trace alone is no reason to write before five minutes, then it is written once."""
    now = [1000.0]
    monkeypatch.setattr("sync.folder_exchange.time.monotonic", lambda: now[0])
    watch, stint = FolderWatcher(copies[0], [tmp_path]), work(copies[0], "Ada")
    assert watch.look()[0].written
    assert watch.look() == []
    writer = copies[0].trace(stint.id)
    writer.append(1_777_000_100.0, 49.0, -105.0)
    writer.sync()
    now[0] += 300.0
    assert watch.look() == []
    now[0] += 0.1
    assert watch.look()[0].written
    now[0] += 1000.0
    assert watch.look() == []
    copies[0].put(Operator, name="Bea")
    assert watch.look()[0].written


def test_a_logbook_with_nothing_in_it_writes_nothing(copies, tmp_path):
    """A new copy does not write, nor say that it cannot; with the farm of others it passes theirs on."""
    with open_store(tmp_path / "new.sqlite", "office") as new:
        (tmp_path / "shared").mkdir()
        watch = FolderWatcher(new, [tmp_path / "shared"])
        assert watch.look() == []
        new.put(Operator, name="Bea")  # as a session does with what it knows of the clock
        assert watch.look() == []
        enrol(new, card_of(copies[0]))
        merge_bundles(new, [export_bundle(copies[0], tmp_path / "out")])
        assert watch.look()[0].written
        for path in [path for path in (tmp_path / "shared").rglob("*") if path.is_file()]:
            data = path.read_bytes()
            path.unlink()
            assert watch.look()[0].written, "written again where it was deleted"
            assert path.suffix == ".head" or path.read_bytes() == data


@pytest.mark.parametrize(
    ("name", "plain"),
    [("Tablet 1 / Søren", "tablet-1-s-ren"), ("../..", "tablet"), ("ขอ", "tablet"), ("a" * 50, "a" * 40), ("é", "e")],
)
def test_a_bundle_is_named_with_letters_every_file_system_takes(copies, name, plain):
    """Plain letters and digits of the device's name, forty at most, then the first eight of its id."""
    copies[0].device_name = name
    assert bundle_name(copies[0]) == f"rollbook-{plain}-{copies[0].device[:8]}.zip"
    assert bundle_name(copies[0], locked=True).endswith(".locked")


def test_our_own_newer_bundle_is_read_before_it_is_replaced(copies, tmp_path, work, stands_for):
    """A tablet put back from an image takes its own newer bundle from the stick in, and loses no tap of it."""
    cab, *_ = copies
    stick = tmp_path / "stick"
    stick.mkdir()
    shutil.copy(cab.path, tmp_path / "image.sqlite")
    work(cab, "Ada")
    FolderWatcher(cab, [stick]).look()
    taps = {tap.id for tap in cab.all(Tap)}
    with open_store(stands_for(tmp_path / "image.sqlite")) as old:
        work(old, "Bea")
        watch = FolderWatcher(old, [stick])
        watch.look()
        watch.look()
        assert taps < {tap.id for tap in old.all(Tap)} and old.check() == []
        assert old.device != cab.device
        assert len(list(stick.glob("*.head"))) == 2  # ours of before is another device's now


def test_export_by_hand_reads_our_own_newer_bundle_first(copies, tmp_path, work, stands_for):
    """So does an export into a folder in which a newer bundle of ours stands; a damaged one is written anew."""
    cab, *_ = copies
    shutil.copy(cab.path, tmp_path / "image.sqlite")
    work(cab, "Ada")
    written = write_own(cab, tmp_path / "out")
    taps = {tap.id for tap in cab.all(Tap)}
    with open_store(stands_for(tmp_path / "image.sqlite")) as old:
        write_own(old, tmp_path / "out")
        assert taps == {tap.id for tap in old.all(Tap)}
    written.write_bytes(written.read_bytes()[:200])
    assert write_own(cab, tmp_path / "out") == written and written.stat().st_size > 200


def test_what_waits_is_taken_once_it_is_paired(copies, tmp_path):
    """A bundle of a stranger is named once and left; after pairing the next look takes it in, though the file is the same."""
    shared = tmp_path / "shared"
    shared.mkdir()
    export_bundle(copies[1], shared)
    with open_store(tmp_path / "new.sqlite", "tablet 4") as new:
        watch = FolderWatcher(new, [shared])
        strangers = [n.merged.strangers for _ in range(4) for n in watch.look() if n.merged.strangers]
        ((card,),) = [found.values() for found in strangers]
        hold_to(new, card)
        assert any(n.merged.added for n in watch.look())
