"""Ground swept by a boom whose sections switch, against overlays by shapely of what each section covered."""

from collections import defaultdict, deque
from datetime import datetime
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
import shapely
from pyproj import Transformer

from cabapp.counting.areas.area_totals import area_totals
from cabapp.counting.job_count import JobCount
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch, switches_of_columns

SECTIONS = (6.1, 3.0, 2.4, 1.5, 2.4, 3.0, 5.6)
TOOL = ToolGeometry(sum(SECTIONS), sections=SECTIONS)
ENDS = sum(SECTIONS) / 2 - np.concatenate([[0.0], np.cumsum(SECTIONS)])
SPEED, HERTZ, RUN = 3.0, 5.0, 10.0


def straight(n):
    """Lane n of 220 m going north, half a tool beside the one before."""

    def at(s):
        return np.column_stack([np.full(len(s), n * TOOL.width / 2), s, np.full(len(s), np.pi / 2)])

    return at, 220.0


def round_a_bend(n):
    """Lane n round a middle point, 100 degrees of a circle, half a tool farther out than the one before."""
    radius = 60.0 + n * TOOL.width / 2

    def at(s):
        turn = s / radius
        return np.column_stack([radius * np.cos(turn), radius * np.sin(turn), turn + np.pi / 2])

    return at, radius * np.deg2rad(100.0)


def sine(n):
    """Lane n of some 180 m that bends to both sides (radius 50 m at the least), beside the one before."""
    x = np.linspace(0.0, 200.0, 40001)
    y = 8.0 * np.sin(x / 20.0)
    way = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])

    def at(s):
        east = np.interp(s + RUN, way, x)
        return np.column_stack([east, 8.0 * np.sin(east / 20) - n * TOOL.width / 2, np.arctan(0.4 * np.cos(east / 20))])

    return at, float(way[-1]) - 2 * RUN


def switched(random, hertz, seconds):
    """Return times from 0 at which sections switch, s, and which are on from each; now and then none is."""
    times = np.concatenate([[0.0], np.cumsum(random.uniform(0.5, 1.5, int(2.1 * hertz * seconds)) / hertz)])
    times = times[times < seconds]
    on = random.random((len(times), len(SECTIONS))) < 0.6
    on[random.random(len(times)) < 0.1] = False
    return times, on


def exact(at, length, times, on):
    """Return the ground that one pass covers: the union of what each section swept while it was on."""
    dense = np.arange(0.0, length, 0.05)
    edges = np.append(times * SPEED, length)
    places = np.unique(np.concatenate([dense, edges[edges < length], [length]]))
    x, y, heading = at(places).T
    across = np.column_stack([-np.sin(heading), np.cos(heading)])
    found = []
    for n in range(len(SECTIONS)):
        left, right = (np.column_stack([x, y]) + across * end for end in ENDS[n : n + 2])
        steps = np.flatnonzero(np.diff(np.concatenate([[0], on[:, n].astype(int), [0]])))
        for a, b in zip(edges[steps[::2]], edges[steps[1::2]]):
            i, j = np.searchsorted(places, [a, b])
            found.append(shapely.Polygon([*left[i : j + 1], *right[i : j + 1][::-1]]))
    return shapely.union_all(found)


def overlay(passes):
    """Return the area covered at least once, at least twice ..."""
    classes = []
    for ground in passes:
        above = [shapely.intersection(one, ground) for one in classes]
        classes = [shapely.union(a, b) for a, b in zip([*classes, shapely.Polygon()], [ground, *above])]
    at_least = [one.area for one in classes] + [0.0]
    return {n + 1: at_least[n] - at_least[n + 1] for n in range(len(classes)) if at_least[n] - at_least[n + 1] > 1e-6}


def driven(path, lanes, hertz, seed):
    """Return the product's pieces of some lanes driven one after the other, and the exact ground of each."""
    random, fixes, switches, ground = np.random.default_rng(seed), [], [], []
    start = 1000.0
    for n in range(lanes):
        at, length = path(n)
        times, on = switched(random, hertz, length / SPEED)
        ground.append(exact(at, length, times, on))
        # it runs in and out with the tool off
        t = np.arange(-RUN, length + RUN, SPEED / HERTZ) / SPEED
        fixes.append(np.column_stack([start + t, at(t * SPEED)[:, :2]]))
        switches += [WorkSwitch(start + one, bool(part.any()), tuple(part.tolist())) for one, part in zip(times, on)]
        switches.append(WorkSwitch(start + length / SPEED, False))
        start += (length + 2 * RUN) / SPEED + 60.0
    rows = np.concatenate(fixes)
    builder = SwathBuilder(TOOL)
    parts = [builder.feed(rows[:, 0], rows[:, 1:], switches), builder.finish()]
    return SweptPieces.join(parts, builder.leave), ground


@pytest.mark.parametrize("hertz", [1.0, 10.0])
@pytest.mark.parametrize("path", [straight, round_a_bend, sine])
def test_seven_sections_switching_at_random_are_the_exact_overlay(path, hertz):
    """Ground covered once, twice ... by half-lapped passes is the overlay within 0.1 % of what is covered."""
    pieces, ground = driven(path, 3, hertz, seed=3)
    wanted, found = overlay(ground), area_totals([pieces], None).by_count
    covered = sum(wanted.values())
    print(
        path.__name__,
        hertz,
        {n: round(100 * (found.get(n, 0) - wanted.get(n, 0)) / covered, 3) for n in {*found, *wanted}},
    )
    for n in {*wanted, *found}:
        assert found.get(n, 0.0) == pytest.approx(wanted.get(n, 0.0), abs=1e-3 * covered)


def test_a_tool_with_all_sections_on_sweeps_the_very_same_pieces():
    """Neighbours that are on are one interval: the pieces are those of the tool without sections."""
    at, length = sine(0)
    t = np.arange(0.0, length / SPEED, 1 / HERTZ)
    found = []
    for tool, on in ((TOOL, (True,) * len(SECTIONS)), (TOOL, ()), (ToolGeometry(TOOL.width), ())):
        builder = SwathBuilder(tool)
        parts = [builder.feed(t, at(t * SPEED)[:, :2], [WorkSwitch(-1.0, True, on)]), builder.finish()]
        found.append(SweptPieces.join(parts, builder.leave))
    for one in found[:2]:
        assert (one.quad == found[2].quad).all() and (one.s1 == found[2].s1).all()


def test_columns_of_a_recording_become_switches():
    """Stated sections, a width on each row and "working" are switches; what does not change is none."""
    t = np.arange(5.0)
    on = np.ones((5, 7), bool)
    on[2:4, 0] = on[4] = False
    made = switches_of_columns(t, TOOL, working=[1, 0, 1, 1, 1], sections=on)
    assert [(one.t, one.working, one.on) for one in made] == [
        (0.0, True, ()), (1.0, False, ()), (2.0, True, (False, *[True] * 6)), (4.0, False, (False,) * 7),
    ]  # fmt: skip
    made = switches_of_columns(t, TOOL, width=[TOOL.width, np.nan, 12.0, 12.0, 0.0])
    assert [(one.t, one.working, one.width) for one in made] == [
        (0.0, True, None),
        (2.0, True, 12.0),
        (4.0, False, 0.0),
    ]
    assert switches_of_columns([], TOOL, sections=np.zeros((0, 7))) == ()
    with pytest.raises(ValueError, match="4 columns for a tool of 7 sections"):
        switches_of_columns(t, TOOL, sections=np.ones((5, 4)))


def test_a_width_on_each_row_is_worked_about_the_middle_of_the_tool():
    """100 m with 12 m of a 24 m tool that hangs 2 m to the right are 1200 m2 from 8 m right to 4 m left."""
    t = np.arange(0.0, 51.0)
    xy = np.column_stack([np.zeros(51), 2.0 * t])
    builder = SwathBuilder(ToolGeometry(24.0, side=2.0))
    parts = [builder.feed(t, xy, [WorkSwitch(-1.0, True, (), 12.0)]), builder.finish()]
    pieces = SweptPieces.join(parts, builder.leave)
    assert area_totals([pieces], None).covered == pytest.approx(1200.0, rel=1e-3)
    assert (pieces.quad[..., 0].min(), pieces.quad[..., 0].max()) == pytest.approx((-4.0, 8.0))


SEEDING = Path(__file__).parents[3] / "shared" / "data" / "seeding" / "trace_machine2.gpx"


def recorded():
    """Return POSIX s, shape (n,), and places, (n, 2), m, of the recorded seeding; fixes less than 1.5 m on are left out."""
    points = ElementTree.parse(SEEDING).getroot().iter("{http://www.topografix.com/GPX/1/1}trkpt")
    rows = np.array([
        (datetime.fromisoformat(p[1].text.replace("Z", "+00:00")).timestamp(), float(p.get("lon")), float(p.get("lat")))
        for p in points
    ])  # fmt: skip
    rows[:, 1:] = np.column_stack(Transformer.from_crs(4326, 32614, always_xy=True).transform(rows[:, 1], rows[:, 2]))
    kept = [0]
    for n in range(1, len(rows)):
        if np.hypot(*(rows[n, 1:] - rows[kept[-1], 1:])) >= 1.5:
            kept.append(n)
    return rows[kept, 0], rows[kept, 1:]


def own_polygons(t, xy, on, ends, leave):
    """Return the ground of each pass of each step of a tool pulled along fixes, made without the product.

    Between two fixes every section that is on sweeps a quadrilateral square to the path's direction at
    both; what the last `leave` m of path have covered is taken out.
    """
    step = np.diff(xy, axis=0)
    dist = np.hypot(*step.T)
    way = step / dist[:, None]
    linked = np.diff(t) <= 5.0
    along = np.concatenate([[0.0], np.cumsum(dist)])
    recent, found = deque(), []
    for n in np.flatnonzero(linked):
        first = way[n] + way[n - 1] if n and linked[n - 1] else way[n]
        last = way[n] + way[n + 1] if n + 1 < len(way) and linked[n + 1] else way[n]
        while recent and recent[0][0] < along[n] - leave:
            recent.popleft()
        mine = []
        for left, right, works in zip(ends, ends[1:], on[n]):
            if works:
                a, b = (np.array([-v[1], v[0]]) / np.hypot(*v) for v in (first, last))
                mine.append(
                    shapely.MultiPoint(
                        [xy[n] + a * left, xy[n] + a * right, xy[n + 1] + b * right, xy[n + 1] + b * left]
                    ).convex_hull
                )
        before = [one for _, one in recent]
        new = shapely.union_all(mine)
        near = [one for one in before if one.intersects(new)]
        found.append(shapely.difference(new, shapely.union_all(near)))
        recent.extend((along[n + 1], one) for one in mine)
    return [one for one in found if one.area > 1e-9]


def overlay_by_tiles(parts, size=40.0):
    """Return the area covered exactly once, twice ... by polygons that each add one."""
    tree, sums = shapely.STRtree(parts), defaultdict(float)
    west, south, east, north = shapely.total_bounds(parts)
    for x in np.arange(west, east, size):
        for y in np.arange(south, north, size):
            box = shapely.box(x, y, x + size, y + size)
            here = shapely.intersection(np.take(parts, tree.query(box)), box)
            for n, area in overlay([one for one in here if one.area > 1e-9]).items():
                sums[n] += area
    return dict(sums)


@pytest.mark.skipif(not SEEDING.exists(), reason="the recorded seeding is not beside the repository (../shared/data)")
@pytest.mark.parametrize("fixes", [1500, pytest.param(100_000, marks=pytest.mark.long)])
def test_a_recorded_seeding_by_sections_is_the_overlay_of_its_own_polygons(fixes):
    """A recorded path (OFPEDATA, Montana State University, MIT), 13.2 m in seven sections that switch at 1 Hz."""
    t, xy = (one[:fixes] for one in recorded())
    xy = xy - xy.mean(axis=0)
    sections = tuple(13.2 / TOOL.width * one for one in SECTIONS)
    on = np.random.default_rng(3).random((len(t), 7)) < 0.7
    parts = own_polygons(t, xy, on, 6.6 - np.concatenate([[0.0], np.cumsum(sections)]), 26.4)
    wanted = overlay_by_tiles(parts)
    tool = ToolGeometry(13.2, sections=sections)
    builder = SwathBuilder(tool)
    pieces = [builder.feed(t, xy, switches_of_columns(t, tool, sections=on)), builder.finish()]
    found = area_totals([SweptPieces.join(pieces, builder.leave)], None).by_count
    covered = sum(wanted.values())
    print(covered, {n: round(100 * (found.get(n, 0) - wanted.get(n, 0)) / covered, 3) for n in {*found, *wanted}})
    for n in {*wanted, *found}:
        assert found.get(n, 0.0) == pytest.approx(wanted.get(n, 0.0), abs=1e-3 * covered)


def test_sections_counted_live_are_those_of_the_whole_stint():
    """Fix by fix, with switches as they come, cells and areas are bit for bit those counted at once."""
    at, length = round_a_bend(0)
    times, on = switched(np.random.default_rng(5), 3.0, length / SPEED)
    t = 1000.0 + np.arange(0.0, length, SPEED / HERTZ) / SPEED
    xy = at((t - 1000.0) * SPEED)[:, :2]
    switches = [WorkSwitch(1000.0 + s, bool(part.any()), tuple(part.tolist())) for s, part in zip(times, on)]
    live, whole = (JobCount(None, centre=(50.0, -104.0)) for _ in range(2))
    lat, lon = live.plane.to_latlon(xy)
    live.begin("one", 999.0, TOOL)
    waiting = list(switches)
    for n, now in enumerate(t):
        while waiting and waiting[0].t <= now:
            live.switch(waiting.pop(0))
        live.add_fixes(now, lat[n], lon[n])
    live.end()
    whole.add_stint("one", 999.0, TOOL, t, lat, lon, None, switches)
    assert live.area_totals() == whole.area_totals() and live.area_totals().covered > 500
    for one in (live, whole):
        one.grid.at([[0.0, 0.0]])
    assert live.areas() == whole.areas()
