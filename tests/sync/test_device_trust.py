"""Which devices are trusted: enrolment, a lost tablet, and records altered on the way."""

import json
import zipfile

import pytest

from cabapp.__main__ import main
from store import open_store
from store.errors import BundleRefused
from store.facts.signed_pages import make_page, text_of
from store.models import Enrolment, Own, Peer, Tap
from sync import export_bundle, merge_bundles
from sync.bundle_file import MANIFEST, RECORDS, SIGNATURE, write_bundle
from sync.enrolment import Card, card_of, enrol, hold_to, met_but_not_enrolled, read_card, revoke, roll_of


@pytest.fixture
def carry(tmp_path):
    """A function that carries everything from one copy to another: the refusal, or None."""

    def carried(source, target):
        result = merge_bundles(target, [export_bundle(source, tmp_path / "carried")])
        return str(result.refused[0][1]) if result.refused else None

    return carried


@pytest.fixture
def stranger(copies, tmp_path, carry):
    """A copy that took the farm from a bundle it found, and that no other copy has met."""
    with open_store(tmp_path / "stranger.sqlite", "a stranger") as store:
        assert carry(copies[0], store) is None
        yield store


@pytest.fixture
def enrolled(copies, carry):
    """Three copies of which the second is the office and has enrolled the others."""
    cab, office, other = copies
    for store in (cab, other):
        enrol(office, card_of(store))
    for store in (cab, other):
        assert carry(office, store) is None
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


def test_the_first_key_is_trusted_where_no_device_is_enrolled(copies, stranger, carry):
    """While no device is enrolled, an unknown one is trusted by its key, and keeps it."""
    assert carry(stranger, copies[1]) is None
    with copies[1].session() as session:
        assert session.get(Peer, stranger.device).public_key == card_of(stranger).public_key
    assert roll_of(copies[1]) == []


def test_an_unknown_device_is_refused(enrolled, stranger, carry, rows_of):
    """Once the office has enrolled a device, an unknown device is refused everywhere."""
    for store in enrolled:
        before = rows_of(store)
        assert "is not enrolled on this farm" in carry(stranger, store)
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
    assert "is not enrolled" in carry(stranger, office)
    assert len(roll_of(office)) == 3


@pytest.mark.parametrize("forge", [False, True])
def test_a_relay_cannot_alter_what_it_carries(copies, carry, work, resigned, rows_of, forge, tmp_path):
    """A record altered by a sound device that carries it is refused: its own device signed it."""
    cab, office, relay = copies
    work(cab, "Ada")
    assert carry(cab, relay) is None and carry(cab, office) is None
    work(cab, "Bea")
    assert carry(cab, relay) is None
    path = export_bundle(relay, tmp_path / "relay")
    before = rows_of(office)
    bad = resigned(path, relay, lambda line: line.replace("Bea", "Eve"), forge)
    (sentence,) = (str(why) for _path, why in merge_bundles(office, [bad]).refused)
    assert "are not signed by the device they are said to be from" in sentence
    assert rows_of(office) == before
    assert merge_bundles(office, [path]).refused == []


def test_a_tablet_given_the_offices_card_cannot_be_led_astray(copies, stranger, carry):
    """A tablet that was given the office's card accepts no other office."""
    cab, office, _ = copies
    hold_to(cab, card_of(office))
    enrol(stranger, card_of(cab))  # a stranger plays office
    assert "not enrolled" in carry(stranger, cab)
    enrol(office, card_of(cab))
    assert carry(office, cab) is None
    assert [e.state for e in roll_of(cab)] == ["tablet", "office"]


def test_two_offices_are_not_guessed_between(copies, stranger, carry, tmp_path):
    """If two devices say they are the office, a copy asks for the right one's card."""
    cab, office, _ = copies
    enrol(office, card_of(cab))
    with open_store(tmp_path / "fresh.sqlite") as fresh:
        assert carry(stranger, fresh) is None
        enrol(stranger, card_of(fresh))
        stranger_bundle = export_bundle(stranger, tmp_path / "s")
        assert merge_bundles(fresh, [stranger_bundle]).refused == []
        assert "not enrolled" in carry(office, fresh)
        hold_to(fresh, card_of(office))
        assert carry(office, fresh) is None


def test_who_was_met_before_can_be_enrolled_at_once(copies, carry):
    """The office sees which devices it has merged and not enrolled, with their keys."""
    cab, office, other = copies
    carry(cab, office), carry(other, office)
    assert {c.device for c in met_but_not_enrolled(office)} == {cab.device, other.device}
    for card in met_but_not_enrolled(office):
        enrol(office, card)
    assert met_but_not_enrolled(office) == []


def test_a_card_is_read_back_and_slips_are_found(copies, tmp_path):
    """A card comes back from text and file; any one letter wrong is refused with a sentence."""
    card = Card(copies[0].device, "Tablet: 1 / Søren", bytes(range(32)))
    text = card.text()
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


def test_a_card_with_a_known_id_and_another_key_is_refused(copies, carry):
    """A card that gives a device met before another key is not enrolled."""
    cab, office, _ = copies
    carry(cab, office)
    with pytest.raises(BundleRefused, match="another key"):
        enrol(office, Card(cab.device, "tablet 1", bytes(32)))


def test_the_command_enrols_and_strikes_off(copies, capsys, tmp_path):
    """`rollbook enrol` shows a card, enrols it at the office, and strikes a lost tablet off."""
    cab, office, _ = copies
    assert main(["enrol", "--card", "--store", str(cab.path)]) == 0
    text = capsys.readouterr().out.splitlines()[0]
    assert main(["enrol", text, "--store", str(office.path)]) == 0
    assert "tablet   tablet 1" in capsys.readouterr().out
    assert main(["enrol", "--lost", "tablet 1", "--reason", "x", "--store", str(office.path)]) == 0
    assert "revoked  tablet 1" in capsys.readouterr().out
    assert main(["enrol", "--lost", "tablet 9", "--store", str(office.path)]) == 1
    assert "Not one device on the roll" in capsys.readouterr().err


def test_a_locked_bundle_needs_its_passphrase(copies, tmp_path, work):
    """A locked bundle shows nothing, opens with its passphrase only, and any damage is refused."""
    cab, office, _ = copies
    work(cab, "Ada")
    path = export_bundle(cab, tmp_path / "stick", "four ordinary words here")
    assert b"Ada" not in path.read_bytes() and path.suffix == ".locked"
    assert not zipfile.is_zipfile(path)
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


def test_a_refused_command_has_done_nothing(copies, rows_of):
    """A device struck off or enrolled in vain leaves this copy what it was: not the office."""
    _cab, office, _ = copies
    before = rows_of(office)
    with office.session() as session:
        peer = session.query(Peer).first()
        wrong = Card(peer.device, peer.name, bytes(32))
    for refused in (lambda: revoke(office, "nobody"), lambda: enrol(office, wrong)):
        with pytest.raises(BundleRefused):
            refused()
        with office.session() as session:
            assert session.query(Own).one().office is None
        assert rows_of(office) == before
