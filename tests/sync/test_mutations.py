"""Thousands of mutated bundles: refused with a sentence, nothing changed, little memory."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from cabapp.__main__ import main
from store.models import Field, Mark, Operator
from sync import export_bundle, merge_bundles
from sync.bundle_export import export_version_4
from sync.folder_exchange import FolderWatcher

HERE = Path(__file__).parent
HOSTILE = '"><script>alert(1)</script><svg/onload=alert(2)>&#0;evil ../../x'


def mutated(logbook, sound, count):
    """Return what a process of its own says of so many mutations of a file or folder, offered to a logbook."""
    words = [sys.executable, HERE / "child_mutate.py", logbook, sound, str(count), "17"]
    run = subprocess.run(
        list(map(str, words)), capture_output=True, text=True, timeout=3000, cwd=HERE.parents[1],
        env={"PYTHONPATH": str(HERE.parents[1]), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout)


@pytest.mark.parametrize("count", [120, pytest.param(10_000, marks=pytest.mark.long)], ids=["some", "all"])
@pytest.mark.parametrize("version", [4, 5])
def test_mutated_bundles_change_nothing(copies, work, tmp_path, count, version, capsys):
    """Bit flips, cuts, swaps, bombs, path tricks, deep JSON, giant numbers: no exception but a
    refusal, no changed row, and never more than 200 MB in use by the whole process."""
    work(copies[0], "Ada")
    bundle = (export_version_4 if version == 4 else export_bundle)(copies[0], tmp_path / "sound")
    copies[1].close()
    said = mutated(copies[1].path, bundle, count)
    with capsys.disabled():
        print(f"\n  mutated bundles of version {version}: {said}")
    assert said["escaped"] == [] and said["changed"] == 0
    assert said["refused"] + said["same"] == said["offered"] == count
    assert said["refused"] > 0.8 * count
    assert said["most_mb"] < 200


@pytest.mark.parametrize("count", [20, pytest.param(10_000, marks=pytest.mark.long)], ids=["some", "all"])
def test_mutated_segments_and_heads_poison_nothing(copies, work, tmp_path, count, capsys):
    """Of a folder with one file hurt only sound records are taken; with it sound again, all are, whatever came before."""
    for name in ("Ada", "Bea", "Cy"):
        work(copies[0], name)
        merge_bundles(copies[2], [export_bundle(copies[0], tmp_path / "out")])
        work(copies[2], name)
    (tmp_path / "sound").mkdir()
    for store in (copies[2], copies[0]):
        FolderWatcher(store, [tmp_path / "sound"]).look()
    copies[1].close()
    said = mutated(copies[1].path, tmp_path / "sound", count)
    with capsys.disabled():
        print(f"\n  mutated segments and heads: {said}")
    assert said["escaped"] == [] and said["poisoned"] == 0
    assert said["refused"] > 0.4 * count and said["most_mb"] < 200


def test_hostile_names_are_carried_and_harmless(copies, work, tmp_path):
    """A name of HTML, SVG, escapes and path tricks travels as it is, harming no page or path."""
    cab, office, _ = copies
    cab.put(Field, cab.all(Field)[0].id, name=HOSTILE, boundary=None)
    work(cab, HOSTILE)
    cab.add(Mark(field_id=cab.all(Field)[0].id, kind=HOSTILE[:60], note=HOSTILE, at=1.0))
    cab.device_name = HOSTILE
    with cab.writing() as session:
        session.connection().exec_driver_sql("UPDATE own SET name = ?", (HOSTILE,))
    path = export_bundle(cab, tmp_path / "stick")
    assert path.parent == tmp_path / "stick" and path.name.isascii() and "/" not in path.name
    assert merge_bundles(office, [path]).refused == []
    assert office.all(Field)[0].name == HOSTILE
    assert HOSTILE in {o.name for o in office.all(Operator)}
    pages = tmp_path / "pages"
    assert main(["office", "--out", str(pages), "--store", str(office.path)]) == 0
    written = [p for p in tmp_path.rglob("*") if p.suffix in (".html", ".gpx", ".geojson", ".svg")]
    assert written and all(pages in p.parents for p in written)
    for page in (p for p in written if p.suffix == ".html"):
        text = page.read_text("utf-8")
        assert "<script>alert" not in text and "<svg/onload" not in text


@pytest.mark.parametrize("name", ["a\x1b[2Jb", "a\nb", "\u202eb", "x" * 201])
def test_a_name_that_plays_with_a_terminal_is_refused(copies, tmp_path, name, monkeypatch):
    """A bundle whose device calls itself by control or direction signs is refused unprinted."""
    monkeypatch.setattr("sync.bundle_export.shown", lambda _name: name)
    from store.errors import BundleRefused

    with pytest.raises(BundleRefused, match="manifest is not complete"):
        export_version_4(copies[0], tmp_path)
    monkeypatch.setattr("sync.segments.segment_writer.shown", lambda _name: name)
    (sentence,) = (str(why) for _path, why in merge_bundles(copies[1], [export_bundle(copies[0], tmp_path)]).refused)
    assert "not complete" in sentence and name not in sentence
