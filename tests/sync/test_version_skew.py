"""Programs of different age meet: what fits is merged, what does not says what to update."""

import json
import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from store import open_store
from store.db import schema_version
from store.models import FACTS, REFERENCES, Enrolment, Farm, Field, Job, Parcel, Tap
from sync import export_bundle, merge_bundles
from sync.bundle_export import export_version_4
from sync.enrolment import card_of, enrol, pair, text_of_card

ROOT = Path(__file__).resolve().parents[2]
STEP = """
import sqlalchemy as sa
from alembic import op
revision, down_revision, branch_labels, depends_on = "9999", "%s", None, None
def upgrade():
    op.add_column("field", sa.Column("stones", sa.Integer(), nullable=False, server_default="3"))
    op.add_column("tap", sa.Column("mood", sa.String(), nullable=True))
"""
NEWER = """
import json, sys
from store import open_store
from store.models import Field, Tap
from sync import export_bundle, merge_bundles
from sync.enrolment import enrol, read_card
with open_store(sys.argv[1], "newer office") as store:
    if sys.argv[4:]:
        enrol(store, read_card(sys.argv[4]))
    result = merge_bundles(store, [sys.argv[2]])
    (field,) = store.all(Field)
    taps = [(t.kind, t.mood) for t in store.all(Tap)]
    refused = [str(r) for r in result.refused]
    print(json.dumps([refused, field.name, field.stones, taps, store.check()]))
    store.put(Field, field.id, stones=9)
    export_bundle(store, sys.argv[3])
"""


@pytest.fixture(scope="module")
def newer(tmp_path_factory):
    """A folder with this program one step on: a column more in two tables, a later format."""
    folder = tmp_path_factory.mktemp("newer")
    for package in ("store", "sync"):
        shutil.copytree(ROOT / package, folder / package)
    models = folder / "store" / "models.py"
    text = models.read_text()
    for after, column in (
        ("    crop: Mapped[str | None]\n", "    stones: Mapped[int] = mapped_column(default=3)\n"),
        ("    kind: Mapped[str]\n    at: Mapped", "    mood: Mapped[str | None]\n"),
    ):
        text = text.replace(after, column + after, 1)
    assert text.count("stones") == 1 and text.count("mood") == 1
    models.write_text(text)
    step = folder / "store" / "migrations" / "versions" / "9999_later.py"
    step.write_text(STEP % schema_version.head())
    head = folder / "sync" / "segments" / "copy_head.py"
    head.write_text(head.read_text().replace('"rollbook-head", 5, 5\n', '"rollbook-head", 5, 6\n'))
    return folder


def ran(newer, words):
    """Run a command in the newer program and return what it says."""
    words, path = list(map(str, words)), {"PYTHONPATH": str(newer), "PATH": "/usr/bin:/bin"}
    run = subprocess.run(words, cwd=newer, capture_output=True, text=True, timeout=120, env=path)
    assert run.returncode == 0, run.stderr
    return json.loads(run.stdout)


def test_older_into_newer_merges_and_not_the_other_way(newer, copies, work, tmp_path, rows_of):
    """A newer program takes an older tablet's bundle, new columns at their defaults; the tablet
    refuses the newer bundle whole and says to install the newer program."""
    cab = copies[0]
    work(cab, "Ada")
    bundle = export_bundle(cab, tmp_path / "old")
    card = text_of_card(card_of(cab))
    words = [sys.executable, "-c", NEWER, tmp_path / "office.sqlite", bundle, tmp_path / "new", card]
    refused, name, stones, taps, faults = ran(newer, words)
    assert (refused, name, stones, faults) == ([], "North", 3, [])
    assert taps == [["stop", None]]
    before = rows_of(cab)
    (sentence,) = (str(why) for _path, why in merge_bundles(cab, [tmp_path / "new"]).refused)
    assert "newer Rollbook" in sentence and "Install the newer program" in sentence
    assert rows_of(cab) == before


def test_what_a_newer_program_migrates_it_still_passes_on(newer, copies, work, tmp_path):
    """A logbook migrated by a newer program exports pages signed before, and they still hold."""
    cab = copies[0]
    work(cab, "Ada")
    bundle = export_bundle(cab, tmp_path / "old")  # its pages are signed by the older program
    card = text_of_card(card_of(cab))
    cab.close()
    words = [sys.executable, "-c", NEWER, cab.path, bundle, tmp_path / "new"]
    assert ran(newer, words)[4] == []
    (bundle,) = (tmp_path / "new").glob("*.zip")
    words = [sys.executable, "-c", NEWER, tmp_path / "office.sqlite", bundle, tmp_path / "x", card]
    assert ran(newer, words)[:3] == [[], "North", 9]


def rows_in(raw, table):
    """Return the rows of a table as dicts, in one order."""
    return [dict(row) for row in raw.execute(f'SELECT * FROM "{table}" ORDER BY 1')]


def logbook(revision, path):
    """Write the logbook kept of a revision to a file, and return its rows by table."""
    with closing(sqlite3.connect(path)) as raw:
        raw.executescript((ROOT / "tests" / "store" / f"logbook-{revision}.sql").read_text("utf-8"))
        raw.execute(f"PRAGMA application_id={schema_version.APPLICATION_ID}")
        raw.row_factory = sqlite3.Row
        there = {r[0] for r in raw.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        return {t: rows_in(raw, t) for t in there - {"alembic_version"}}


OLDER = sorted(
    path.name[:4]
    for path in (ROOT / "store" / "migrations" / "versions").glob("0*.py")
    if path.name[:4] < schema_version.head()
)


@pytest.mark.parametrize("revision", OLDER)
def test_data_of_an_older_revision_is_the_same_after_migrating(revision, tmp_path):
    """Of every earlier revision a logbook is kept; all its values are the same once migrated."""
    path = tmp_path / "logbook.sqlite"
    before = logbook(revision, path)
    assert before.keys() > {*FACTS, *REFERENCES} - {"parcel", "enrolment", "retirement", "clock_era"}
    assert sum(map(len, before.values())) > 20
    with open_store(path) as store:
        with closing(sqlite3.connect(path)) as raw:
            raw.row_factory = sqlite3.Row
            for table, rows in before.items():
                both = zip(rows, rows_in(raw, table), strict=True)
                assert [{k: row[k] for k in old} for old, row in both] == rows
        assert [s for s in store.check() if "missing here" not in str(s)] == []
        bundle = export_bundle(store, tmp_path / "out")
        with open_store(tmp_path / "office.sqlite", "office") as office:
            pair(office, store)
            assert merge_bundles(office, [bundle]).refused == []
            assert len(office.all(Tap)) == len(before["tap"])


def test_a_bundle_of_version_2_gives_the_rows_its_own_program_had(tmp_path, rows_of):
    """A bundle that the program of revision 0002 wrote, kept as a file, merges to that program's
    rows, value by value, with what is new at its default; and the tablet, migrated, ends equal."""
    before = logbook("0002", tmp_path / "tablet.sqlite")
    bundle = ROOT / "tests" / "sync" / "bundle-2.zip"
    with open_store(tmp_path / "office.sqlite", "office") as office:
        enrol(office, *merge_bundles(office, [bundle]).strangers.values())
        enrolled = len(office.all(Enrolment))
        result = merge_bundles(office, [bundle])
        assert result.refused == [] and result.missing == []
        with closing(sqlite3.connect(office.path)) as raw:
            raw.row_factory = sqlite3.Row
            for table in before.keys() & {*FACTS, *REFERENCES}:
                rows, ours = (
                    before[table],
                    {row[0] for row in raw.execute(f'SELECT id FROM "{table}" WHERE device = ?', (office.device,))},
                )
                assert len(ours) == (enrolled if table == "enrolment" else 0)
                both = zip(rows, [row for row in rows_in(raw, table) if row["id"] not in ours], strict=True)
                assert [{k: row[k] for k in old} for old, row in both] == rows
        assert (office.all(Farm)[0].currency, office.all(Job)[0].agreed_area_m2) == (None, None)
        assert office.check() == []
    with open_store(tmp_path / "tablet.sqlite") as tablet, open_store(office.path) as office:
        office.put(Farm, office.all(Farm)[0].id, currency="$")
        by = {"name": "east", "landlord": "Bea", "boundary": {"type": "Polygon"}}
        tablet.put(Parcel, field_id=tablet.all(Field)[0].id, **by)
        pair(office, tablet)  # the roll in the old logbook is of another office
        for _ in range(2):
            for one, other in ((office, tablet), (tablet, office)):
                assert merge_bundles(other, [export_bundle(one, tmp_path / "x")]).refused == []
        assert rows_of(office) == rows_of(tablet)
        assert tablet.all(Farm)[0].currency == office.all(Farm)[0].currency == "$"


def test_a_tablet_of_version_2_refuses_ours_whole(copies, tmp_path, rows_of, monkeypatch):
    """A program that knows bundles up to version 2 takes nothing of a later one, and says why."""
    bundle = export_version_4(copies[1], tmp_path)
    before = rows_of(copies[0])
    monkeypatch.setattr("sync.bundle_file.VERSION", 2)
    (sentence,) = (str(why) for _path, why in merge_bundles(copies[0], [bundle]).refused)
    assert "Install the newer program on this machine" in sentence
    assert rows_of(copies[0]) == before


def test_a_bundle_too_old_says_what_to_update(copies, tmp_path, monkeypatch):
    """A bundle of the version before signed pages is refused with what to do on which machine."""
    with monkeypatch.context() as patch:
        patch.setattr("sync.bundle_file.VERSION", 1)
        patch.setattr("sync.bundle_file.OLDEST", 1)
        path = export_version_4(copies[0], tmp_path)
    (sentence,) = (str(why) for _path, why in merge_bundles(copies[1], [path]).refused)
    assert "too old" in sentence and "on the machine it came from" in sentence
