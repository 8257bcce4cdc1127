"""Correctly signed and wrong: records of a known device are checked like all others."""

import hashlib
import io
import json
import random
import zipfile

import pytest

from store.errors import BundleRefused
from sync import merge_bundles


def test_signed_nonsense(sound, signed, open_copies, tmp_path, rows_of, lines_of):
    """Whatever a rightly signed record says, it is refused or leaves a sound logbook."""
    lines = lines_of(sound)
    bent = []
    for place, line in enumerate(lines):
        record = json.loads(line)
        for part, key in [*((None, k) for k in record), *(("columns", k) for k in record["columns"])]:
            for value in (None, -1, 2**70, 1e300, True, "", "x" * 50, "\ud800", [], {"a": []}):
                said = json.loads(line)
                (said[part] if part else said)[key] = value
                bent.append([*lines[:place], json.dumps(said), *lines[place + 1 :]])
    bent = random.Random(5).sample(bent, 150)
    bent += [
        [],
        [*lines, lines[-1]],
        [*lines, "{"],
        [*lines, "[" * 100_000],
        [line.replace('"seq": 1,', '"seq": NaN,') for line in lines],
        [line.replace('"seq": 1,', '"seq": 1e999,') for line in lines],
        lines[1:],
        [lines[-1]],
        [line.replace('"kind": "stop"', '"kind": "<b>odd"') for line in lines],  # may be taken
    ]
    refused, office = 0, None
    for n, choice in enumerate(bent):
        if office is None:
            folder = tmp_path / f"fresh{n}"
            folder.mkdir()
            office = open_copies(folder)[1]
            before = rows_of(office)
        path = tmp_path / "rollbook-bent.zip"
        path.write_bytes(signed(sound, choice))
        result = merge_bundles(office, [path])
        if result.refused:
            assert rows_of(office) == before
            refused += 1
        else:
            assert [s for s in office.check() if "are missing here" not in str(s)] == []
            office.close()
            office = None
    assert 75 < refused < len(bent)


@pytest.mark.parametrize(
    ("part", "value"),
    [
        *(("seq", v) for v in (0, -5, True, 1.5, "7", 2**53, None)),
        *(("id", v) for v in ("", "x", 7, "00000000-0000-4000-8000-00000000000G", None)),
        ("device", "00000000-0000-4000-8000-000000000000"),
        ("stamp", "noon"),
        ("stamp", "2026-04-24T03:06:40.000Z-00000-00000000"),
        ("table", "own"),
        ("table", "operator"),
        ("columns", []),
        ("more", 1),
    ],
)
def test_signed_numbers_ids_and_stamps_that_cannot_be(sound, offer, signed, part, value, lines_of):
    """A rightly signed record whose number, id, stamp or kind is not possible is refused."""
    *lines, last = lines_of(sound)
    said = {**json.loads(last), part: value}
    assert offer(signed(sound, [*lines, json.dumps(said)])) is not None


def test_a_signed_stamp_beyond_all_clocks(sound, offer, signed, lines_of):
    """A stamp of the year 9999 is refused: no later one could be written after it."""
    *lines, last = lines_of(sound)
    said = json.loads(last)
    said["stamp"] = "9999" + said["stamp"][4:]
    assert offer(signed(sound, [*lines, json.dumps(said)])) is not None


def test_signed_traces_that_do_not_decode(sound, offer, signed, lines_of):
    """A rightly signed piece of trace that is rubbish, or that no record names, is refused."""
    with zipfile.ZipFile(io.BytesIO(sound)) as file:
        (name,) = (n for n in file.namelist() if n.startswith("traces/"))
        was = hashlib.sha256(file.read(name)).hexdigest()
    rubbish = b"RT\x01\x00\x05rubbish"
    lines = [x.replace(was, hashlib.sha256(rubbish).hexdigest()) for x in lines_of(sound)]
    assert "cannot be read" in offer(signed(sound, lines, traces={name: rubbish}))
    assert "not the one its record names" in offer(signed(sound, traces={name: rubbish}))
    stray = "traces/00000000-0000-4000-8000-000000000000.bin"
    assert "no record names" in offer(signed(sound, traces={stray: b"RT"}))


def test_a_signed_manifest_that_names_another_farm_or_device(sound, offer, signed, copies):
    """A bundle that says another farm, or has the identity of the copy it is given to, is refused."""
    other = "00000000-0000-4000-8000-000000000000"
    assert "belongs to the farm" in offer(signed(sound, farm={"id": other, "name": "Far Farm"}))
    posing = {"id": copies[1].device, "name": "tablet 2"}
    assert "not signed with the key" in offer(signed(sound, device=posing))
    for farm in (None, {}, {"id": "x", "name": "y"}, {"id": other, "name": "y" * 1000}):
        with pytest.raises(BundleRefused, match="manifest is not complete"):
            signed(sound, farm=farm)
