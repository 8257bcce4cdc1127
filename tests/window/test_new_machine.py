"""What a stranger meets on a new machine, by taps: set-up, a passphrase, a stick, refusals that are read whole."""

import shutil

import pytest

from cabapp.tablet.tablet_settings import Settings
from store import open_store
from store.models import Farm, Field, Operator, Stint, Tool, Tractor
from sync import export_bundle, merge_bundles
from sync.bundle_encryption import Passphrase
from sync.enrolment import enrol, pair
from sync.folder_exchange import FolderWatcher
from tests.window.test_first_day import Hand, shown

pytestmark = pytest.mark.window


@pytest.fixture
def one_of_each(tmp_path):
    """Return a logbook as the first questions leave it: one operator, tractor, tool and field."""
    path = tmp_path / "fresh.sqlite"
    with open_store(path) as store:
        store.put(Farm, name="Hill Farm", timezone="America/Regina", units="us")
        store.put(Operator, name="Ida")
        store.put(Tractor, name="Tractor 1")
        store.put(Tool, name="Roller", operation="rolling", width_m=12.0, towed=True)
        store.put(Field, name="North")
    return path


@pytest.fixture
def stick(tmp_path):
    """Return where a stick is put in: it is in as soon as the folder is made."""
    return tmp_path / "sticks" / "STICK"


def places(cab, *texts):
    """Return where keys lie."""
    return [cab.find(text)["rect"] for text in texts]


@pytest.mark.parametrize("size", ["1280x800", "800x1280"])
def test_set_up_is_in_reach_where_there_is_one_of_each(open_cab, farm, one_of_each, sizes, size):
    """With one operator, tractor, tool and field all is chosen by itself, and Set-up is there, after a restart too."""
    for _ in range(2):
        cab = open_cab("--store", one_of_each, "--replay", farm["still"], "--size", size)
        cab.tap("I have read this")
        cab.find("Take over")
        sizes.keys(cab.look())
        sizes.words(cab.look())
        cab.picture(f"one-of-each-{size}")
        cab.tap("Set-up")
        cab.wait(lambda cab=cab: shown(cab, "digits"), "the question for the number")
        cab.kill()


@pytest.mark.parametrize("size", ["1280x800", "800x1280"])
def test_a_stick_that_is_put_in_moves_no_key(open_cab, farm, stick, sizes, size):
    """The offer of a stick comes above the keys of Take over, which stay where they are, and leaves nothing blank."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"], "--size", size)
    cab.tap("I have read this")
    keys = ("Set-up", "Same as last time", "Oda Bracken")
    before, (list_before,) = places(cab, *keys), [t["rect"] for t in shown(cab, "Heron Flat")[:1]]
    (stick / "rollbook").mkdir(parents=True)
    cab.find("Not now")
    assert places(cab, *keys) == before
    sizes.keys(cab.look())
    cab.picture(f"stick-offered-{size}")
    cab.tap("Not now")
    cab.wait(lambda: not shown(cab, "A stick is in"), "the offer to go")
    assert places(cab, *keys) == before and [t["rect"] for t in shown(cab, "Heron Flat")[:1]] == [list_before]


SIZES = ["1280x800", "1024x600", "800x1280"]


@pytest.mark.parametrize("size", SIZES)
def test_a_new_tablet_joins_a_farm_whose_records_are_locked(open_cab, farm, stick, tmp_path, size):
    """Where an empty tablet meets locked records, the refusal is read whole, the passphrase is typed right there, and the
    farm comes; the refusal is not said again of the tablet's own files."""
    with open_store(farm["store"]) as office:
        enrol(office)
        (stick / "rollbook").mkdir(parents=True)
        FolderWatcher(office, [stick / "rollbook"], passphrase=Passphrase("stone heap")).look()
    cab = open_cab("--store", tmp_path / "new.sqlite", "--replay", farm["still"], "--size", size)
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "Another one has the farm already", "Exchange now")
    for _ in range(2):
        (said,) = cab.wait(lambda: shown(cab, "It is locked with a passphrase"), "the refusal")
        assert said["fits"] and "…" not in said["text"] and "--" not in said["text"]
        cab.picture(f"locked-{size}")
        hand.tap("Exchange now")
        cab.wait(lambda: not shown(cab, "It is locked"), "the exchange to begin")
    cab.wait(lambda: shown(cab, "It is locked"), "the exchange to end")
    hand.tap("Passphrase")
    cab.find("Space")
    hand.tap(*"wrong", "Space", *"words", "Done")
    (said,) = cab.wait(lambda: shown(cab, "is locked from now on"), "that it is set")
    hand.tap("Exchange now")
    cab.wait(lambda: shown(cab, "not the one it was locked with"), "that it is the wrong one")
    assert len([t for t in cab.texts() if card_of_name(tmp_path) in t]) == 0, "its own file is no fault"
    hand.tap("Passphrase")
    cab.wait(lambda: [t for t in cab.look()["things"] if t["text"] == "_"], "an empty line")
    hand.tap(*"stone", "Space", *"heap", "Done", "Exchange now")
    cab.wait(lambda: shown(cab, "is not paired with this device yet"), "who waits")
    cab.picture(f"unlocked-{size}")
    hand.tap("Pairing", "tablet", "The same: it is our office", "Back")
    gone = "what was said before the pairing to go"
    cab.wait(lambda: not shown(cab, "is not paired with this device yet"), gone, 4.0)
    hand.tap("Exchange now")
    cab.wait(lambda: shown(cab, "taken in"), "the records of the farm")
    cab.kill()
    assert Settings(tmp_path / "tablet.json")["passphrase"] == "stone heap"


def card_of_name(tmp_path):
    """Return what the new tablet's own files are called after."""
    with open_store(tmp_path / "new.sqlite") as store:
        return store.device[:8]


@pytest.mark.parametrize("size", SIZES)
def test_a_refusal_does_not_cover_what_is_being_typed(open_cab, farm, one_of_each, size):
    """A refusal of a figure stands above the line that is typed, is read whole, and goes with the next key."""
    cab = open_cab("--store", one_of_each, "--replay", farm["still"], "--size", size)
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "1", "2", "3", "4", "Done", "Tools", "Roller", "Working width")
    cab.find("Rub out")
    hand.tap("Rub out", "Rub out", "Rub out", "9", "9", "Done")
    (said,) = cab.wait(lambda: shown(cab, "cannot be. Type"), "the refusal")
    cab.picture(f"width-refused-{size}")
    (line,) = [t for t in cab.look()["things"] if t["text"].endswith("_")]
    assert said["fits"] and said["rect"][3] <= line["rect"][1] + 0.01, (said["rect"], line["rect"])
    hand.tap("Rub out")
    cab.wait(lambda: not shown(cab, "cannot be. Type"), "the refusal to go, for who types on has read it", 4.0)


def test_a_stick_without_our_folder_gets_one_at_a_tap(open_cab, farm, stick):
    """A new stick is named with what it lacks, gets its folder when the exchange is asked for, and what was said of it goes
    with it."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "1", "2", "3", "4", "Done", "This tablet", "Exchange")
    cab.wait(lambda: shown(cab, "No stick is in. Put one in."), "that none is in")
    stick.mkdir(parents=True)
    (said,) = cab.wait(lambda: shown(cab, "There is no folder named rollbook on STICK yet."), "what it lacks")
    assert said["fits"] and not (stick / "rollbook").exists()
    cab.picture("stick-without-folder")
    hand.tap("Exchange now")
    cab.wait(lambda: shown(cab, "Our records written"), "the end of the exchange")
    assert list((stick / "rollbook").glob("*.head"))
    shutil.rmtree(stick)
    cab.wait(lambda: shown(cab, "No stick is in. Put one in."), "the stick to be gone")
    assert not shown(cab, "Our records written")


@pytest.mark.parametrize("size", SIZES)
def test_a_farm_begun_twice_is_put_away_by_taps(open_cab, farm, one_of_each, stick, tmp_path, sizes, size):
    """Who began the farm a second time reads what is wrong, puts the empty one away after a question, and joins."""
    with open_store(farm["store"]) as office:
        enrol(office)
        office.put(Farm, office.all(Farm)[0].id, name="Hill Farm")
        (stick / "rollbook").mkdir(parents=True)
        FolderWatcher(office, [stick / "rollbook"]).look()
    cab = open_cab("--store", one_of_each, "--replay", farm["still"], "--size", size)
    hand = Hand(cab)
    hand.tap("I have read this", "Exchange")
    for _ in range(2):
        (said,) = cab.wait(lambda: shown(cab, "two logbooks of 'Hill Farm' were both begun"), "what is wrong")
        assert said["fits"]
        hand.tap("Exchange now")
        cab.wait(lambda: not shown(cab, "two logbooks"), "the next exchange")
    cab.wait(lambda: shown(cab, "two logbooks"), "the end of it")
    cab.picture(f"begun-twice-{size}")
    if size != "1024x600":  # a smaller screen shrinks all alike
        sizes.keys(cab.look())
    hand.tap("Join that farm")
    (said,) = cab.wait(lambda: shown(cab, "Join Hill Farm?"), "the question")
    assert said["fits"]
    cab.picture(f"put-away-{size}")
    hand.tap("Back", "Join that farm", "Put mine away and join")
    cab.wait(lambda: shown(cab, "Put away. Exchange now"), "that it is away")
    hand.tap("Exchange now")
    cab.wait(lambda: shown(cab, "is not paired with this device yet"), "who waits")
    hand.tap("Pairing", "tablet", "The same: it is our office", "Back", "Exchange now")
    cab.wait(lambda: shown(cab, "taken in"), "the records of the farm")
    cab.kill()
    with open_store(one_of_each) as store:
        assert {row.name for row in store.all(Operator)} == {"Oda Bracken", "Tam Willet"} and not store.check()
    assert len(list((tmp_path / "set-aside").iterdir())) == 1


@pytest.mark.parametrize("size", ["1280x800", "800x1280"])
def test_an_operator_in_another_tablets_stint_is_told_so(open_cab, farm, tmp_path, sizes, size):
    """Whoever is chosen while in an open stint on another tablet reads it before taking over; no key moves."""
    with open_store(farm["store"]) as store, open_store(tmp_path / "other.sqlite", "tablet 2") as other:
        pair(store, other)
        merge_bundles(other, [export_bundle(store, tmp_path / "out")])
        last = other.all(Stint)[0]
        same = {name: getattr(last, name) for name in ("job_id", "operator_id", "tractor_id", "tool_id", "width_m")}
        other.add(Stint(at=farm["rows"][0][0] - 600.0, **same))
        merge_bundles(store, [export_bundle(other, tmp_path / "back")])
    cab = open_cab("--store", farm["store"], "--replay", farm["still"], "--size", size)
    cab.tap("I have read this")
    cab.tap("Tam Willet")
    before = places(cab, "Set-up", "Same as last time", "Take over")
    cab.tap("Oda Bracken")
    (said,) = cab.wait(lambda: shown(cab, "Oda Bracken is still in a stint on tablet 2, begun at"), "that it is open")
    assert said["fits"] and places(cab, "Set-up", "Same as last time", "Take over") == before
    sizes.keys(cab.look())
    cab.picture(f"elsewhere-{size}")
