"""A whole season through the office: time, memory, growth with fields, and one bundle more.

Run by hand: python tests/bench/season.py [--fields 60] [--points 20000000]. Invented: square
fields rolled in half-laps by ten tractors in two stints each, at 10 Hz. Builds the pages of a
quarter, a half and all of the fields; then a bundle about one field is merged and the folder
brought up to date. Prints processor time, so that a busy machine matters little; the files
touched by the second build are listed.
"""

import argparse
import math
import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cabapp.geometry.plane import Plane
from cabapp.reports.model.job_record import jobs_of
from cabapp.reports.season.office_build import build
from store import models, open_store
from store.traces.trace_codec import make_trace, pack
from sync import export_bundle, merge_bundles
from sync.enrolment import pair

WIDTH, SPEED, HZ, PIECE = 12.8, 2.5, 10, 3000
BEGAN = 1_777_300_000.0


def half_laps(side: float, points: int, chance) -> np.ndarray:
    """Return the way over a square field in passes half a width apart, m, shape (points, 2).

    Eight passes are taken by turns of 4 and 3 half widths, as a tractor can drive them.
    """
    lanes = math.ceil(side / (WIDTH / 2))
    order = [b + k for b in range(0, lanes, 8) for k in (0, 4, 1, 5, 2, 6, 3, 7) if b + k < lanes]
    way, east = [], True
    for lane, following in zip(order, order[1:] + order[-1:]):
        y, y2 = ((n + 0.5) * WIDTH / 2 - side / 2 for n in (lane, following))
        ends = (-side / 2, side / 2) if east else (side / 2, -side / 2)
        radius, turn = (y2 - y) / 2, np.linspace(-np.pi / 2, np.pi / 2, 24)
        out = 1 if east else -1
        way += [(ends[0], y), (ends[1], y)]
        way += [(ends[1] + out * abs(radius) * math.cos(a), (y + y2) / 2 + radius * math.sin(a)) for a in turn]
        east = not east
    way = np.array(way)
    gone = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
    at = np.linspace(0, gone[-1], points)
    drift = np.cumsum(chance.normal(0, 0.002, (points, 2)), axis=0)
    return np.column_stack([np.interp(at, gone, way[:, k]) for k in (0, 1)]) + drift - drift.mean(axis=0)


def season(path: Path, fields: int, points: int) -> None:
    """Write a season of so many fields and points into a logbook."""
    chance = np.random.default_rng(7)
    each = points // fields
    # so many points at this speed cover a square of this side twice
    side = math.sqrt(each / HZ * SPEED * WIDTH / 2)
    with open_store(path, "office") as store:
        store.put(models.Farm, name="Sixty Fields", timezone="America/Regina", fuel_price_per_l=1.2)
        people = [store.put(models.Operator, name=f"Operator {k}", rate_per_h=30.0).id for k in range(10)]
        tractors = [store.put(models.Tractor, name=f"Tractor {k}", cost_per_h=60.0).id for k in range(10)]
        tool = store.put(models.Tool, name="land roller", operation="rolling", width_m=WIDTH).id
        for n in range(fields):
            plane = Plane(50.0 + n * 0.02, -105.0)
            corners = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]) * side / 2
            lat, lon = plane.to_latlon(corners)
            ring = np.column_stack([lon, lat]).tolist()
            land = store.put(models.Field, name=f"Field {n}", crop="lentil", gate_lat=lat[0], gate_lon=lon[0],
                             boundary={"type": "Polygon", "coordinates": [ring]})  # fmt: skip
            job = store.put(models.Job, field_id=land.id, operation="rolling", season=2026)
            lat, lon = plane.to_latlon(half_laps(side, each, chance))
            t = BEGAN + n * 40_000 + np.arange(each) / HZ
            for k, part in enumerate(np.array_split(np.arange(each), 2)):
                who = (2 * n + k) % 10
                stint = store.add(models.Stint(
                    job_id=job.id, operator_id=people[who], tractor_id=tractors[who], tool_id=tool,
                    width_m=WIDTH, at=float(t[part[0]]) - 60,
                ))  # fmt: skip
                store.add(models.Tap(stint_id=stint.id, kind="start", at=float(t[part[0]])))
                _trace(store, stint.id, t[part], lat[part], lon[part])
                store.add(
                    models.FuelEntry(tractor_id=tractors[who], stint_id=stint.id, at=float(t[part[-1]]), litres=150.0)
                )
                store.add(models.Tap(stint_id=stint.id, kind="finish", at=float(t[part[-1]])))


def _trace(store, stint: str, t, lat, lon) -> None:
    with store.writing() as session:
        for n in range(0, len(t), PIECE):
            cut = slice(n, n + PIECE)
            some = len(t[cut])
            trace = make_trace(t[cut], lat[cut], lon[cut], np.full(some, 0.05), np.full(some, 4))
            chunk = models.TraceChunk(stint_id=stint, n=n, count=some, packed=pack(trace))
            chunk.first_at, chunk.last_at = float(t[cut][0]), float(t[cut][-1])
            store.number(session, chunk)


def timed(work) -> tuple[float, float]:
    """Return the processor and the clock time a call takes, s."""
    cpu, wall = time.process_time(), time.perf_counter()
    work()
    return time.process_time() - cpu, time.perf_counter() - wall


def one_more(path: Path, folder: Path) -> Path:
    """Return a bundle from a tablet that noted a mark on the first field."""
    with open_store(path, "office") as office:
        with open_store(folder / "tablet.sqlite", "tablet") as tablet:
            pair(office, tablet)
        whole = export_bundle(office, folder / "out")
        name = office.all(models.Field)[0].name
    with open_store(folder / "tablet.sqlite", "tablet") as tablet:
        assert merge_bundles(tablet, [whole]).refused == []
        land = next(row for row in tablet.all(models.Field) if row.name == name)
        tablet.add(models.Mark(field_id=land.id, kind="rock", lat=land.gate_lat, lon=land.gate_lon, at=BEGAN))
        return export_bundle(tablet, folder / "back")


def run(fields: int, points: int, folder: Path) -> None:
    """Make the season, build it in three sizes, and bring it up to date once."""
    path, pages = folder / "logbook.sqlite", folder / "pages"
    spent, _ = timed(lambda: season(path, fields, points))
    print(f"season: {fields} fields, {points:,} points, written in {spent:.0f} s; "
          f"logbook {path.stat().st_size / 1e6:.0f} MB", flush=True)  # fmt: skip
    took = []
    with open_store(path, "office") as store:
        jobs = jobs_of(store)
        for part in (fields // 4, fields // 2, fields):
            cpu, wall = timed(lambda: build(store, jobs[:part], folder / f"pages-{part}", BEGAN + 3e6))
            took.append((part, cpu))
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(f"build of {part} fields: {cpu:.0f} s processor, {wall:.0f} s clock, "
                  f"{cpu / part:.1f} s a field, peak {peak:.0f} MB", flush=True)  # fmt: skip
    (few, a), (many, b) = took[0], took[-1]
    print(f"growth from {few} to {many} fields: exponent {math.log(b / a) / math.log(many / few):.2f}")
    pages = folder / f"pages-{fields}"
    bundle = one_more(path, folder)
    with open_store(path, "office") as store:
        cpu, _ = timed(lambda: merge_bundles(store, [bundle]))
        print(f"merge of one bundle: {cpu:.1f} s")
        before = {one.name: one.stat().st_mtime_ns for one in pages.iterdir()}
        again, _ = timed(lambda: build(store, jobs_of(store), pages, BEGAN + 3e6))
    touched = sorted(one.name for one in pages.iterdir() if before.get(one.name) != one.stat().st_mtime_ns)
    print(f"rebuild after it: {again:.2f} s, {took[-1][1] / again:.0f} times faster than all")
    print(f"files touched: {len(touched)} of {len(before)}: {', '.join(touched)}")


def main() -> None:
    """Read the sizes and run in a folder that is taken away afterwards."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--fields", type=int, default=60)
    parser.add_argument("--points", type=int, default=20_000_000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="season") as folder:
        run(args.fields, args.points, Path(folder))


if __name__ == "__main__":
    main()
