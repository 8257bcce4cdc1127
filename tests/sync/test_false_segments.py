"""Segments that a stranger writes onto a carrier: nobody's roll, records or memory suffer from them."""

import io
import json
import tracemalloc
import uuid
import zlib
from hashlib import sha256

import pytest

from store.models import Tap
from sync.enrolment import revoke
from sync.folder_exchange import FolderWatcher
from sync.segments.segment_file import read_header, read_name, write_segment


@pytest.fixture
def stick(tmp_path):
    """An empty folder."""
    (tmp_path / "stick").mkdir()
    return tmp_path / "stick"


def exchange(store, folder):
    """Look twice, as the command does, and return all that was said."""
    watch = FolderWatcher(store, [folder])
    return [str(sentence) for _ in range(2) for news in watch.look() for sentence in news.messages]


def farm_on(folder):
    """Return the farm that the segments of a folder are of."""
    path = next(folder.glob("*/*.rbs"))
    return json.loads(path.read_bytes().split(b"\n")[1])["farm"]


def put_stranger(folder, lines, device=None):
    """Write a segment of a device nobody knows with one page of these lines; its signature is none."""
    packed = zlib.compress(lines, 9)
    entry = {"bytes": len(packed), "first": 1, "last": 1, "sha256": sha256(lines).hexdigest(), "signature": "00" * 64}
    entry |= {"stamp": "", "traces": []}
    name, data = write_segment(farm_on(folder), device or str(uuid.uuid4()), [(entry, [packed])])
    (folder / f"{name.path}.rbs").parent.mkdir(exist_ok=True)
    (folder / f"{name.path}.rbs").write_bytes(data)


@pytest.mark.parametrize("lines", [b'{"enrolment"}\n', b'{"enrolment": 1}\n', b'"enrolment"', b'\xff"enrolment"\n'])
def test_a_strangers_page_takes_nobodys_revocation_away(copies, work, stick, lines):
    """A page nobody signed, whatever is in it, is passed over alone: the office's news of a lost tablet counts."""
    cab, office, third = copies
    work(cab, "before")
    exchange(cab, stick)
    exchange(office, stick)
    exchange(third, stick)
    revoke(office, cab.device[:8], "stolen")
    exchange(office, stick)
    work(cab, "after")
    exchange(cab, stick)
    put_stranger(stick, lines)
    said = exchange(third, stick)
    assert any("reported lost (stolen)" in sentence for sentence in said)
    assert {tap.device for tap in third.all(Tap)} == {cab.device} and len(third.all(Tap)) == 1


def test_pages_of_strangers_are_not_unpacked(copies, work, stick):
    """Files of strangers that unpack to much more than they are take no more memory than they are."""
    cab, office, _third = copies
    work(cab, "Ada")
    exchange(cab, stick)
    for n in range(3):
        put_stranger(stick, b"ab\n" * 2_000_000 + b"%d\n" % n)
    tracemalloc.start()
    exchange(office, stick)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 8_000_000 and len(office.all(Tap)) == 1


def false_copies(device, data, name, bent):
    """Yield path and bytes of eight false copies of a segment, whose names sort before and after its own."""
    header = read_header(lambda: io.BytesIO(data), name)
    for n in range(8):
        parts = []
        for page in header.pages:
            packed, lines, traces = page.load()
            entry = {"first": page.first, "last": page.last, "sha256": page.sha256, "signature": page.signature}
            if bent == "signature":
                entry["signature"] = "00" * 64
            else:
                packed = zlib.compress(lines.replace(b"rock", b"hole").replace(b"Ada", b"Eve"))
            if bent == "sha256":
                entry["sha256"] = sha256(zlib.decompress(packed)).hexdigest()
            entry |= {"bytes": len(packed), "stamp": str(n), "traces": [len(piece) for piece in traces]}
            parts.append((entry, [packed, *traces]))
        false, written = write_segment(header.farm, device, parts)
        yield f"{false.path}.rbs", written


@pytest.mark.parametrize("bent", ["signature", "bytes", "sha256"])
def test_a_false_copy_does_not_stand_in_for_a_page(copies, work, stick, bent):
    """Of pages with the same numbers those count that the device has signed, however their files are named."""
    cab, office, _third = copies
    work(cab, "Ada")
    exchange(cab, stick)
    for path in list(stick.glob(f"{cab.device}/*.rbs")):
        for false, data in false_copies(cab.device, path.read_bytes(), read_name(cab.device, path.stem), bent):
            (stick / false).write_bytes(data)
    said = exchange(office, stick)
    assert any("not signed by the device" in sentence for sentence in said) == (bent != "bytes")
    assert [tap.id for tap in office.all(Tap)] == [tap.id for tap in cab.all(Tap)] and office.check() == []


def test_a_false_page_does_not_hold_up_the_signed_ones_behind(copies, work, stick):
    """A page in another's name that overlaps what is here already is left out alone: later signed pages are taken."""
    cab, office, _third = copies
    work(cab, "Ada")
    exchange(cab, stick)
    exchange(office, stick)
    work(cab, "Bea")
    exchange(cab, stick)
    put_stranger(stick, b"{}\n", cab.device)
    assert any("not signed by the device" in sentence for sentence in exchange(office, stick))
    assert len(office.all(Tap)) == len(cab.all(Tap)) == 2
