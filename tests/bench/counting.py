"""How fast passes are counted, beside other ways of counting them.

    python tests/bench/counting.py          65 ha at 1 fix a second: all ways side by side
    python tests/bench/counting.py --all    also 10 fixes a second, 259 and 1,036 ha, memory, growth

The work is made up: a square field, a 12.8 m tool at 4 m/s, lanes half a width apart, loop turns of
10 m radius with the tool down, some lanes driven twice and some missed.

What each way is given, and what it must answer (areas by number of passes):

- ours from fixes: times and places of the antenna; from pieces: the swept quadrilaterals.
- exact overlay: the quadrilaterals of each pass; it unites them pass by pass.
- outlines (GEOS, rasterio): one ready valid polygon a pass. They need not unite anything, which
  ours has no use for; so they are given more than ours.
- OpenCV, Pillow: the quadrilaterals as whole-pixel or ready corner lists, painted in one mask a
  pass, which is then added to the counts.
- numba: the quadrilaterals; the same visit rule and rows, compiled (compiling is not timed).

Lanes run north here, which keeps the masks of the raster ways as small as they can be.

Processor time of the thread is given (wall time beside it), the median of 5 rounds in which all
ways take turns, so that what else the machine does meets all alike. Only ratios mean anything. Nothing is asserted:
this prints. rasterio, opencv-python-headless and numba are in the extra `bench`; a way whose
library is absent is left out with a word.
"""

import argparse
import sys
import time
import tracemalloc
from importlib.util import find_spec, module_from_spec, spec_from_file_location
from pathlib import Path

import numpy as np
import shapely

from cabapp.counting.areas.area_totals import area_totals
from cabapp.counting.job_count import JobCount
from cabapp.geometry.plane import Plane
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

WIDTH, SPEED, ROW, RADIUS = 12.8, 4.0, 0.5, 10.0
ROUNDS = 5


def drive(hectares, hertz):
    """Return times (s), places (n, 2) in m, and the number of the pass of each fix."""
    side, step = (hectares * 1e4) ** 0.5, 0.25
    lanes = [n for n in range(int(side / WIDTH * 2)) if n % 7 != 3]
    lanes = sorted(lanes + [n for n in lanes if n % 31 == 5])
    run = np.arange(0, side, step)
    parts, up = [], 1
    for lane, following in zip(lanes, lanes[1:] + lanes[-1:]):
        x, over = (lane + 1) * WIDTH / 2, (following - lane) * WIDTH / 2
        parts.append(np.column_stack([np.full(len(run), x), run if up > 0 else side - run]))
        loop = bulb(over, step)
        parts.append(np.column_stack([x + loop[:, 0], (up > 0) * side + up * loop[:, 1]]))
        up = -up
    parts = parts[:-1]
    path = np.concatenate(parts)
    # a pass ends in the middle of a turn
    halves = [len(p) if n % 2 == 0 else (len(p) + 1) // 2 for n, p in enumerate(parts)]
    ends = np.cumsum([len(p) for p in parts]) - [len(p) - h for p, h in zip(parts, halves)]
    number = np.searchsorted(ends[1::2], np.arange(len(path)), side="right")
    length = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    s = np.arange(0, length[-1], SPEED / hertz)
    xy = np.column_stack([np.interp(s, length, path[:, 0]), np.interp(s, length, path[:, 1])])
    return s / SPEED, xy, number[np.searchsorted(length, s, side="right") - 1]


def bulb(over, step):
    """Return a turn from (0, 0) heading north to (over, 0) heading south: out, round, and in."""
    out = np.arccos((over / 2 + RADIUS) / (2 * RADIUS))
    a, b = np.arange(0, out, step / RADIUS), np.arange(0, np.pi + 2 * out, step / RADIUS)
    first = np.column_stack([RADIUS * (np.cos(a) - 1), RADIUS * np.sin(a)])
    top = np.pi + out - b
    second = np.column_stack([over / 2 + RADIUS * np.cos(top), RADIUS * (2 * np.sin(out) + np.sin(top))])
    return np.concatenate([first, second, np.column_stack([over - first[::-1, 0], first[::-1, 1]])])


def sweep(t, xy):
    sweeper = SwathBuilder(ToolGeometry(WIDTH))
    return SweptPieces.join([sweeper.feed(t, xy, [WorkSwitch(-1.0, True)]), sweeper.finish()], sweeper.leave)


# --- other ways --------------------------------------------------------------------------------


def by_overlay(polygons):
    """Node all outlines, polygonise, count the polygons over each face (GEOS)."""
    lines = shapely.union_all(shapely.boundary(polygons))
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(lines)))
    face, _ = shapely.STRtree(polygons).query(shapely.point_on_surface(faces), predicate="within")
    return np.bincount(np.bincount(face, minlength=len(faces)), weights=shapely.area(faces))


def outlines(pieces, number):
    """Return one valid polygon a pass: along the left ends and back along the right ones."""
    out = []
    for n in range(number.max() + 1):
        quad = pieces.quad[number == n]
        ring = np.concatenate([quad[:1, 0], quad[:, 3], quad[::-1, 2], quad[:1, 1]])
        valid = shapely.get_parts(shapely.make_valid(shapely.Polygon(ring)))
        out.append(shapely.union_all(valid[shapely.get_dimensions(valid) == 2]))
    return np.array(out)


def frame(quad):
    low = np.floor(quad.reshape(-1, 2).min(axis=0)) - 1
    size = np.ceil((quad.reshape(-1, 2).max(axis=0) + 1 - low) / ROW).astype(int)
    return low, size


def rasterio_way(pieces, polygons, _):
    from rasterio.enums import MergeAlg
    from rasterio.features import rasterize
    from rasterio.transform import from_origin

    low, size = frame(pieces.quad)
    shape, transform = (size[1], size[0]), from_origin(low[0], low[1] + size[1] * ROW, ROW, ROW)
    shapes = [(p, 1) for p in polygons]

    def run():
        counts = rasterize(shapes, shape, transform=transform, merge_alg=MergeAlg.add, dtype="uint8")
        return np.bincount(counts.ravel()) * ROW**2

    return run


def masks(pieces, number, paint, prepare):
    """Return a way that paints each pass in a mask of its own size and adds it to the counts."""
    low, size = frame(pieces.quad)
    pixel = (pieces.quad - low) / ROW - 0.5
    jobs = []
    for n in range(number.max() + 1):
        mine = pixel[number == n]
        west, south = np.floor(mine.reshape(-1, 2).min(axis=0)).astype(int)
        east, north = np.ceil(mine.reshape(-1, 2).max(axis=0)).astype(int) + 1
        jobs.append((slice(south, north), slice(west, east), prepare(mine - (west, south))))

    def run():
        counts = np.zeros((size[1], size[0]), np.uint8)
        for rows, columns, shapes in jobs:
            box = counts[rows, columns]
            box += paint(box.shape, shapes)
        return np.bincount(counts.ravel()) * ROW**2

    return run


def opencv_way(pieces, _, number):
    import cv2

    def paint(shape, quads):
        mask = np.zeros(shape, np.uint8)
        for quad in quads:
            cv2.fillConvexPoly(mask, quad, 1)
        return mask

    return masks(pieces, number, paint, lambda q: list(np.rint(q).astype(np.int32)))


def pillow_way(pieces, _, number):
    from PIL import Image, ImageDraw

    def paint(shape, quads):
        image = Image.new("L", shape[::-1])
        draw = ImageDraw.Draw(image)
        for quad in quads:
            draw.polygon(quad, 1)
        return np.asarray(image)

    return masks(pieces, number, paint, lambda q: [list(map(tuple, one)) for one in q.tolist()])


def numba_way(pieces, *_):
    spec = spec_from_file_location("compiled", Path(__file__).with_name("compiled.py"))
    compiled = module_from_spec(spec)
    spec.loader.exec_module(compiled)
    p = pieces
    return lambda: compiled.count(p.quad, p.s0, p.s1, p.leave, ROW)


# --- the rounds --------------------------------------------------------------------------------


def medians(ways):
    """Return {name: (processor ms, wall ms, answer)}: all ways take turns, after one turn unused."""
    spent = {name: [] for name in ways}
    answers = {name: way() for name, way in ways.items()}
    for _ in range(ROUNDS):
        for name, way in ways.items():
            before = time.thread_time(), time.perf_counter()
            way()
            spent[name].append((time.thread_time() - before[0], time.perf_counter() - before[1]))
    return {n: (*(np.median(s, axis=0) * 1e3), answers[n]) for n, s in spent.items()}


def compare(hectares, hertz):
    t, xy, number_of_fix = drive(hectares, hertz)
    pieces = sweep(t, xy)
    number = number_of_fix[np.minimum(np.searchsorted(t, pieces.t), len(t) - 1)]
    polygons = outlines(pieces, number)
    quads = shapely.make_valid(shapely.polygons(pieces.quad))
    by_pass = [quads[number == n] for n in range(number.max() + 1)]
    print(
        f"\n{hectares} ha, {hertz:g} Hz: {len(t)} fixes, {t[-1] * SPEED / 1000:.1f} km, "
        f"{len(pieces)} pieces, {len(polygons)} passes"
    )
    ways = {
        "ours, from fixes": lambda: area_totals([sweep(t, xy)], None, ROW),
        "ours, from pieces": lambda: area_totals([pieces], None, ROW),
        "exact overlay": lambda: by_overlay(np.array([shapely.union_all(some) for some in by_pass])),
        "GEOS, outlines": lambda: by_overlay(polygons),
    }
    if hertz > 1:
        del ways["exact overlay"]  # minutes
    for name, library, make in (
        ("rasterio, outlines", "rasterio", rasterio_way),
        ("OpenCV, quads", "cv2", opencv_way),
        ("Pillow, quads", "PIL", pillow_way),
        ("numba, same rule", "numba", numba_way),
    ):
        if find_spec(library) is None:
            print(f"  {name}: left out, {library} is not installed (pip install -e .[bench])")
        else:
            ways[name] = make(pieces, polygons, number)
    found = medians(ways)
    raw, ready = found["ours, from fixes"], found["ours, from pieces"]
    print(
        f"  {'way':<20}{'cpu ms':>9}{'wall ms':>9}{'/fixes':>8}{'/pieces':>9}{'goal':>6}   hectares done 1, 2, 3 times"
    )
    for name, (cpu, wall, answer) in found.items():
        classes = answer.by_count if hasattr(answer, "by_count") else dict(enumerate(answer))
        areas = " ".join(f"{classes.get(n, 0.0) / 1e4:8.3f}" for n in (1, 2, 3))
        print(
            f"  {name:<20}{cpu:9.1f}{wall:9.1f}{cpu / raw[0]:8.2f}{cpu / ready[0]:9.2f}"
            f"{GOALS.get(name, ''):>6}   {areas}"
        )
    return pieces, ready


GOALS = {
    "exact overlay": "100",
    "GEOS, outlines": "30",
    "rasterio, outlines": "20",
    "OpenCV, quads": "4",
    "Pillow, quads": "3",
    "numba, same rule": "0.83",
}


def error(pieces, ours):
    """Print how far each class is from the exact arrangement by the visit rule (shapely)."""
    path = Path(__file__).parents[1] / "counting" / "conftest.py"
    spec = spec_from_file_location("reference", path)
    reference = module_from_spec(spec)
    spec.loader.exec_module(reference)
    exact = reference.overlay(reference.visit_polygons(pieces))
    print("\nerror of each class against the exact arrangement by the visit rule, goal 0.01 %")
    for n, area in exact.items():
        if area < 1:  # slivers of the grid the overlay snaps to
            continue
        mine = ours.by_count.get(n, 0.0)
        print(f"  {n} times: exact {area:12.1f} m2, ours {mine:12.1f}, {mine / area - 1:+.4%}")


def live(hectares, hertz):
    """Print what one fix into the living cell picture takes, first and last tenth of the job."""
    t, xy, _ = drive(hectares, hertz)
    plane = Plane(50.0, -105.0)
    side = (hectares * 1e4) ** 0.5
    corners = np.array([(0, 0), (side, 0), (side, side), (0, side), (0, 0)], float)
    ring = [[float(lon), float(lat)] for lat, lon in zip(*plane.to_latlon(corners))]
    job = JobCount({"type": "Polygon", "coordinates": [ring]}, 2, 0.25)
    lat, lon = plane.to_latlon(xy)
    job.begin("live", 0.0, ToolGeometry(WIDTH))
    job.switch(WorkSwitch(-1.0, True))
    paint, painting = job.grid.add_live, []

    def timed(*given):
        before = time.thread_time()
        changed = paint(*given)
        painting.append(time.thread_time() - before)
        return changed

    job.grid.add_live = timed
    spent = np.empty(len(t))
    for n, one in enumerate(zip(t.tolist(), lat.tolist(), lon.tolist())):
        before = time.thread_time()
        job.add_fixes(*one)
        spent[n] = time.thread_time() - before
    spent, painting = spent * 1e3, np.array(painting) * 1e3
    print(f"\none live fix, {hectares} ha, {hertz:g} Hz, 0.25 m cells, processor ms (goal: p99 0.4 from the fix on)")
    for name, part in (
        ("into the cell picture", painting),
        ("  its first tenth", painting[: len(t) // 10]),
        ("  its last tenth", painting[-(len(t) // 10) :]),
        ("and from the receiver's fix on", spent),
    ):
        half, most = np.percentile(part, [50, 99])
        print(f"  {name:<31} p50 {half:.3f}  p99 {most:.3f}  mean {part.mean():.3f}")


def memory(hectares):
    t, xy, _ = drive(hectares, 1.0)
    pieces = sweep(t, xy)
    given = sum(a.nbytes for a in (pieces.quad, pieces.s0, pieces.s1, pieces.t))
    tracemalloc.start()
    area_totals([pieces], None, ROW)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(
        f"\nmemory, {hectares} ha, 1 Hz: tracemalloc peak of the counting {peak / 1e6:.0f} MB "
        f"(goal 47), beside {given / 1e6:.0f} MB of pieces it is given"
    )


def growth():
    """Print how the time grows with the path, from 65 to 1,036 ha."""
    lengths, ways = [], {}
    for hectares in (65, 259, 1036):
        t, xy, _ = drive(hectares, 1.0)
        lengths.append(t[-1] * SPEED)
        ways[hectares] = lambda t=t, xy=xy: area_totals([sweep(t, xy)], None, ROW)
    spent = [cpu for cpu, _, _ in medians(ways).values()]
    power = np.polyfit(np.log(lengths), np.log(spent), 1)[0]
    print(
        "\ngrowth from fixes: "
        + ", ".join(f"{ha} ha {s / 1e3:.0f} km {ms:.1f} ms" for ha, s, ms in zip(ways, lengths, spent))
        + f"; exponent {power:.3f} (goal 1.05)"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--all", action="store_true", help="larger fields, 10 Hz, memory, growth")
    args = parser.parse_args()
    print(f"Python {sys.version.split()[0]}, NumPy {np.__version__}, GEOS {shapely.geos_version}")
    pieces, ready = compare(65, 1.0)
    error(pieces, ready[2])
    live(65, 1.0)
    if args.all:
        live(65, 10.0)
        memory(1036)
        growth()
        compare(65, 10.0)
        compare(259, 1.0)


if __name__ == "__main__":
    main()
