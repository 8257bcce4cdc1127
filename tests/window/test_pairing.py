"""Pairing in the cab by taps: a new tablet joins a farm, two tablets pair, an office comes later, and bundles are locked with a passphrase."""

import pytest

from cabapp.tablet.tablet_settings import Settings
from store import open_store
from store.models import Farm, Operator, Own
from sync import export_bundle, merge_bundles
from sync.bundle_encryption import Passphrase
from sync.enrolment import card_of, enrol, office_of, pair_here, roll_of, write_card
from sync.folder_exchange import FolderWatcher
from tests.window.test_first_day import Hand

pytestmark = pytest.mark.window


def shown(cab, text):
    """Return the things on the screen that show a text."""
    return [t for t in cab.look()["things"] if text in t["text"]]


@pytest.fixture
def folder(tmp_path):
    """Return the folder the tablet watches, which stands for a stick here."""
    path = tmp_path / "exchange"
    path.mkdir()
    return path


def test_a_new_tablet_joins_the_farm_in_a_minute(open_cab, farm, folder, tmp_path, capsys):
    """An empty tablet in the yard: it takes in nothing before a person has compared the office's code, and all of it then;
    the office finds its card on the same stick. The taps are counted and kept few."""
    with open_store(farm["store"]) as office:
        with office.writing() as session:
            session.query(Own).one().name = "office"
        code = card_of(office).fingerprint
        enrol(office)
        export_bundle(office, folder)
    cab = open_cab("--store", tmp_path / "new.sqlite", "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "Another one has the farm already", "Exchange now")
    (said,) = cab.wait(lambda: shown(cab, "Nothing is lost"), "who waits")
    assert said["fits"] and "is not paired with this device yet" in said["text"]
    cab.picture("pairing-held")
    hand.tap("Pairing")
    cab.wait(lambda: shown(cab, "Touch who is to be paired."), "who waits")
    cab.picture("pairing-list")
    assert shown(cab, code)
    hand.tap("office")
    (question,) = cab.wait(lambda: shown(cab, "itself show this code?"), "the question")
    assert question["fits"] and shown(cab, code)[0]["fits"]
    cab.picture("pairing-compare")
    hand.tap("The same: it is our office")
    cab.wait(lambda: shown(cab, "Nobody waits to be paired"), "that nobody waits")
    hand.tap("Back", "Exchange now")
    cab.wait(lambda: shown(cab, "records taken in"), "the records of the farm")
    hand.tap("Back")
    cab.wait(lambda: shown(cab, "Oda Bracken"), "the farm's people")
    with capsys.disabled():
        print(f"\na new tablet joins the farm: {hand.taps} taps")
    assert hand.taps <= 12
    cab.kill()
    with open_store(tmp_path / "new.sqlite") as new, open_store(farm["store"]) as office:
        assert office_of(new) == office.device
        assert [row.name for row in new.all(Farm)] == [row.name for row in office.all(Farm)]
        new.put(Operator, name="Ulla")
        (card,) = folder.glob("rollbook-card-*.txt")
        assert new.device[:8] in card.name
        held = merge_bundles(office, [export_bundle(new, tmp_path / "out")])
        enrol(office, *held.strangers.values())
        assert merge_bundles(office, [tmp_path / "out"]).refused == []


def test_the_cab_pairs_another_tablet_and_is_told_the_office_later(open_cab, farm, folder, tmp_path):
    """The one that has the farm takes the other's card from the stick, by its code, and nobody is the office by that. Told
    later who is, it holds to it; told another one, it asks; a machine of another farm is refused in words."""
    with open_store(tmp_path / "new.sqlite", "tablet 2") as new:
        card = card_of(new)
        write_card(new, folder / "rollbook-card-x.txt")
    with open_store(tmp_path / "office.sqlite", "big house") as office:
        office_card = card_of(office)
        write_card(office, folder / "rollbook-card-y.txt")
    with open_store(tmp_path / "far.sqlite", "stranger") as far:
        far.put(Farm, name="Far Hills", timezone="UTC")
        export_bundle(far, folder)
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    for key in ("I have read this", "Set-up", "1", "2", "3", "4", "Done", "This tablet", "Pairing"):
        cab.tap(key)
    cab.wait(lambda: shown(cab, "Nobody waits to be paired"), "that nobody waits")
    cab.tap("Back")
    cab.tap("Exchange now")
    cab.wait(lambda: shown(cab, "was not merged: it belongs to the farm 'Far Hills'"), "the end of the exchange")
    cab.tap("Pairing")
    cab.find("tablet 2")
    cab.tap("tablet 2")
    cab.find("The same: a tablet of ours")
    cab.tap("The same: a tablet of ours")
    cab.wait(lambda: shown(cab, "tablet 2 is paired."), "that it is paired")
    cab.tap("stranger, of the farm Far Hills")
    for answer in ("The same: it is our office", "The same: a tablet of ours"):
        cab.tap(answer)
        cab.wait(lambda: shown(cab, "belongs to the farm 'Far Hills'"), "the refusal")
    cab.tap("Back")
    cab.tap("big house")
    cab.tap("The same: it is our office")
    cab.wait(lambda: shown(cab, "Touch who is to be paired."), "the list")
    with open_store(tmp_path / "other.sqlite", "other office") as other:
        write_card(other, folder / "rollbook-card-z.txt")
    cab.tap("Back")
    cab.tap("Exchange now")
    cab.wait(lambda: shown(cab, "Our records written"), "the end of the exchange")
    cab.tap("Pairing")
    cab.tap("other office")
    cab.tap("The same: it is our office")
    (question,) = cab.wait(lambda: shown(cab, "The farm has an office already"), "the question")
    assert question["fits"] and "big house" in question["text"]
    cab.picture("pairing-change")
    cab.find("It is our office from now on")
    cab.tap("Back")
    cab.wait(lambda: shown(cab, "Touch who is to be paired."), "the list")
    cab.kill()
    with open_store(farm["store"]) as store, open_store(tmp_path / "new.sqlite") as new:
        assert office_of(store) == office_card.device
        assert [e.state for e in roll_of(store) if e.device == card.device] == ["tablet"]
        pair_here(new, card_of(store))
        told = [str(why) for _path, why in merge_bundles(new, [folder]).refused]
        assert all("Far Hills" in one for one in told)


def test_the_tablet_is_named_by_taps(open_cab, farm):
    """Behind the four digits: its name is typed, and its card shows it."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    for key in ("I have read this", "Set-up", "1", "2", "3", "4", "Done", "This tablet", "Tablet's name"):
        cab.tap(key)
    cab.find("Space")
    assert shown(cab, "Name of this tablet")
    for key in ("-", "b", "y", "Done"):
        cab.tap(key)
    cab.wait(lambda: shown(cab, "This tablet is called tablet-by from now on."), "that it is named")
    cab.tap("This tablet")
    cab.picture("set-up-tablet-name")
    cab.tap("Pairing")
    cab.find("This tablet's card")
    cab.tap("This tablet's card")
    cab.wait(lambda: shown(cab, "tablet-by"), "the name on its card")


def test_a_passphrase_is_typed_in_the_cab(open_cab, farm, folder):
    """Words typed behind the four digits lock what the tablet writes, and what it wrote before goes; too few are refused; they
    are kept for the next day in a file that others cannot read."""
    with open_store(farm["store"]) as store:
        FolderWatcher(store, [folder]).look()
    assert list(folder.rglob("*.head"))
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    hand = Hand(cab)
    hand.tap("I have read this", "Set-up", "1", "2", "3", "4", "Done", "This tablet", "Passphrase")
    cab.find("Space")
    for sign in "stone":
        hand.tap(sign)
    hand.tap("Done")
    cab.wait(lambda: shown(cab, "eight letters or more"), "the refusal")
    hand.tap("Space")
    for sign in "heap":
        hand.tap(sign)
    cab.wait(lambda: shown(cab, "stone heap"), "the words in small letters")
    cab.picture("passphrase")
    hand.tap("Done")
    cab.wait(lambda: shown(cab, "is locked from now on"), "that it is locked")
    hand.tap("This tablet", "Exchange")
    cab.find("Exchange now")
    hand.tap("Exchange now")
    cab.wait(lambda: shown(cab, "Our records written") or shown(cab, "nothing new"), "the end of the exchange")
    cab.wait(lambda: not list(folder.rglob("*.head")), "what lay there unlocked to be gone")
    files = [path for path in folder.rglob("*") if path.is_file() and not path.name.startswith("rollbook-card")]
    assert files and {path.suffix for path in files} == {".locked"}
    settings = folder.parent / "tablet.json"
    assert settings.stat().st_mode & 0o077 == 0
    cab.kill()
    assert Settings(settings)["passphrase"] == "stone heap"
    with open_store(folder.parent / "office.sqlite", "office") as office, open_store(farm["store"]) as store:
        enrol(office, card_of(store))
        assert merge_bundles(office, [folder], passphrase=Passphrase("stone heap")).refused == []
