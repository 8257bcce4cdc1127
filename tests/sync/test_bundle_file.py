"""A damaged, oversized, newer or hostile bundle is refused with a sentence; nothing changes."""

import io
import json
import random
import re
import struct
import zipfile
from contextlib import nullcontext
from pathlib import Path

import pytest

from store.errors import BundleRefused
from store.facts.fact_lines import write_line
from store.facts.fact_validation import read_page
from store.models import FACTS, Own
from sync import bundle_encryption, merge_bundles
from sync import bundle_file as bundles
from sync.bundle_export import export_version_4 as export_bundle
from sync.bundle_file import MANIFEST, RECORDS, SIGNATURE, VERSION
from sync.segments import segment_file


@pytest.fixture
def rebuilt():
    """A function that writes a zip anew with a change to its members, unsigned."""

    def build(data, change):
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            members = [(n, file.read(n)) for n in file.namelist()]
        out = io.BytesIO()
        with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as file:
            for name, content in change(members):
                file.writestr(name, content)
        return out.getvalue()

    return build


def test_a_bundle_is_a_plain_zip(sound, lines_of):
    """Any zip tool reads it: known members, JSON, RFC 3339 times in UTC, one line a record."""
    with zipfile.ZipFile(io.BytesIO(sound)) as file:
        assert file.testzip() is None
        manifest = json.loads(file.read(MANIFEST))
        names = set(file.namelist())
    traces = {n for n in names if n.startswith("traces/")}
    assert names - traces == {MANIFEST, SIGNATURE, RECORDS} and traces
    assert manifest["format"] == "rollbook-bundle" and manifest["version"] == 4
    records = [json.loads(line) for line in lines_of(sound)]
    assert [(r["device"], r["seq"]) for r in records] == sorted((r["device"], r["seq"]) for r in records)
    (stop,) = (r for r in records if r["table"] == "tap")
    assert stop["columns"]["at"] == "2026-04-24T03:06:40.333333Z"


@pytest.mark.parametrize("now", [0.0, 4.9e9], ids=["1970", "2125"])
def test_a_clock_that_no_zip_can_tell_writes_a_bundle(copies, work, tmp_path, monkeypatch, now):
    """A tablet whose clock is dead or far off exports: a zip's own times go from 1980 to 2107."""
    work(copies[0], "Ada")
    with monkeypatch.context() as patch:
        patch.setattr("time.time", lambda: now)
        bundle = export_bundle(copies[0], tmp_path)
    assert merge_bundles(copies[1], [bundle]).refused == []


def test_a_sound_bundle_is_taken(sound, offer):
    """The bundle that all the damaged ones below are made from is itself merged."""
    assert offer(sound) is None


def test_every_row_is_the_same_after_a_line(copies, work):
    """Each fact written as a line and read again has the same value in every column."""
    work(copies[0], "Ada")
    copies[0].seal_traces()
    seen = set()
    for name, model in FACTS.items():
        for row in copies[0].all(model):
            packed = {row.id: getattr(row, "packed", None)}.get
            values = tuple(getattr(row, c.name) for c in model.__table__.columns)
            told = read_page(write_line(row).encode() + b"\n", row.device, row.seq, packed)
            assert told == {name: [values]}
            seen.add(name)
    assert {"change", "stint", "tap", "mark", "trace_chunk", "hand_over"} <= seen


def test_two_hundred_random_damages(sound, offer):
    """A bundle cut, or with bits flipped, bytes lost, doubled, zeroed or scrambled, is refused.

    Damage to the few bytes of a zip that carry no content (times, attributes) is left out:
    where Python's own reader still finds the same content, there is nothing to refuse.
    """
    chance = random.Random(11)
    harmless = 0
    for n in range(240):
        data = bytearray(sound)
        place = chance.randrange(len(data))
        end = place + chance.randrange(1, 60)
        match n % 6:
            case 0:
                del data[place:]
            case 1:
                data[place] ^= 1 << chance.randrange(8)
            case 2:
                del data[place:end]
            case 3:
                data[place:place] = data[place:end]
            case 4:
                data[place:end] = bytes(len(data[place:end]))
            case 5:
                data[place:end] = chance.randbytes(end - place)
        if _reads_the_same(sound, data):
            harmless += 1
        else:
            assert offer(bytes(data)) is not None
    assert harmless < 40


def _reads_the_same(sound, data):
    """Say whether a damaged zip still gives the same content by Python's own reader."""
    try:
        with zipfile.ZipFile(io.BytesIO(sound)) as one, zipfile.ZipFile(io.BytesIO(bytes(data))) as two:
            return one.namelist() == two.namelist() and all(one.read(n) == two.read(n) for n in one.namelist())
    except Exception:
        return False


def test_members_missing_added_doubled_renamed_or_altered(sound, offer, rebuilt):
    """A zip that is sound as a zip but whose members are not those that were signed is refused."""

    def without(name):
        return lambda members: [m for m in members if not m[0].startswith(name)]

    def altered(name):
        return lambda members: [(n, b + b" " if n.startswith(name) else b) for n, b in members]

    changes = [
        *(without(n) for n in (MANIFEST, SIGNATURE, RECORDS, "traces/")),
        *(altered(n) for n in (MANIFEST, RECORDS, "traces/")),
        lambda members: [(n, b.replace(b"Ada", b"Eve") if n == RECORDS else b) for n, b in members],
        lambda members: [*members, ("more.txt", b"")],
        lambda members: [*members, ("../../evil.txt", b"x")],
        lambda members: [*members, ("/etc/evil.txt", b"x")],
        lambda members: [(n.replace("traces/", "../"), b) for n, b in members],
        lambda members: [(n, b"0" * 128 if n == SIGNATURE else b) for n, b in members],
        lambda members: [(n, b"zz" if n == SIGNATURE else b) for n, b in members],
        lambda members: [(n, b"[]" if n == MANIFEST else b) for n, b in members],
        lambda members: [(n, b"[" * 100_000 if n == MANIFEST else b) for n, b in members],
        lambda members: [],
    ]
    for change in changes:
        assert offer(rebuilt(sound, change)) is not None
    with pytest.warns(UserWarning, match="Duplicate"):
        assert "one name" in offer(rebuilt(sound, lambda members: [*members, members[-1]]))


@pytest.mark.parametrize("data", [b"", b"PK", b"hello", b"PK\x05\x06" + bytes(18), b"SQLite format 3\x00"])
def test_what_is_no_bundle(offer, data):
    """An empty file, a text, an empty zip: refused with a sentence."""
    assert offer(data) is not None


def test_a_newer_bundle_says_so(sound, offer, rebuilt):
    """A bundle of a later version is refused with the advice to install the newer program."""

    def later(members):
        return [
            (n, b.replace(b'"version": 4', b'"version": %d' % (VERSION + 1)) if n == MANIFEST else b)
            for n, b in members
        ]

    assert "newer Rollbook" in offer(rebuilt(sound, later))


def test_a_zip_bomb_is_not_unpacked(offer, tmp_path):
    """300 MB of nothing in a small file is refused by its declared size before it is unpacked."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as file:
        with file.open(MANIFEST, "w") as part:
            for _ in range(300):
                part.write(bytes(1_000_000))
        file.writestr(SIGNATURE, b"")
    assert len(out.getvalue()) < 4_000_000
    assert "larger than it may be" in offer(out.getvalue())


def test_more_than_any_bundle_may_hold(sound, offer, monkeypatch):
    """A bundle beyond the limit on its whole size, or on the number of members, is refused."""
    with monkeypatch.context() as patch:
        patch.setattr(bundles, "LARGEST_TOTAL", 1000)
        assert "larger than any bundle" in offer(sound)
    with monkeypatch.context() as patch:
        patch.setattr(bundles, "MOST_MEMBERS", 2)
        assert "larger than any bundle" in offer(sound)


def test_a_size_that_lies_is_found(sound, offer):
    """A member whose declared size is not its size is refused."""
    data = bytearray(sound)
    entry = data.rindex(b"PK\x01\x02", 0, data.rindex(RECORDS.encode()))
    struct.pack_into("<I", data, entry + 24, 7)
    assert offer(bytes(data)) is not None


def test_a_bundle_that_cannot_be_written_leaves_the_old_one(copies, tmp_path, monkeypatch):
    """If writing fails half-way, last time's bundle is still there, and nothing beside it."""
    path = export_bundle(copies[0], tmp_path / "stick")
    before = path.read_bytes()
    monkeypatch.setattr(bundles, "LARGEST_TOTAL", 100)  # so that reading it back refuses it
    with pytest.raises(BundleRefused):
        export_bundle(copies[0], tmp_path / "stick")
    assert path.read_bytes() == before
    assert list((tmp_path / "stick").iterdir()) == [path]
    monkeypatch.undo()
    (tmp_path / "taken").write_text("")
    with pytest.raises(BundleRefused, match="could not be written"):
        export_bundle(copies[0], tmp_path / "taken")


def test_the_signature_is_plain_ed25519(sound):
    """The signature verifies with nothing but RFC 8032's Ed25519 over the bytes FORMAT.md names."""
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    with zipfile.ZipFile(io.BytesIO(sound)) as file:
        text, signature = file.read(MANIFEST), bytes.fromhex(file.read(SIGNATURE).decode())
    public = Ed25519PublicKey.from_public_bytes(bytes.fromhex(json.loads(text)["device"]["public_key"]))
    public.verify(signature, b"rollbook-bundle manifest\n" + text)


def test_the_limits_are_those_of_the_format():
    """The limits in the code are the ones FORMAT.md states."""
    text = (Path(bundles.__file__).parent / "FORMAT.md").read_text("utf-8")
    said = re.search(r"Limits: (\d+) GiB unpacked, (\d+) MiB of records, (\d+) MiB of manifest, (\d+) MiB a piece of trace,\s"
                     r"([\d,]+) members", text)  # fmt: skip
    total, records, manifest, trace, members = (int(n.replace(",", "")) for n in said.groups())
    assert (total << 30, records << 20) == (bundles.LARGEST_TOTAL, bundles.LARGEST_RECORDS)
    assert (manifest << 20, trace << 20) == (bundles.LARGEST_MANIFEST, bundles.LARGEST_TRACE)
    assert members == bundles.MOST_MEMBERS
    said = re.search(r"Limits for a reader: (\d+) MiB a page with its traces, (\d+) MiB a piece, (\d+) MiB of lines, ([\d,]+) pages, "
                     r"(\d+) MiB of header", text)  # fmt: skip
    weight, trace, lines, pages, header = (int(n.replace(",", "")) for n in said.groups())
    assert (weight << 20, trace << 20) == (segment_file.LARGEST_WEIGHT, segment_file.LARGEST_TRACE)
    assert (lines << 20, pages, header << 20) == (
        segment_file.LARGEST_PAGE,
        segment_file.MOST_PAGES,
        segment_file.LARGEST_HEADER,
    )


@pytest.mark.parametrize(
    "name", ["LARGEST_TOTAL", "MOST_MEMBERS", "LARGEST_MANIFEST", "LARGEST_RECORDS", "LARGEST_TRACE"]
)
def test_each_limit_holds_to_the_byte(sound, offer, monkeypatch, name):
    """A bundle exactly at a limit is taken, one byte or member beyond it is refused and nothing changes."""
    with zipfile.ZipFile(io.BytesIO(sound)) as file:
        sizes = {info.filename: info.file_size for info in file.infolist()}
    (trace,) = (size for member, size in sizes.items() if member.startswith("traces/"))
    at = {
        "LARGEST_TOTAL": sum(sizes.values()), "MOST_MEMBERS": len(sizes), "LARGEST_MANIFEST": sizes[MANIFEST],
        "LARGEST_RECORDS": sizes[RECORDS], "LARGEST_TRACE": trace,
    }[name]  # fmt: skip
    monkeypatch.setattr(bundles, name, at - 1)
    assert "larger than" in offer(sound)
    monkeypatch.setattr(bundles, name, at)
    assert offer(sound) is None


def test_a_manifest_is_plain_utf_8_and_holds_no_nan(copies, tmp_path):
    """Names are written as they are, not escaped; what JSON cannot hold is not written."""
    with copies[0].writing() as session:
        session.query(Own).one().name = "Søren 1"
    path = export_bundle(copies[0], tmp_path)
    with zipfile.ZipFile(path) as file:
        manifest = file.read(MANIFEST)
    assert "Søren 1".encode() in manifest
    with pytest.raises(ValueError):
        bundles.write_bundle(path, {"device": {"id": "x", "name": "y"}, "n": float("nan")}, {}, bytes(32))


def test_a_locked_bundle_is_read_to_its_last_byte(copies, tmp_path, monkeypatch):
    """The largest bundle that may be locked is unlocked whole; one byte more is refused, locking or reading."""
    size = export_bundle(copies[0], tmp_path / "plain").stat().st_size
    monkeypatch.setattr(bundle_encryption, "LARGEST_LOCKED", size - 1)
    with pytest.raises(BundleRefused, match="too large to lock"):
        export_bundle(copies[0], tmp_path, "four ordinary words")
    monkeypatch.setattr(bundle_encryption, "LARGEST_LOCKED", size)
    path = export_bundle(copies[0], tmp_path, "four ordinary words")
    assert merge_bundles(copies[1], [path], passphrase="four ordinary words").refused == []
    path.write_bytes(path.read_bytes() + b"x")
    assert len(merge_bundles(copies[1], [path], passphrase="four ordinary words").refused) == 1
    for phrase, refused in (("eight888", False), ("seven77", True)):
        with pytest.raises(BundleRefused, match="eight letters") if refused else nullcontext():
            bundle_encryption.encrypt(b"", phrase)


@pytest.mark.parametrize("part", [RECORDS, "traces/"])
@pytest.mark.parametrize("change", [lambda b: b[:-1] + bytes([b[-1] ^ 1]), lambda b: b + b" ", lambda b: b[:-1]])
def test_an_altered_member_is_named(sound, offer, rebuilt, part, change):
    """A member of the same, a greater or a smaller length is refused by its own hash, with its name."""

    def altered(members):
        return [(n, change(b) if n.startswith(part) else b) for n, b in members]

    sentence = offer(rebuilt(sound, altered))
    assert f"Its part {part}" in sentence and "was altered on the way" in sentence
