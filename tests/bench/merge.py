"""How long merging, exporting and one tap take, each beside the plain way to do the same.

Run by hand: python tests/bench/merge.py. Ratios of medians of 5, measured side by side in one
run. The rows: 200 jobs, 5,000 taps and 1,000,000 points in pieces of 5 minutes at 10 Hz.
"""

import shutil
import sqlite3
import sys
import tempfile
import time
import uuid
from contextlib import closing
from pathlib import Path
from statistics import median

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from store import open_store
from store.db import PRAGMAS
from store.models import FACTS, REFERENCES, Farm, Field, Job, Operator, Stint, Tap, Tool
from store.models import TraceChunk, Tractor
from store.packing import make_trace, pack
from sync import export_bundle, merge_bundles

START, POINTS, PIECE, TAPS, JOBS = 1_777_000_000.0, 1_000_000, 3000, 5000, 200


def fill(store):
    """Write the invented season."""
    store.put(Farm, name="Three Poplars", timezone="America/Denver")
    ids = {"operator_id": store.put(Operator, name="Ada").id}
    ids["tractor_id"] = store.put(Tractor, name="the red one").id
    tool = store.put(Tool, name="land roller", operation="rolling", width_m=12.8)
    ids["tool_id"] = tool.id
    stints = []
    for n in range(JOBS):
        field = store.put(Field, name=f"field {n}")
        job = store.put(Job, field_id=field.id, operation="rolling", season=2026)
        stints.append(store.add(Stint(job_id=job.id, **ids, width_m=12.8, at=START + n)).id)
    chance = np.random.default_rng(1)
    with store.writing() as session:
        for n in range(TAPS):
            tap = Tap(stint_id=stints[n % JOBS], kind="mark", at=START + n, lat=49.0, lon=-105.0)
            store.number(session, tap)
        t = START + np.arange(PIECE) / 10
        due = dict.fromkeys(stints, 0)
        for n in range(-(-POINTS // PIECE)):
            k = min(PIECE, POINTS - n * PIECE)
            lat = 49 + np.cumsum(3e-6 + chance.normal(0, 1e-7, k))
            trace = make_trace(t[:k], lat, np.full(k, -105.0), np.full(k, 0.5), np.full(k, 4))
            stint = stints[n % JOBS]
            chunk = TraceChunk(stint_id=stint, n=due[stint], count=k, packed=pack(trace))
            chunk.first_at, chunk.last_at = float(t[0]), float(t[k - 1])
            due[stint] += k
            store.number(session, chunk)


def timed(work):
    """Return the seconds work took."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def plain(path):
    """Open a file as the store does, without SQLAlchemy."""
    raw = sqlite3.connect(path, isolation_level=None)
    for pragma in PRAGMAS:
        raw.execute(pragma)
    return raw


def insert(raw, rows):
    """Insert rows by plain executemany in one durable transaction."""
    raw.execute("BEGIN IMMEDIATE")
    for table, values in rows.items():
        marks = ", ".join("?" * len(values[0]))
        raw.executemany(f'INSERT INTO "{table}" VALUES ({marks})', values)
    raw.execute("COMMIT")


def merging(folder, cab, bundle):
    """Time merging against raw inserts of the same rows, point rows, and a copy of the file."""
    with closing(sqlite3.connect(cab.path)) as raw:
        rows = {t: raw.execute(f'SELECT * FROM "{t}"').fetchall() for t in (*REFERENCES, *FACTS)}
    rows = {table: values for table, values in rows.items() if values}
    order = [*REFERENCES, *FACTS]
    rows = dict(sorted(rows.items(), key=lambda item: order.index(item[0])))
    points = [(n // 5000, n, START + n / 10, 49.0 + n * 1e-7, -105.0) for n in range(POINTS)]
    open_store(folder / "empty.sqlite", "office").close()
    spent = {name: [] for name in ("raw", "merge", "known", "points", "copy", "export")}
    for n in range(5):
        for name in ("raw", "office"):
            shutil.copy(folder / "empty.sqlite", folder / f"{name}{n}.sqlite")
        with closing(plain(folder / f"raw{n}.sqlite")) as raw:
            spent["raw"].append(timed(lambda: insert(raw, rows)))
            raw.execute("CREATE TABLE point (stint INT, n INT, t REAL, lat REAL, lon REAL)")
            spent["points"].append(timed(lambda: insert(raw, {"point": points})))
        with open_store(folder / f"office{n}.sqlite") as office:
            spent["merge"].append(timed(lambda: merge_bundles(office, [bundle])))
            spent["known"].append(timed(lambda: merge_bundles(office, [bundle])))
            assert len(office.all(Tap)) == TAPS
        spent["copy"].append(timed(lambda: shutil.copy(bundle, folder / f"copy{n}")))
        spent["export"].append(timed(lambda: export_bundle(cab, folder / f"out{n}")))
        (folder / f"raw{n}.sqlite").unlink()
    raw, merge, known, points, copy, export = (median(v) for v in spent.values())
    count = sum(map(len, rows.values()))
    show(f"raw executemany of the same {count:,} rows", raw, raw)
    show("merge", merge, raw)
    show("merge of what is known", known, raw)
    show("copy of the bundle file", copy, raw)
    show("export", export, raw)
    show("raw executemany of the points as a row each", points, raw)
    print(f"merge against the rows and the points as rows: {merge / (raw + points):.2f}")


def tapping(folder, cab):
    """Time one tap against a bare durable commit, turn and turn about."""
    stint = cab.all(Stint)[0].id
    raws, taps = [], []
    shutil.copy(folder / "office0.sqlite", folder / "bare.sqlite")
    with closing(plain(folder / "bare.sqlite")) as raw:
        for n in range(300):
            values = (str(uuid.uuid4()), "d", n, "s", stint, "mark", START, None, 49.0, -105.0, None)
            raws.append(timed(lambda: insert(raw, {"tap": [values]})))
            tap = Tap(stint_id=stint, kind="mark", at=START, lat=49.0, lon=-105.0)
            taps.append(timed(lambda: cab.add(tap)))
    show("one tap, bare sqlite3 commit", median(raws), median(raws))
    show("one tap, Store.add", median(taps), median(raws))


def show(what, seconds, against):
    """Print one line."""
    print(f"{what:46} {seconds * 1e3:9.2f} ms {seconds / against:6.2f}")


def main():
    """Measure and print."""
    folder = Path(tempfile.mkdtemp())
    with open_store(folder / "cab.sqlite", "tablet 1") as cab:
        fill(cab)
        bundle = export_bundle(cab, folder / "out")
        print(f"bundle: {bundle.stat().st_size / 1e6:.2f} MB")
        merging(folder, cab, bundle)
        tapping(folder, cab)
    shutil.rmtree(folder)


if __name__ == "__main__":
    main()
