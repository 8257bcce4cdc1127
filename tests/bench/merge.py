"""How long merging, exporting and one tap take, each beside the plain way to do the same.

Run by hand: python tests/bench/merge.py. Medians of 9, taken turn and turn about in one run, by
the clock and, beside it, of the processor. The rows: 200 jobs, 5,000 taps and 1,000,000 noisy
points in pieces of 5 minutes at 10 Hz.
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
from store.db.connection import PRAGMAS
from store.models import Base, Farm, Field, Job, Operator, Stint, Tap, Tool, TraceChunk, Tractor
from store.traces.trace_codec import make_trace, pack
from sync import export_bundle, merge_bundles
from sync.enrolment import pair
from tests.bench.packing import drive

START, POINTS, PIECE, TAPS, JOBS = 1_777_000_000.0, 1_000_000, 3000, 5000, 200
TIMES = 9


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
    _t, lat, lon = drive(POINTS)
    with store.writing() as session:
        for n in range(TAPS):
            tap = Tap(stint_id=stints[n % JOBS], kind="mark", at=START + n, lat=49.0, lon=-105.0)
            store.number(session, tap)
        t = START + np.arange(PIECE) / 10
        due = dict.fromkeys(stints, 0)
        for n in range(-(-POINTS // PIECE)):
            k = min(PIECE, POINTS - n * PIECE)
            here = slice(n * PIECE, n * PIECE + k)
            trace = make_trace(t[:k], lat[here], lon[here], np.full(k, 0.5), np.full(k, 4))
            stint = stints[n % JOBS]
            chunk = TraceChunk(stint_id=stint, n=due[stint], count=k, packed=pack(trace))
            chunk.first_at, chunk.last_at = float(t[0]), float(t[k - 1])
            due[stint] += k
            store.number(session, chunk)


def timed(work):
    """Return the seconds work took by the clock, and of the processor."""
    begun = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - begun[0], time.process_time() - begun[1]


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
    with open_store(folder / "empty.sqlite", "office") as office:
        pair(cab, office)
    shutil.copy(folder / "empty.sqlite", folder / "same.sqlite")
    with open_store(folder / "same.sqlite") as office:  # all that merging writes, page too
        merge_bundles(office, [bundle])
    with closing(sqlite3.connect(folder / "same.sqlite")) as raw:
        tables = (t.name for t in Base.metadata.sorted_tables if t.name not in ("own", "peer"))
        rows = {t: raw.execute(f'SELECT * FROM "{t}"').fetchall() for t in tables}
    rows = {table: values for table, values in rows.items() if values}
    points = [(n // 5000, n, START + n / 10, 49.0 + n * 1e-7, -105.0) for n in range(POINTS)]
    spent = {name: [] for name in ("raw", "merge", "known", "copy", "export", "points")}
    for n in range(TIMES):
        for name in ("raw", "office"):
            shutil.copy(folder / "empty.sqlite", folder / f"{name}{n}.sqlite")
        with closing(plain(folder / f"raw{n}.sqlite")) as raw:
            spent["raw"].append(timed(lambda: insert(raw, rows)))
            if n < 3:
                raw.execute("CREATE TABLE point (stint INT, n INT, t REAL, lat REAL, lon REAL)")
                spent["points"].append(timed(lambda: insert(raw, {"point": points})))
        with open_store(folder / f"office{n}.sqlite") as office:
            spent["merge"].append(timed(lambda: merge_bundles(office, [bundle])))
            spent["known"].append(timed(lambda: merge_bundles(office, [bundle])))
            assert len(office.all(Tap)) == TAPS
        spent["copy"].append(timed(lambda: shutil.copy(bundle, folder / f"copy{n}")))
        spent["export"].append(timed(lambda: export_bundle(cab, folder / f"out{n}")))
        (folder / f"raw{n}.sqlite").unlink()
    count, against = sum(map(len, rows.values())), middle(spent["raw"])
    show(f"raw executemany of the same {count:,} rows", spent["raw"], against)
    show("merge", spent["merge"], against)
    show("merge of what is known", spent["known"], against)
    show("copy of the bundle file", spent["copy"], against)
    show("export", spent["export"], against)
    show("raw executemany of the points as a row each", spent["points"], against)


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
    show("one tap, bare sqlite3 commit", raws, middle(raws))
    show("one tap, Store.add", taps, middle(raws))


def middle(spent):
    """Return the medians, by the clock and of the processor, s."""
    return tuple(map(median, zip(*spent, strict=True)))


def show(what, spent, against):
    """Print one line: ms and ratio by the clock, ms and ratio of the processor."""
    parts = (f"{s * 1e3:9.2f} ms {s / a:6.2f}" for s, a in zip(middle(spent), against, strict=True))
    print(f"{what:46}", "   ".join(parts))


def main():
    """Measure and print."""
    folder = Path(tempfile.mkdtemp())
    with open_store(folder / "cab.sqlite", "tablet 1") as cab:
        fill(cab)
        bundle = export_bundle(cab, folder / "out")
        print(f"bundle: {bundle.stat().st_size / 1e6:.2f} MB{'':33} clock{'':17} processor")
        merging(folder, cab, bundle)
        tapping(folder, cab)
    shutil.rmtree(folder)


if __name__ == "__main__":
    main()
