"""Which devices are trusted: enrolment, a lost tablet, and records altered on the way."""

import json
import re
import sqlite3
import uuid
import zipfile
from contextlib import closing

import pytest

from cabapp.__main__ import main
from store import open_store
from store.errors import BundleRefused
from store.facts.signed_pages import make_page, text_of
from store.models import Change, Enrolment, Field, Operator, Own, Peer, Tap
from sync import export_bundle, merge_bundles
from sync.bundle_export import export_version_4
from sync.bundle_file import MANIFEST, RECORDS, SIGNATURE, write_bundle
from sync.device_trust import Card
from sync.enrolment import (
    card_of,
    enrol,
    hold_to,
    met_but_not_enrolled,
    office_of,
    pair,
    read_card,
    revoke,
    roll_of,
    text_of_card,
)


@pytest.fixture
def carry(tmp_path):
    """A function that carries everything from one copy to another: the refusal, or None."""

    def carried(source, target):
        result = merge_bundles(target, [export_bundle(source, tmp_path / "carried")])
        return str(result.refused[0][1]) if result.refused else None

    return carried


@pytest.fixture
def stranger(copies, tmp_path):
    """A copy that found a bundle of the farm, took it in, and that no person has paired with another."""
    with open_store(tmp_path / "stranger.sqlite", "a stranger") as store:
        found = export_bundle(copies[0], tmp_path / "found")
        hold_to(store, card_of(copies[0]))  # what it does for itself is its own affair
        assert merge_bundles(store, [found]).refused == []
        yield store


@pytest.fixture
def enrolled(copies):
    """Three copies of which the second is the office and has enrolled the others."""
    return copies


@pytest.fixture
def resigned(tmp_path):
    """A function that alters a bundle's pages and signs it anew as another device."""

    def sign(path, store, alter, forge=False):
        with zipfile.ZipFile(path) as file:
            members = {n: file.read(n) for n in file.namelist()}
        said = json.loads(members.pop(MANIFEST))
        members.pop(SIGNATURE)
        with store.session() as session:
            key = session.query(Own).one().private_key
        lines, place, pages = members[RECORDS].decode().splitlines(), 0, []
        for page in said["pages"]:
            count = page["last"] - page["first"] + 1
            told = [alter(line) for line in lines[place : place + count]]
            made = make_page(page["device"], page["first"], told, key)
            kept = {} if forge else {"signature": page["signature"]}
            new = {n: getattr(made, n) for n in ("sha256", "signature")}
            pages.append({**page, "bytes": len(text_of(made)), **new, **kept})
            lines[place : place + count] = told
            place += count
        members[RECORDS] = "".join(f"{line}\n" for line in lines).encode()
        out = tmp_path / "rollbook-altered.zip"
        manifest = {"written_at": said["written_at"], "farm": said["farm"], "pages": pages}
        manifest["device"] = {"id": store.device, "name": store.device_name}
        manifest["devices"] = said["devices"] + [said["device"]]
        write_bundle(out, manifest, members, key)
        return out

    return sign


def test_a_copy_that_is_not_paired_takes_nothing_and_loses_nothing(copies, carry, tmp_path, rows_of, work):
    """A tablet that nobody has paired goes on recording; bundles of others wait, and its own waits with them, until a
    person has compared the codes. Then all of it is taken in."""
    office = copies[1]
    with open_store(tmp_path / "new.sqlite", "tablet 4") as new:
        new.put(Operator, name="Dee")
        before = rows_of(new)
        bundle = export_bundle(office, tmp_path / "out")
        result = merge_bundles(new, [bundle])
        assert "Nothing is lost" in str(result.refused[0][1]) and rows_of(new) == before
        (card,) = result.strangers.values()
        assert card == card_of(office) and card.fingerprint == card_of(office).fingerprint
        hold_to(new, card)
        assert merge_bundles(new, [bundle]).refused == []
        work(new, "Eli")
        held = merge_bundles(office, [export_bundle(new, tmp_path / "back")])
        assert "is not paired with this device yet" in str(held.refused[0][1])
        enrol(office, *held.strangers.values())
        assert carry(new, office) is None and carry(office, new) is None
        assert rows_of(new) == rows_of(office)
        assert {"Dee", "Eli"} <= {row.name for row in office.all(Operator)}


def test_an_unknown_device_waits(enrolled, stranger, carry, rows_of):
    """The bundle of a device that is not paired is left where it is, on every copy."""
    for store in enrolled:
        before = rows_of(store)
        assert "is not paired with" in carry(stranger, store)
        assert rows_of(store) == before
    enrol(enrolled[1], card_of(stranger))
    assert carry(stranger, enrolled[1]) is None


def test_enrolled_devices_go_on_exchanging(enrolled, carry, work, rows_of):
    """Enrolled copies exchange as before, and the roll travels to each."""
    cab, office, other = enrolled
    work(cab, "Ada")
    assert carry(cab, other) is None and carry(other, office) is None
    assert carry(office, cab) is None and carry(office, other) is None
    assert rows_of(cab) == rows_of(office) == rows_of(other)
    assert roll_of(cab) == roll_of(office) and len(roll_of(office)) == 3


def test_a_lost_tablet_is_refused_and_its_past_is_kept(enrolled, carry, work, rows_of):
    """A tablet reported lost is refused; what it wrote before still travels with the others."""
    cab, office, other = enrolled
    work(cab, "Ada")
    assert carry(cab, other) is None
    assert revoke(office, "tablet 1", "stolen at the yard").device == cab.device
    work(cab, "Eve")
    assert "was reported lost (stolen at the yard)" in carry(cab, office)
    assert carry(other, office) is None
    assert len(office.all(Tap)) == 1
    assert carry(office, other) is None and "reported lost" in carry(cab, other)
    assert rows_of(office) == rows_of(other)
    enrol(office, card_of(cab))  # found again
    assert carry(cab, office) is None
    assert len(office.all(Tap)) == 2


def test_only_the_office_enrols(enrolled, stranger, carry):
    """A tablet cannot enrol; an enrolment that it writes does not count."""
    cab, office, _ = enrolled
    with pytest.raises(BundleRefused, match="Only the farm's office"):
        enrol(cab, card_of(stranger))
    card = card_of(stranger)
    word = {"subject": card.device, "name": card.name, "public_key": card.public_key.hex()}
    cab.add(Enrolment(**word, state="tablet", at=1.0))
    assert carry(cab, office) is None
    assert "is not paired" in carry(stranger, office)
    assert len(roll_of(office)) == 3


def test_no_office_by_hearsay(copies, stranger, carry, rows_of, tmp_path):
    """A stranger that plays office is nobody's: neither a copy that has an office nor one that has none takes its word,
    and what it says in a bundle of an enrolled device does not count either."""
    cab, office, _ = copies
    with stranger.writing() as session:
        session.query(Own).one().office = None
    enrol(stranger, card_of(cab), card_of(office))
    with open_store(tmp_path / "fresh.sqlite") as fresh:
        for store in (*copies, fresh):
            before = rows_of(store)
            assert "is not paired with" in carry(stranger, store)
            assert rows_of(store) == before
        assert office_of(fresh) is None
    assert [office_of(store) for store in copies] == [office.device] * 3


def test_a_key_is_learnt_from_a_card_or_the_roll_only(copies, stranger, carry, tmp_path, work):
    """A bundle that names a false key for a tablet that is not here yet changes nothing: that tablet, once the office has
    its card, is taken in by its own key. A key on the roll can be replaced by the office."""
    cab, office, _ = copies
    with open_store(tmp_path / "four.sqlite", "tablet 4") as four:
        pair(office, four)
        card = card_of(four)
        false = Peer(device=four.device, name="tablet 4", public_key=bytes(range(32)))
        for liar in (stranger, cab):
            with liar.writing() as session:
                session.merge(false)
            carry(liar, office)
            with office.session() as session:
                assert session.get(Peer, four.device) is None
        assert carry(office, four) is None
        work(four, "Fay")
        assert carry(four, office) is None
    wrong = Card(card.device, card.name, bytes(range(32)))
    with pytest.raises(BundleRefused, match=r"another key before.*--new-key"):
        enrol(office, wrong)
    enrol(office, wrong, new_key=True)
    (path,) = (tmp_path / "carried").glob(f"*{four.device[:8]}.zip")
    assert "not signed with the key" in str(merge_bundles(office, [path]).refused[0][1])
    enrol(office, card, new_key=True)
    assert merge_bundles(office, [path]).refused == []


@pytest.mark.parametrize("forge", [False, True])
def test_a_relay_cannot_alter_what_it_carries(copies, carry, work, resigned, rows_of, forge, tmp_path):
    """A record altered by a sound device that carries it is refused: its own device signed it."""
    cab, office, relay = copies
    work(cab, "Ada")
    assert carry(cab, relay) is None and carry(cab, office) is None
    work(cab, "Bea")
    assert carry(cab, relay) is None
    path = export_version_4(relay, tmp_path / "relay")
    before = rows_of(office)
    bad = resigned(path, relay, lambda line: line.replace("Bea", "Eve"), forge)
    (sentence,) = (str(why) for _path, why in merge_bundles(office, [bad]).refused)
    assert "are not signed by the device they are said to be from" in sentence
    assert rows_of(office) == before
    assert merge_bundles(office, [path]).refused == []


def test_a_new_office_vouches_for_what_is_there(copies, carry, tmp_path, rows_of, work):
    """A farm whose office was lost: another copy becomes the office, is given the tablets' cards, and they its card. Records
    of the old office, and of all that were known, are still taken and passed on."""
    cab, lost, third = copies
    work(third, "Ada")
    assert carry(third, lost) is None and carry(lost, cab) is None
    with open_store(tmp_path / "office.sqlite", "office") as office:
        pair(office, cab)
        assert carry(cab, office) is None  # with the records of the two others
        assert {card.name for card in met_but_not_enrolled(office)} == {"tablet 2", "tablet 3"}
        assert "is not paired with" in carry(third, office)
        pair(office, third)
        assert carry(third, office) is None and carry(office, third) is None and carry(office, cab) is None
        assert rows_of(office) == rows_of(third) == rows_of(cab)


def test_who_was_met_before_can_be_enrolled_at_once(copies, carry, tmp_path):
    """The office sees which devices it has records of and has not enrolled, with their keys."""
    cab, office, _ = copies
    assert carry(office, cab) is None
    with open_store(tmp_path / "office.sqlite", "office") as office:
        pair(office, cab)
        revoke(office, "tablet 1")
        (card,) = met_but_not_enrolled(office)
        assert card == card_of(copies[1])
        enrol(office, card)
        assert met_but_not_enrolled(office) == [] and carry(copies[1], office) is None


def test_a_card_is_read_back_and_slips_are_found(copies, tmp_path):
    """A card comes back from text and file; any one letter wrong is refused with a sentence."""
    card = Card(copies[0].device, "Tablet: 1 / Søren", bytes(range(32)))
    text = text_of_card(card)
    assert read_card(text) == card and len(text) < 250
    (tmp_path / "card.txt").write_text(f"{text}\n")
    assert read_card(str(tmp_path / "card.txt")) == card
    for place in range(len("rollbook-card:"), len(text)):
        wrong = text[:place] + ("0" if text[place] != "0" else "1") + text[place + 1 :]
        with pytest.raises(BundleRefused):
            read_card(wrong)
    for wrong in ("", "nowhere.txt", "rollbook-card:", "rollbook-card:1:::::", "\0"):
        with pytest.raises(BundleRefused):
            read_card(wrong)


def test_the_command_enrols_and_strikes_off(copies, capsys, tmp_path):
    """`rollbook enrol` shows a card, enrols it at the office by card or by code, and strikes a lost tablet off."""
    _, office, _ = copies
    stick = tmp_path / "stick" / "rollbook"
    stick.mkdir(parents=True)

    def run(*words, store=office.path):
        status = main(["enrol", *map(str, words), "--store", str(store)])
        said = capsys.readouterr()
        return status, said.out + said.err

    new = tmp_path / "new.sqlite"
    assert (
        "takes in nothing of others"
        in run("--out", stick / "rollbook-card-new.txt", "--name", "tablet 4", store=new)[1]
    )
    text, name = run("--card", store=new)[1].splitlines()
    code = name.removeprefix("tablet 4: ")
    export_bundle(office, stick)
    status, said = run("--from", stick.parent)
    assert status == 0 and f"not paired: tablet 4 ({text.split(':')[2][:8]}), {code}" in said
    assert "Nobody there has the code" in run("0" * 16, "--from", stick.parent)[1]
    assert "tablet   tablet 4" in run(code.upper(), "--from", stick.parent)[1]
    assert run(text)[0] == 0
    ours = card_of(office).fingerprint
    assert "is paired with nobody" not in run("--office", ours, "--from", stick, store=new)[1]
    assert "struck off tablet 4" in run("--lost", "tablet 4", "--reason", "x")[1]
    assert "Not one device on the roll" in run("--lost", "tablet 9")[1]
    assert "not both" in run(text, "--lost", "tablet 1")[1]


def test_a_locked_bundle_needs_its_passphrase(copies, tmp_path, work):
    """A locked bundle shows nothing, opens with its passphrase only, and any damage is refused."""
    cab, office, _ = copies
    work(cab, "Ada")
    path = export_bundle(cab, tmp_path / "stick", "four ordinary words here")
    assert b"Ada" not in path.read_bytes() and path.suffix == ".locked"
    with zipfile.ZipFile(path) as file:
        assert all(name.endswith(".locked") for name in file.namelist())
    tries = ((None, "locked with a passphrase"), ("wrong words here", "is not the one"))
    for given, words in tries:
        (sentence,) = (str(why) for _path, why in merge_bundles(office, [tmp_path / "stick"], passphrase=given).refused)
        assert words in sentence
    data = path.read_bytes()
    for bad in (data[:-1], data[:20], data[:60] + bytes([data[60] ^ 1]) + data[61:]):
        path.write_bytes(bad)
        assert merge_bundles(office, [path], passphrase="four ordinary words here").refused
    path.write_bytes(data)
    result = merge_bundles(office, [path], passphrase="four ordinary words here")
    assert result.refused == [] and result.added > 0
    with pytest.raises(BundleRefused, match="eight letters"):
        export_bundle(cab, tmp_path / "stick", "short")


REFUSED = {
    "another key": ["{cab wrong}"],
    "one of two": ["{new}", "{cab wrong}"],
    "its own card": ["{own}"],
    "no card": ["rollbook-card:1:::::"],
    "two acts": ["{new}", "--lost", "tablet 1"],
    "nobody of that name": ["--lost", "nobody"],
    "its own office": ["--office", "{own}"],
    "no such code": ["0000000000000000", "--from", "{stick}"],
    "an empty stick": ["--from", "{empty}"],
    "no folder for the card": ["--out", "{empty}/gone/card.txt"],
    "no passphrase file": ["--from", "{stick}", "--passphrase-file", "{empty}/none.txt"],
}


@pytest.mark.parametrize("words", REFUSED.values(), ids=REFUSED.keys())
@pytest.mark.parametrize("paired", [True, False])
def test_a_refused_command_has_done_nothing(copies, tmp_path, capsys, words, paired, open_copies):
    """Whatever `rollbook enrol` refuses, all tables and all files are as they were: this copy is not the office then."""
    cab, office, _ = copies
    export_bundle(cab, tmp_path / "stick" / "rollbook")
    (tmp_path / "empty").mkdir()
    new = Card("00000000-0000-4000-8000-000000000000", "new", bytes(range(32)))
    if not paired:
        office = open_store(tmp_path / "alone.sqlite", "alone")
        wrong = Card(office.device, "cab", bytes(32))
    else:
        wrong = Card(cab.device, "cab", bytes(32))
    places = {
        "cab wrong": text_of_card(wrong), "new": text_of_card(new), "own": text_of_card(card_of(office)),
        "stick": str(tmp_path / "stick"), "empty": str(tmp_path / "empty"),
    }  # fmt: skip
    office.close()

    def state():
        with closing(sqlite3.connect(office.path)) as raw:
            tables = [name for (name,) in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY 1")]
            rows = {name: raw.execute(f'SELECT * FROM "{name}"').fetchall() for name in tables}
        files = {
            path: path.read_bytes()
            for path in tmp_path.rglob("*")
            if path.is_file() and office.path.stem not in path.name
        }
        return rows, files

    before = state()
    filled = [re.sub(r"\{([a-z ]+)\}", lambda m: places[m[1]], word) for word in words]
    assert main(["enrol", *filled, "--store", str(office.path)]) == 1
    assert capsys.readouterr().err.startswith("rollbook: ")
    assert state() == before


def test_a_refused_command_makes_no_logbook(tmp_path, capsys):
    """Where there is no logbook yet, a refusal leaves none."""
    for words in (["rollbook-card:1:::::"], ["--lost", "x"], ["--met"], []):
        assert main(["enrol", *words, "--store", str(tmp_path / "none.sqlite")]) == 1
    assert list(tmp_path.iterdir()) == []


EDGES = {
    "the last that any clock gives": "2100-01-01T00:00:00.000Z-99999",
    "the last that was read before": "2100-01-02T00:00:00.000Z-99999",
    "the last that is read": "2200-01-01T00:00:00.000Z-99999",
    "just ahead": "2099-12-31T23:59:59.999Z-99999",
}


@pytest.mark.parametrize("stamp", EDGES.values(), ids=EDGES.keys())
def test_a_row_stamped_at_the_edge_of_time_can_still_be_edited(copies, stamp, carry, work, rows_of):
    """A device that is enrolled and lies stamps a row as late as is read: the office edits it after that, its edit counts on
    every copy, its bundles are taken, and nobody's clock has followed."""
    cab, office, third = copies
    field = office.all(Field)[0]
    with cab.writing() as session:
        change = cab.number(session, Change(table="field", row_id=field.id, columns={"name": "Eve was here"}))
        change.stamp = f"{stamp}-{cab.device[:8]}"
    assert carry(cab, office) is None and carry(office, third) is None
    with office.session() as session:
        assert session.query(Own).one().stamp < "2027"
    office.put(Field, field.id, name="North again")
    office.put(Field, field.id, crop="lentils")
    work(office, "Fay")
    for _ in range(2):
        for store in (cab, third):
            assert carry(office, store) is None and carry(store, office) is None
    for store in copies:
        assert [(row.name, row.crop) for row in store.all(Field)] == [("North again", "lentils")]
        assert rows_of(store) == rows_of(office)


def test_what_others_list_fills_nothing(copies, sound, signed, offer, tmp_path):
    """Ten thousand devices in the list of an enrolled device's bundle leave no trace at the office, which exports as before;
    a longer list is refused."""
    office = copies[1]
    before = len(export_bundle(office, tmp_path / "before").read_bytes())
    listed = [{"id": str(uuid.UUID(int=n)), "name": "x" * 200, "public_key": f"{n:064x}"} for n in range(10_001)]
    assert offer(signed(sound, devices=listed[:-1])) is None
    with office.session() as session:
        assert session.query(Peer).count() == 1
    assert len(export_bundle(office, tmp_path / "after").read_bytes()) < before + 10_000
    with pytest.raises(BundleRefused, match="manifest is not complete"):
        signed(sound, devices=listed)


def test_of_a_strangers_bundle_nothing_is_read(copies, stranger, work, tmp_path, monkeypatch):
    """Who is trusted is decided before any record of a bundle is read, so that a stranger's costs next to nothing."""
    work(stranger, "Eve")
    path = export_version_4(stranger, tmp_path)
    monkeypatch.setattr("sync.bundle_merge._records", lambda *_: pytest.fail("its records were read"))
    assert "is not paired" in str(merge_bundles(copies[1], [path]).refused[0][1])
