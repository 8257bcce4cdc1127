"""Copies of one invented farm's logbook, and ways to compare them."""

import io
import json
import shutil
import zipfile

import pytest
from sqlalchemy import select

from store import open_store
from store.facts.signed_pages import make_page, text_of
from store.models import FACTS, REFERENCES, Farm, Field, HandOver, Job, Mark, Operator, Own, Stint, Tap, Tool, Tractor
from sync import merge_bundles
from sync.bundle_export import export_bundle, export_version_4
from sync.bundle_file import MANIFEST, RECORDS, SIGNATURE, write_bundle
from sync.enrolment import pair

START = 1_777_000_000.0
WALLS = (lambda: START, lambda: START - 3600, lambda: 3_913_000_000.0)


@pytest.fixture(autouse=True)
def _messages(whole_messages):
    """Every message of store and sync met in a test is whole."""


@pytest.fixture(scope="session")
def rows_of():
    """A function that returns every exchanged row of a store, table by table, in one order."""

    def rows(store):
        found = {}
        with store.session() as session:
            for name, model in {**FACTS, **REFERENCES}.items():
                table = model.__table__
                query = select(table).order_by(table.c.id)
                found[name] = [tuple(row) for row in session.execute(query)]
        return found

    return rows


@pytest.fixture(scope="session")
def work():
    """A function that does a bit of every kind of work on a copy that has the farm already."""

    def done(store, name):
        operator = store.put(Operator, name=name)
        job = store.all(Job)[0]
        stint = store.add(
            Stint(
                job_id=job.id,
                operator_id=operator.id,
                tractor_id=store.all(Tractor)[0].id,
                tool_id=store.all(Tool)[0].id,
                width_m=12.8,
                at=START + 0.123456,
            )
        )
        store.add(
            Tap(stint_id=stint.id, kind="stop", at=START + 1 / 3, reason='Öl "5 %"', detail={"a": [1, 2.5, None]})
        )
        store.add(Mark(field_id=job.field_id, kind="rock", lat=49.0012345, lon=-105.1, at=START))
        writer = store.trace(stint.id)
        for n in range(25):
            writer.append(START + n / 10, 49 + n * 1e-6, -105.0, 0.5, 4)
        writer.sync()
        store.add(HandOver(job_id=job.id, stint_id=stint.id, at=START, state="fine", sheet={"fuel": "half"}))
        return stint

    return done


@pytest.fixture(scope="session")
def farm_folder(tmp_path_factory):
    """Three copies of one farm whose clocks disagree: right, slow (the office, which enrolled the others), and in 2094."""
    folder = tmp_path_factory.mktemp("farm")
    with (
        open_store(folder / "0.sqlite", "tablet 1", lambda: START - 86_400) as first,
        open_store(folder / "1.sqlite", "tablet 2", WALLS[1]) as office,
        open_store(folder / "2.sqlite", "tablet 3", WALLS[2]) as third,
    ):
        first.put(Farm, name="Three Poplars", timezone="America/Denver", units="us")
        first.put(Tractor, name="the red one")
        first.put(Tool, name="land roller", operation="rolling", width_m=12.8)
        ground = first.put(Field, name="North", boundary={"type": "Polygon", "coordinates": [[]]})
        first.put(Job, field_id=ground.id, operation="rolling", season=2026)
        for other in (office, third):
            other.put(Operator, name="written before it met the others")
        pair(office, first, third)
        assert merge_bundles(office, [export_bundle(first, folder / "first")]).refused == []
        assert merge_bundles(third, [export_bundle(office, folder / "office")]).refused == []
    return folder


@pytest.fixture(scope="session")
def open_copies(farm_folder, stands_for):
    """A function that opens fresh copies of the three logbooks in a folder."""

    def opened(folder):
        stores = []
        for n, wall in enumerate(WALLS):
            stands_for(shutil.copy(farm_folder / f"{n}.sqlite", folder / f"{n}.sqlite"))
            stores.append(open_store(folder / f"{n}.sqlite", wall=wall))
        return stores

    return opened


@pytest.fixture
def copies(open_copies, tmp_path):
    """The three copies, open."""
    stores = open_copies(tmp_path)
    yield stores
    for store in stores:
        store.close()


@pytest.fixture
def sound(copies, work, tmp_path):
    """A sound bundle of version 4 of the first copy, as bytes."""
    work(copies[0], "Ada")
    return export_version_4(copies[0], tmp_path / "sound").read_bytes()


@pytest.fixture
def offer(copies, tmp_path, rows_of):
    """A function that merges bytes into the second copy: the refusal's sentence, or None.

    If refused, not one row of the logbook may have changed.
    """
    office = copies[1]

    def offered(data):
        before = rows_of(office)
        path = tmp_path / "rollbook-offered.zip"
        path.write_bytes(data)
        result = merge_bundles(office, [path])
        if not result.refused:
            return None
        assert rows_of(office) == before
        (sentence,) = (str(why) for _path, why in result.refused)
        assert sentence.endswith(".") and len(sentence.split()) > 8
        return sentence

    return offered


@pytest.fixture
def signed(copies, tmp_path):
    """A function that signs altered records or manifests with the first copy's own key."""
    with copies[0].session() as session:
        key = session.query(Own).one().private_key

    def sign(data, lines=None, traces=None, **manifest):
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            members = {n: file.read(n) for n in file.namelist()}
        said = json.loads(members.pop(MANIFEST))
        members.pop(SIGNATURE)
        del said["members"], said["format"], said["version"]
        if lines is not None:
            # The page is signed anew too, so that the lines alone decide.
            pages = [make_page(copies[0].device, 1, lines, key)] if lines else []
            members[RECORDS] = b"".join(text_of(page) for page in pages)
            names = ("device", "first", "last", "sha256", "signature")
            said["pages"] = [{"bytes": len(text_of(p)), **{n: getattr(p, n) for n in names}} for p in pages]
        members |= traces or {}
        path = tmp_path / "signed.zip"
        write_bundle(path, {**said, **manifest}, members, key)
        return path.read_bytes()

    return sign


@pytest.fixture(scope="session")
def lines_of():
    """A function that returns the record lines of a bundle."""

    def lines(data):
        with zipfile.ZipFile(io.BytesIO(data)) as file:
            return file.read(RECORDS).decode().splitlines()

    return lines
