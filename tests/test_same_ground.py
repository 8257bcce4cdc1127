"""One intake, one count: a trace gives the same ground by `measure`, in the office, and in the cab.

The ground itself is checked against an overlay by shapely of the path the trace was made from, which knows nothing of the
product's planes, gap rules, arcs or rows.
"""

import itertools
import json
import random
import shutil
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace

import gpxpy
import numpy as np
import pytest
import shapely
from pyproj import Proj

from cabapp.common.rendering import render
from cabapp.counting.job_count import JobCount
from cabapp.jobs.imports.day_import import AgreedStay, bring_in
from cabapp.jobs.imports.recorded_day import cut, look_at, recorded_days
from cabapp.jobs.imports.trace_measurement import measure
from cabapp.jobs.pass_counts.assembler import AssembledJob, assemble, centre_of
from cabapp.jobs.pass_counts.live_count import LiveCount
from cabapp.jobs.records.stint_reader import read_stint
from cabapp.position.boundaries.boundary_geojson import read_boundary
from cabapp.position.fix import Fix
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.reports.export.job_export import job_gpx
from cabapp.reports.job.field_log import field_log
from cabapp.reports.job.job_page import job_page
from cabapp.reports.model.job_account import account_of
from cabapp.reports.model.job_record import read_job
from cabapp.track.activity import FieldStay
from cabapp.track.tool import ToolGeometry
from store import open_store
from store.errors import TraceRefused
from store.models import Correction, Farm, Field, Job, Operator, Tap, Tool, Tractor
from store.traces.trace_codec import make_trace

T0 = 1_779_000_000.0
SPEED, WIDTH = 2.5, 12.0
HOME, DATE_LINE, NORTH = (47.0, -30.0), (47.0, 180.0), (69.0, -30.0)
DATA = Path(__file__).parents[2] / "shared" / "data"


def loops(lanes=4, length=100.0, spacing=12.0, south=0.0, west=0.0):
    """A path up and down, with half circles at the ends: places each 0.25 m, metres."""
    along = np.arange(0, length, 0.25)
    parts = []
    for n in range(lanes):
        x = along if n % 2 == 0 else length - along
        parts.append(np.column_stack([x, np.full(len(x), n * spacing)]))
        if n < lanes - 1:
            angle = np.arange(0, np.pi, 0.25 / (spacing / 2))
            side = 1 if n % 2 == 0 else -1
            x = (length if n % 2 == 0 else 0) + side * spacing / 2 * np.sin(angle)
            parts.append(np.column_stack([x, n * spacing + spacing / 2 * (1 - np.cos(angle))]))
    return np.concatenate(parts) + np.array([west, south])


def straight(*corners):
    """A path from corner to corner, places each 0.25 m."""
    parts = []
    for a, b in itertools.pairwise(corners):
        n = max(2, int(np.hypot(*np.subtract(b, a)) / 0.25))
        parts.append(np.linspace(a, b, n, endpoint=False))
    return np.concatenate(parts)


def sampled(path, every=1.0, begin=0.0, jitter=0.0, noise=0.0, seed=1):
    """Rows (t, x, y) of a logger on the path, at 2.5 m/s."""
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    rng = np.random.default_rng(seed)
    t = np.arange(0, gone[-1] / SPEED, every)
    t = t + rng.uniform(-jitter, jitter, len(t)) * (t > 0)
    xy = np.column_stack([np.interp(t * SPEED, gone, path[:, axis]) for axis in (0, 1)])
    return np.column_stack([T0 + begin + t.round(2), xy + rng.normal(0, noise, xy.shape)])


SWEPT = {}


def swept(path, left=WIDTH / 2, right=-WIDTH / 2, works=None):
    """Ground of a tool line from left to right of the path (m), by the fine path itself; made once for a path."""
    key = path.tobytes(), left, right, None if works is None else works.tobytes()
    if key not in SWEPT:
        SWEPT[key] = _swept(path, left, right, slice(None) if works is None else works)
    return SWEPT[key]


def _swept(path, left, right, works):
    step = np.gradient(path, axis=0)
    across = np.column_stack([-step[:, 1], step[:, 0]]) / np.hypot(*step.T)[:, None]
    one, other = path + across * left, path + across * right
    quads = shapely.polygons(np.stack([one[:-1], one[1:], other[1:], other[:-1]], axis=1)[works])
    return shapely.union_all(shapely.make_valid(quads))


def latlon(xy, place):
    """Degrees of metres about a place, by PROJ itself."""
    lon, lat = Proj(proj="laea", lat_0=place[0], lon_0=place[1], datum="WGS84")(*np.asarray(xy, float).T, inverse=True)
    return lat, (lon + 180) % 360 - 180


def csv(rows, place=HOME, more=None):
    lat, lon = latlon(rows[:, 1:3], place)
    names, columns = zip(*more.items()) if more else ((), ())
    lines = [",".join(["time,lat,lon", *names])]
    for n, t in enumerate(rows[:, 0]):
        lines.append(",".join([f"{t:.2f},{lat[n]:.8f},{lon[n]:.8f}", *(f"{column[n]}" for column in columns)]))
    return "\n".join(lines) + "\n"


def gpx(*segments, place=HOME):
    made = gpxpy.gpx.GPX()
    made.tracks.append(gpxpy.gpx.GPXTrack())
    for rows in segments:
        points = [
            gpxpy.gpx.GPXTrackPoint(lat, lon, time=datetime.fromtimestamp(t, UTC))
            for t, lat, lon in zip(rows[:, 0], *latlon(rows[:, 1:3], place))
        ]
        made.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment(points))
    return made.to_xml()


def shuffled(text):
    head, *lines = text.splitlines()
    random.Random(1).shuffle(lines)
    return "\n".join([head, *lines])


def rectangle(west=-12.0, south=-8.0, east=112.0, north=44.0):
    return shapely.box(west, south, east, north)


PATH = loops()
ROWS = sampled(PATH)


@dataclass
class Row:
    """A trace as a file, its field on the plane, the ground that was truly covered, and by what share it may be out."""

    content: str
    ground: shapely.Geometry = field(default_factory=rectangle)
    truth: shapely.Geometry = field(default_factory=lambda: swept(PATH))
    within: float = 0.005
    place: tuple[float, float] = HOME
    stints: int = 1
    width: float = WIDTH
    lost: bool = False


def _slow(every, within, lost=False, **more):
    path = loops(6, 300.0)
    return Row(csv(sampled(path, every, **more)), rectangle(east=312.0, north=68.0), swept(path), within, lost=lost)


def _sections():
    path, rng = loops(3), np.random.default_rng(5)
    rows = sampled(path)
    on = rng.random((1 + len(rows) // 7, 3)) > 0.4
    on = np.repeat(on, 7, axis=0)[: len(rows)]
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    state = on[np.clip((gone / SPEED).astype(int), 0, len(rows) - 1)]
    truth = [swept(path, 6.0 - 4 * k, 2.0 - 4 * k, state[:-1, k]) for k in range(3)]
    more = {f"s{k + 1}": on[:, k].astype(int) for k in range(3)}
    return Row(csv(rows, more=more), truth=shapely.union_all(truth), within=0.01)


def _working():
    rows = sampled(PATH)
    up = (np.arange(len(rows)) // 40) % 3 == 2
    width = np.where((np.arange(len(rows)) // 25) % 2, 12.0, 6.0)
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(PATH, axis=0).T))])
    at = np.clip((gone / SPEED).astype(int), 0, len(rows) - 1)[:-1]
    wide, narrow = ~up[at] & (width[at] > 6), ~up[at] & (width[at] == 6)
    truth = shapely.union_all([swept(PATH, works=wide), swept(PATH, 3.0, -3.0, narrow)])
    return Row(csv(rows, more={"working": (~up).astype(int), "width": width}), truth=truth, within=0.01)


def _dropouts():
    """Two spells of 20 and 30 s without a fix in half-laps, one over a turn."""
    path = loops(7, spacing=6.0)
    rows = sampled(path)
    t = rows[:, 0] - T0
    rows = rows[~(((t > 60) & (t < 80)) | ((t > 130) & (t < 160)))]
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])[:-1] / SPEED
    seen = ~(((gone > 60) & (gone < 80)) | ((gone > 130) & (gone < 160)))
    return Row(csv(rows), truth=swept(path, works=seen), lost=True, within=0.02)


def _hole():
    hole = shapely.box(40, 14, 60, 30)
    return Row(csv(ROWS), ground=rectangle().difference(hole))


def _two_parts():
    path = np.concatenate([PATH, straight(PATH[-1], (0, 200), (0, 300)), loops(south=300.0)])
    ground = shapely.MultiPolygon([rectangle(), rectangle(south=292.0, north=344.0)])
    truth = shapely.union_all([swept(PATH), swept(loops(south=300.0))])
    return Row(csv(sampled(path)), ground=ground, truth=truth, stints=2, within=0.02)


def _day():
    """From the yard to the field, work, and back; standing on the way."""
    there, back = straight((-500, 200), (-500, -4), (-20, 0), (0, 0)), straight(PATH[-1], (-60, 40), (-500, 200))
    rows = sampled(np.concatenate([there, PATH, back]))
    return Row(csv(rows), within=0.06)  # the straight way in and out looks like work


TABLE = {
    "1 s": lambda: Row(csv(ROWS)),
    "5 s, jitter 0.3 s": lambda: _slow(5.0, 0.03, jitter=0.3),
    "6 s": lambda: _slow(6.0, 0.05),
    "10 s": lambda: _slow(10.0, 0.10),
    "15 s": lambda: _slow(15.0, 0.15),
    "20 Hz": lambda: Row(csv(sampled(loops(3, 120.0), 0.05)), truth=swept(loops(3, 120.0))),
    "noise of 0.4 m": lambda: Row(csv(sampled(PATH, 0.5, noise=0.4)), within=0.05),
    "appended to itself": lambda: Row(csv(ROWS) + csv(ROWS).partition("\n")[2]),
    "twice in one GPX": lambda: Row(gpx(ROWS, ROWS)),
    "two machines in one GPX": lambda: Row(
        gpx(ROWS, sampled(loops(south=80.0))), rectangle(north=124.0),
        shapely.union_all([swept(PATH), swept(loops(south=80.0))]), stints=2,
    ),
    "two machines by turns": lambda: Row(
        csv(np.array([row for pair in zip(ROWS, sampled(loops(south=80.0))) for row in pair])), rectangle(north=124.0),
        shapely.union_all([swept(PATH), swept(loops(south=80.0))]), stints=2,
    ),
    "shuffled": lambda: Row(shuffled(csv(ROWS))),
    "sections": _sections,
    "width and header": _working,
    "over midnight": lambda: Row(csv(sampled(PATH, begin=86400 - T0 % 86400 - 200))),
    "date line": lambda: Row(csv(ROWS - (0, 50, 0), DATE_LINE), rectangle(-62, -8, 62, 44), swept(PATH - (50, 0)),
                             place=DATE_LINE),
    "69 north": lambda: Row(csv(ROWS, NORTH), place=NORTH),
    "dropouts": _dropouts,
    "a fix each 20 s": lambda: _slow(20.0, 0.25, lost=True),
    "a fix each 30 s": lambda: _slow(30.0, 0.5, lost=True),
    "a hole": _hole,
    "two parts": _two_parts,
    "from the yard and back": _day,
}  # fmt: skip


def geojson(ground, place):
    """The field as RFC 7946; at the date line with longitudes that go on beyond 180, cut as the RFC says."""

    def degrees(xy):
        lat, lon = latlon(xy, place)
        return np.column_stack([np.where(lon < 0, lon + 360, lon) if place == DATE_LINE else lon, lat])

    whole = shapely.transform(ground, degrees)
    if place == DATE_LINE:
        east = shapely.transform(whole.intersection(shapely.box(180, -90, 360, 90)), lambda xy: xy - (360, 0))
        whole = shapely.MultiPolygon([whole.intersection(shapely.box(0, -90, 180, 90)), east])
    return shapely.geometry.mapping(whole)


@pytest.fixture(scope="module")
def stocked(tmp_path_factory):
    """A logbook with one operator and tractor, made once, and their ids."""
    path = tmp_path_factory.mktemp("farm") / "logbook.sqlite"
    with open_store(path) as store:
        store.put(Farm, name="Made-up Farm", timezone="Etc/GMT+6", units="us")
        return path, [store.put(model, name=name).id for model, name in ((Operator, "Ann"), (Tractor, "Red"))]


@pytest.fixture
def farm(tmp_path, stocked, stands_for):
    """A copy of that logbook."""
    path, who = stocked
    with open_store(stands_for(shutil.copy(path, tmp_path))) as store:
        yield SimpleNamespace(store=store, who=who)


def brought(store, found, width=WIDTH, towed=False):
    """The stints of all work found, by an operator, tractor and tool for each machine."""
    stays = []
    for n, day in enumerate(found):
        one = store.put(Operator, name=f"Ann {n}"), store.put(Tractor, name=f"Red {n}")
        tool = store.put(Tool, name=f"Roller {n}", operation="rolling", width_m=width, towed=towed)
        who = [row.id for row in (*one, tool)]
        stays += [AgreedStay(day, stay, *who, "rolling") for stay in day.worked]
    return [stint for _, stint in bring_in(store, stays).stints]


def ways(farm, path, boundary, width, target=2):
    """What `measure`, the office and a replay in the cab say of areas, gaps and the interval."""
    store = farm.store
    recording = read_recording(path)
    measured = measure([recording], ToolGeometry(width), target, boundary)
    ground = store.put(Field, name=path.stem, boundary=boundary, target=target)
    stints = brought(store, recorded_days([ground], recording), width)
    [job] = store.all(Job, field_id=ground.id)
    record, cab = read_job(store, job), _replayed(store, ground, job, stints)
    areas, proof = measured["area_m2"], measured["proof"]
    listed = [_gap(*(gap[name] for name in ("kind", "certainty", "area_m2", "chance"))) for gap in measured["gaps"]]
    return measured, {
        "measure": Said(
            (*(areas[name] for name in AREAS), *filter(None, areas["by_count"].values())),
            sorted(listed), proof and (proof["share"], proof["low"], proof["high"]),
        ),
        "office": _said(record.totals, record.gaps, record.proof),
        "cab": _said(cab.area_totals(), cab.gaps(), cab.confidence()),
    }  # fmt: skip


AREAS = ("none", "unknown", "short_unknown", "covered", "pass_area")


@dataclass
class Said:
    """What one way says: areas, m2; of each gap kind, certainty, area and chance; share, low and high."""

    areas: tuple
    gaps: list
    proof: tuple | None


def _gap(kind, certainty, area, chance):
    return kind, certainty, round(area, 1), -1.0 if chance is None else round(chance, 4)


def _said(areas, gaps, proof):
    return Said(
        (*(getattr(areas, name) for name in AREAS), *areas.by_count.values()),
        sorted(_gap(gap.kind, gap.certainty, gap.area, None if gap.lost else gap.chance) for gap in gaps),
        proof and (proof.share, proof.low, proof.high),
    )


def agree(figures):
    """Three ways agree on areas to the square metre, on each gap, and on the interval."""
    one = figures["measure"]
    for other in (figures["office"], figures["cab"]):
        assert other.areas == pytest.approx(one.areas, abs=0.5)
        assert [gap[:2] for gap in other.gaps] == [gap[:2] for gap in one.gaps]
        for k in (2, 3):
            assert [gap[k] for gap in other.gaps] == pytest.approx([gap[k] for gap in one.gaps], abs=(0.5, 0.01)[k - 2])
        assert other.proof == pytest.approx(one.proof, abs=1e-3)


def _replayed(store, ground, job, stints, centre=None, said=None):
    """Count stints fix by fix with their taps, as the cab does, one after the other."""
    count = JobCount(ground.boundary, job.target, centre=centre)
    blank = SimpleNamespace(read_trace=lambda _: make_trace())
    for stint in sorted(stints, key=lambda one: one.at):
        record = read_stint(store, stint)
        live = LiveCount(blank, stint, AssembledJob(ground, job, [], count, {}), ())
        trace, switches = record.trace, record.standing.switches
        columns = (trace.t, trace.lat, trace.lon, trace.sigma, trace.quality, trace.hdop)
        for t, lat, lon, sigma, quality, hdop in zip(*(column.tolist() for column in columns)):
            assert not live.update_switches(tuple(one for one in switches if one.t <= t))
            known = (None if value != value else value for value in (lat, lon, sigma))
            live.add_fixes([Fix(t, *known, None if quality < 0 else quality, None if hdop != hdop else hdop)])
        live.update_switches(switches)
        if said is not None:
            said.append(live.why_nothing(bool(record.standing.work(np.inf))))
        count.end()
    return count


@pytest.mark.parametrize("name", TABLE)
def test_the_same_ground_by_three_ways(farm, tmp_path, name):
    """`measure`, the office and the cab agree to the square metre, and with the overlay within the row's share."""
    row = TABLE[name]()
    path = tmp_path / f"{name}.{'gpx' if row.content.startswith('<') else 'csv'}"
    path.write_text(row.content, "utf-8")
    (tmp_path / "field.geojson").write_text(json.dumps(geojson(row.ground, row.place)), "utf-8")
    measured, figures = ways(farm, path, read_boundary(tmp_path / "field.geojson"), row.width)
    assert len(measured["stints"]) == row.stints
    agree(figures)
    assert (measured["area_m2"]["unknown"] + measured["area_m2"]["short_unknown"] > 0) is row.lost
    truth = row.truth.intersection(row.ground).area
    assert measured["area_m2"]["covered"] == pytest.approx(truth, rel=row.within)


LONGER = sampled(loops(8))
SHARED = {
    "half, then the whole": (csv(LONGER[:170]), csv(LONGER)),
    "a third shared": (csv(LONGER[:260]), csv(LONGER[110:])),
    "the middle, then the whole": (csv(LONGER[100:310]), csv(LONGER)),
    "the seam in a turn": (csv(LONGER[:186]), csv(LONGER[100:])),
    "another logger, half a second off": (csv(LONGER[:220]), csv(sampled(loops(8), begin=0.5)[100:])),
    "a break in the first": (gpx(LONGER[:100], LONGER[160:]), csv(LONGER)),
    "a day, then a logger that keeps adding": (
        csv(LONGER),
        csv(np.concatenate([LONGER, LONGER + np.array([86400, 0, 0])])),
    ),
    "header and width": tuple(
        csv(rows, more={"working": (rows[:, 0] % 50 < 35).astype(int)}) for rows in (LONGER[:200], LONGER[100:])
    ),
}


UNLIKE = ("the seam in a turn", "another logger, half a second off")
"""Where the order shows: a file that ends in a turn does not tell how the turn goes on, and another logger's fixes lie
elsewhere on the turns; each by a few m2 of 11,000."""


MEASURED = {}  # areas by name, m2: once for both orders


@pytest.mark.parametrize("turned", [False, True], ids=["in order", "the other first"])
@pytest.mark.parametrize("name", SHARED)
def test_recordings_that_share_work(farm, tmp_path, name, turned):
    """Of two recordings that share work, `measure` of both and bringing in one after the other give the same ground,
    that of all of it; what is in already is said, and wholly there it is refused."""
    store, ground = farm.store, geojson(rectangle(north=92.0), HOME)
    paths = []
    for which, content in zip("ab", SHARED[name]):
        paths.append(tmp_path / f"{which}.{'gpx' if content.startswith('<') else 'csv'}")
        paths[-1].write_text(content, "utf-8")
    if name not in MEASURED:
        MEASURED[name] = measure(map(read_recording, paths), ToolGeometry(WIDTH), 2, ground)["area_m2"]
    measured = MEASURED[name]
    row = store.put(Field, name="Home", boundary=ground, target=2)
    tool = store.put(Tool, name="Roller", operation="rolling", width_m=WIDTH, towed=False)
    notes = []
    for path in reversed(paths) if turned else paths:
        stays = [
            AgreedStay(day, stay, *farm.who, tool.id, "rolling")
            for day in look_at(store, read_recording(path)) for stay in day.worked
        ]  # fmt: skip
        try:
            notes += map(str, bring_in(store, stays).notes)
        except TraceRefused as fault:
            notes.append(str(fault))
    assert any("in the logbook already" in note or "in this logbook already" in note for note in notes)
    [job] = store.all(Job, field_id=row.id)
    areas = assemble(store, job).count.area_totals()
    assert (areas.none, areas.unknown, areas.covered, areas.pass_area) == pytest.approx(
        (measured["none"], measured["unknown"], measured["covered"], measured["pass_area"]),
        abs=3.0 if name in UNLIKE else 0.5,
    )
    assert measured["unknown"] == pytest.approx(0.0, abs=1.0)  # what one lost the other tells
    (tmp_path / "export.gpx").write_text(job_gpx(read_job(store, job)), "utf-8")
    again = measure([read_recording(tmp_path / "export.gpx")], ToolGeometry(WIDTH), 2, ground)["area_m2"]
    assert [again[kind] for kind in ("none", "unknown", "covered", "pass_area")] == pytest.approx(
        [areas.none, areas.unknown, areas.covered, areas.pass_area], abs=70.0 if "another logger" in name else 1.0
    )  # fixes of two loggers half a second apart are no longer told apart in one file: up to two intervals of way
    times = 2 if "adding" in name else 1
    if "header" not in name:
        truth = swept(loops(8)).intersection(rectangle(north=92.0)).area
        assert (areas.covered, areas.pass_area / times) == pytest.approx((truth, truth), rel=0.01)


@pytest.mark.parametrize(("every", "back"), [(1.0, 8.0), (1.0, 55.0), (1.0, 3600.0), (10.0, 45.0), (10.0, 300.0)])
def test_a_clock_set_back_loses_no_fix(tmp_path, every, back):
    """A receiver's clock is set back in the middle of work: all counts as if it never was, and it is said."""
    rows = sampled(loops(8), every)
    half = len(rows) // 2
    set_back = rows.copy()
    set_back[half:, 0] -= back
    ground = geojson(rectangle(north=92.0), HOME)
    files = {"a": csv(set_back), "b": csv(rows)}
    for name, content in files.items():
        (tmp_path / f"{name}.csv").write_text(content, "utf-8")
    found, right = (
        measure([read_recording(tmp_path / f"{name}.csv")], ToolGeometry(WIDTH), 2, ground) for name in files
    )
    assert found["trace"]["used"] == len(rows)
    assert found["area_m2"]["covered"] == pytest.approx(right["area_m2"]["covered"], abs=1.0)
    [stint], [whole] = found["stints"], right["stints"]
    assert stint["seconds"] == pytest.approx(whole["seconds"], abs=1.0)
    assert np.array(stint["spans"]) + back == pytest.approx(np.array(whole["spans"]), abs=0.01)
    assert any(f"set back by up to {back:.0f} s while it drove on" in note for note in found["notes"])


def test_recordings_appended_to_each_other_are_no_clock_set_back(tmp_path):
    """Tuesday's recording and then Monday's, both from and to the yard; and a lap of the field recorded twice over."""
    yard = straight((-300, 20), (-20, 20))
    ways = np.concatenate([yard, loops(), straight(loops()[-1], (-20, 44)), yard[::-1]])
    monday = sampled(ways)
    lap = sampled(straight((0, 0), (100, 0), (100, 60), (0, 60), (0, 0)))
    for n, (first, then) in enumerate([(monday + np.array([86400, 0, 0]), monday), (lap, lap)]):
        path = tmp_path / f"{n}.csv"
        path.write_text(csv(np.concatenate([first, then])), "utf-8")
        recording = read_recording(path)
        [track] = recording.tracks
        assert not any("set back" in str(note) for note in recording.notes)
        assert sorted(set(track.t)) == pytest.approx(sorted({*first[:, 0], *then[:, 0]}))


@pytest.fixture(scope="session")
def recorded():
    """The folder of recordings of others, or a skip."""
    if not DATA.is_dir():
        pytest.skip("the real recordings are not beside the repository (../shared/data)")
    return DATA


LONG = [
    pytest.param(f"gpx/{name}.gpx", marks=pytest.mark.long)
    for name in ("activity_with_extensions", "handheld_two_segments", "three_tracks_desktop_writer")
]
RECORDED = [
    "gpx/v10_eight_segments.gpx", "gpx/watch_route_with_accuracy.gpx", "nmea/car_sparse.nmea",
    "nmea/cold_start_37_then_fix.nmea", "nmea/quality2_to_rtk4.nmea", "nmea/loss8_then_return.nmea", *LONG,
]  # fmt: skip


@pytest.mark.parametrize("name", RECORDED)
def test_recordings_of_others_without_a_boundary(farm, recorded, name):
    """What watches, handhelds and receivers wrote, all of it taken as work, is the same ground by three ways."""
    recording = read_recording(recorded / name)
    measured = measure([recording], ToolGeometry(WIDTH))["area_m2"]
    ground = farm.store.put(Field, name="Anywhere", boundary=None, target=2)
    tool = farm.store.put(Tool, name="Roller", operation="rolling", width_m=WIDTH, towed=False)
    stints = []
    for track in recording.tracks:
        day = cut([], track.as_kept(), recording.name)
        t = day.track.t[day.rows]
        # as a person agrees to it: all of it was work on that field
        stay = FieldStay(0, 0, len(t) - 1, ((float(t[0]), float(t[-1])),), 1)
        stay = AgreedStay(replace(day, fields=(ground,)), stay, *farm.who, tool.id, "rolling")
        stints += [stint for _, stint in bring_in(farm.store, [stay]).stints]
    [job] = farm.store.all(Job, field_id=ground.id)
    counted = assemble(farm.store, job)
    traces = [(one.trace, one.row.at, one.standing.work(np.inf)) for one in counted.stints]
    live = _replayed(farm.store, ground, job, stints, centre_of(traces, worked=True))
    for areas in (counted.count.area_totals(), live.area_totals()):
        assert areas.covered == pytest.approx(measured["covered"], abs=0.5)
        assert areas.pass_area == pytest.approx(measured["pass_area"], abs=0.5)


def _seeded(farm, recorded, tmp_path, fixes=None):
    """The first fixes of the recorded seeding in its field, and the overlay of its own lines by shapely, m2."""
    lines = (recorded / "seeding" / "trace_machine2.gpx").read_text("utf-8")
    if fixes is not None:
        lines = "</trkpt>".join([*lines.split("</trkpt>", fixes)[:fixes], "</trkseg></trk></gpx>"])
    made = gpxpy.parse(lines)
    runs = [segment.points for segment in made.tracks[0].segments]
    path = tmp_path / "seeding.gpx"
    path.write_text(made.to_xml(), "utf-8")
    boundary = read_boundary(recorded / "seeding" / "boundary.geojson")
    measured, figures = ways(farm, path, boundary, 13.2, target=1)
    # the stint's own spans, as the operator would have tapped them, on a plane of PROJ
    to_plane = Proj(proj="laea", lat_0=49.549, lon_0=-96.671, datum="WGS84")
    strips = []
    for run in runs:
        times = np.array([p.time.timestamp() for p in run])
        xy = np.column_stack(to_plane([p.longitude for p in run], [p.latitude for p in run]))
        for begin, end in (span for stint in measured["stints"] for span in stint["spans"]):
            part = xy[(times >= begin - 0.01) & (times <= end + 0.01)]
            if len(part) > 1:
                strips.append(shapely.buffer(shapely.LineString(part), 6.6, cap_style="flat"))
    ground = shapely.transform(shapely.geometry.shape(boundary), lambda ll: np.column_stack(to_plane(*ll.T)))
    return measured["area_m2"], figures, shapely.union_all(strips).intersection(ground).area


def test_recorded_seeding(farm, recorded, tmp_path):
    """A quarter of an hour of recorded seeding: three ways agree, and covered ground is that of the overlay within 0.5 %."""
    areas, figures, truth = _seeded(farm, recorded, tmp_path, 900)
    agree(figures)
    assert areas["covered"] == pytest.approx(truth, rel=5e-3)


@pytest.mark.long
def test_all_of_the_recorded_seeding(farm, recorded, tmp_path):
    """The whole day."""
    areas, figures, truth = _seeded(farm, recorded, tmp_path)
    print(figures, truth)
    agree(figures)
    assert areas["covered"] == pytest.approx(truth, rel=5e-3)


@pytest.mark.parametrize(
    ("stated", "basis", "absolute"),
    [
        (
            {"hdop": 0.873, "quality": 1},
            "fix quality and HDOP",
            0.87 * 2.0 / 2**0.5,
        ),  # drms is HDOP x 2.0 m, kept to 0.01
        ({"sigma": 0.304, "hdop": 5.0}, "stated error", 0.30),
        ({"quality": 2}, "fix quality", 0.43),
        ({}, "not stated", 3.2),
    ],
)
def test_what_fixes_state_makes_the_same_certainty(farm, tmp_path, stated, basis, absolute):
    """One receiver error, one list of gaps with their certainty, one interval, by `measure` and in the office."""
    path, ground = tmp_path / "told.csv", geojson(rectangle(), HOME)
    rows = sampled(loops(spacing=13.0))
    path.write_text(csv(rows, more={name: [value] * len(rows) for name, value in stated.items()}), "utf-8")
    measured, _ = ways(farm, path, ground, WIDTH, target=1)
    count = assemble(farm.store, farm.store.all(Job)[0]).count
    [receiver] = count.receivers()
    assert (receiver.basis, measured["receiver"]["basis"]) == (basis, basis)
    assert (
        measured["receiver"]["absolute_m"] == float(np.median(receiver.absolute)) == pytest.approx(absolute, rel=1e-3)
    )
    office = [(gap.certainty, round(gap.chance, 6), round(gap.area, 3)) for gap in count.gaps()]
    assert office == [(g["certainty"], round(g["chance"], 6), round(g["area_m2"], 3)) for g in measured["gaps"]]
    assert office
    proof = count.confidence()
    assert (measured["proof"]["low"], measured["proof"]["high"]) == pytest.approx((proof.low, proof.high), abs=1e-6)


NOTHING = {
    "a fix a minute": (sampled(loops(6, 300.0), 60.0), "Let the logger write a fix each 15 s or oftener."),
    "beside the field": (sampled(straight((0, 150), (200, 150))), "it came no closer to the field than"),
    "something": (sampled(straight((0, 20), (200, 20))), None),
}


@pytest.mark.parametrize("name", NOTHING)
def test_a_stint_that_covers_nothing_says_why(farm, tmp_path, name):
    """The same sentence by `measure`, on the page of the field and in the cab; no gap and no interval is claimed."""
    rows, said = NOTHING[name]
    path, boundary = tmp_path / "slow.csv", geojson(rectangle(east=312.0, north=68.0), HOME)
    path.write_text(csv(rows), "utf-8")
    [track] = read_recording(path).tracks
    day = cut([], track.as_kept(), path.name)
    ground = farm.store.put(Field, name="Home", boundary=boundary, target=2)
    tool = farm.store.put(Tool, name="Roller", operation="rolling", width_m=WIDTH, towed=False)
    stay = FieldStay(0, 0, len(day.rows) - 1, ((float(track.t[0]), float(track.t[-1])),), 1)
    agreed = AgreedStay(replace(day, fields=(ground,)), stay, *farm.who, tool.id, "rolling")
    [(_, stint)] = bring_in(farm.store, [agreed]).stints
    [job] = farm.store.all(Job, field_id=ground.id)
    record, live = read_job(farm.store, job), []
    _replayed(farm.store, ground, job, [stint], said=live)
    measured = measure([read_recording(path)], ToolGeometry(WIDTH), 2, boundary)
    if said is None:
        assert measured["nothing"] is record.stints[0].nothing is live[0] is None
        return
    assert said in measured["nothing"]
    assert str(record.stints[0].nothing) == str(live[0]) == measured["nothing"]
    for page in (field_log(record, 0.0), job_page(record, account_of(farm.store, record, "home"), 0.0)):
        assert render(record.stints[0].nothing, farm=record.format).replace("'", "&#39;") in page
    assert record.gaps == measured["gaps"] == [] and record.proof is measured["proof"] is None
    assert "not known: nothing was counted" in field_log(record, 0.0)


def _moved_taps(store, seconds):
    """Correct the times of all taps by up to so many s, so that switches lie between fixes."""
    rng = np.random.default_rng(3)
    for tap in store.all(Tap):
        at = tap.at + float(rng.uniform(0.05, 0.95)) * seconds
        store.add(Correction(corrects_table="tap", corrects_id=tap.id, at=tap.at, reason="late", detail={"at": at}))


EXPORTED = ("10 s", "two machines in one GPX", "sections", "width and header", "date line", "stated errors")


@pytest.mark.parametrize(
    "name", [*EXPORTED, *(pytest.param(name, marks=pytest.mark.long) for name in TABLE if name not in EXPORTED)]
)
def test_an_export_read_by_measure_is_the_logbook(farm, tmp_path, name):
    """What the logbook says of a job, its taps between fixes, `measure` finds in the GPX of it, to the square metre."""
    row = TABLE[name]() if name in TABLE else Row(csv(sampled(PATH, 0.5, noise=0.4), more={"sigma": ["0.40"] * 10_000}))
    path = tmp_path / f"trace.{'gpx' if row.content.startswith('<') else 'csv'}"
    path.write_text(row.content, "utf-8")
    (tmp_path / "field.geojson").write_text(json.dumps(geojson(row.ground, row.place)), "utf-8")
    ground = farm.store.put(Field, name="Home", boundary=read_boundary(tmp_path / "field.geojson"), target=2)
    recording = read_recording(path)
    brought(farm.store, recorded_days([ground], recording), row.width)
    _moved_taps(farm.store, float(np.median(np.diff(recording.main.t))))
    [job] = farm.store.all(Job, field_id=ground.id)
    record = read_job(farm.store, job)
    (tmp_path / "export.gpx").write_text(job_gpx(record), "utf-8")
    read = measure([read_recording(tmp_path / "export.gpx")], ToolGeometry(row.width), 2, ground.boundary)
    areas = read["area_m2"]
    said = (*(areas[name] for name in AREAS), *filter(None, areas["by_count"].values()))
    assert said == pytest.approx(_said(record.totals, record.gaps, record.proof).areas, abs=1.0)
