"""The invented farm: the same every time, drawn as it says, and found by the count as it was put in."""

import json
import zipfile
from pathlib import Path

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

import demo_db
from cabapp.counting.job_count import JobCount
from cabapp.position.recordings.trace_reader import read_recording
from demo_db import farm, scenario, vehicle_paths
from demo_db.build import build, write_files
from demo_db.fault_check import compare
from demo_db.trace_generator import generate, scattered
from store import models, open_store

KEPT = Path(demo_db.__file__).parent


def files_of(directory):
    return {p.relative_to(directory).as_posix(): p.read_bytes() for p in directory.rglob("*") if p.is_file()}


def test_the_same_seed_writes_the_same_files(tmp_path, short_told):
    """Boundaries, traces and expected of one seed are the same to the byte; another seed's traces are not."""
    for name, made in (("a", short_told), ("b", generate(along=0.3)), ("c", generate(8, along=0.3))):
        write_files(tmp_path / name, made)
    a, b, c = (files_of(tmp_path / name) for name in "abc")
    assert a == b and len(a) == 6
    assert a["boundaries/heron.geojson"] == c["boundaries/heron.geojson"]
    assert a["traces/oda.gpx"] != c["traces/oda.gpx"]


def test_what_is_kept_is_what_is_built(told, tmp_path):
    """The boundaries, traces and expected kept beside the builder are what it builds, to 2 cm."""
    write_files(tmp_path, told)
    for path in sorted((KEPT / "boundaries").glob("*.geojson")):
        ours, made = (json.loads(p.read_text("utf-8")) for p in (path, tmp_path / "boundaries" / path.name))
        rings = [d["features"][0]["geometry"]["coordinates"] for d in (ours, made)]
        assert all(np.abs(np.subtract(a, b)).max() <= 1.1e-7 for a, b in zip(*rings))
    with zipfile.ZipFile(KEPT / "traces.zip") as kept:
        kept.extractall(tmp_path / "kept")
    for name in ("oda", "tam"):
        ours, made = (read_recording(tmp_path / d / f"{name}.gpx").main for d in ("kept", "traces"))
        assert np.array_equal(ours.t, made.t)
        assert max(np.abs(ours.lat - made.lat).max(), np.abs(ours.lon - made.lon).max()) <= 2.1e-7


def test_a_second_demo_replaces_the_first(tmp_path):
    """Built again in the same folder, the farm is new with each field seeded once, though a copy was kept beside each logbook."""
    for _ in range(2):
        built = build(tmp_path, along=0.3)
        for path in built.stores.values():
            with open_store(path) as book:
                assert len(book.all(models.Farm)) == 1 and len(book.all(models.Stint)) == len(farm.FIELDS)
            assert path.with_name("logbook-kept.sqlite").exists()


def test_what_is_kept_is_small():
    """All that is kept of the farm, pictures included, is under a megabyte."""
    files = [p for p in KEPT.rglob("*") if p.is_file() and "__pycache__" not in p.parts]
    assert sum(p.stat().st_size for p in files) < 1_000_000


@pytest.mark.parametrize("key", sorted(farm.FIELDS))
def test_fields_have_the_area_the_ellipsoid_gives(key):
    """A field's area on the farm's frame is its geodesic area, by the library of Karney's method."""
    total = 0.0
    for ring in farm.geometry(farm.outline(key))["coordinates"]:
        polygon = Geodesic.WGS84.Polygon()
        for lon, lat in ring[:-1]:
            polygon.AddPoint(lat, lon)
        total += polygon.Compute(False, True)[2]
    assert total == pytest.approx(farm.outline(key).area, rel=2e-5)


def test_fields_are_no_rectangles():
    """No field is a rectangle, one has a hole, and the one that is rolled is 40 to 65 ha."""
    shapes = {key: farm.outline(key) for key in farm.FIELDS}
    assert all(s.is_valid and s.area < 0.97 * s.minimum_rotated_rectangle.area for s in shapes.values())
    assert sum(len(s.interiors) for s in shapes.values()) == 1
    assert 40e4 < shapes["heron"].area < 65e4
    pairs = [(a, b) for a in shapes for b in shapes if a < b]
    assert not any(shapes[a].overlaps(shapes[b]) for a, b in pairs)


def test_a_loop_at_the_headland_is_as_long_as_it_must_be():
    """Two lanes d apart, d < 2R: the loop is (pi + 4a) R long, cos a = (d / 2 + R) / 2R.

    Worked out by hand from three circles that touch; the word is Dubins' (1957) CCC.
    """
    d, r = 6.2, 8.0
    loop = vehicle_paths.turn((0, 0, 0.0), (0, d, np.pi), r, 2.0, -1)
    a = np.arccos((d / 2 + r) / (2 * r))
    assert np.hypot(np.diff(loop.x), np.diff(loop.y)).sum() == pytest.approx((np.pi + 4 * a) * r, rel=1e-3)
    assert np.hypot(loop.x[-1], loop.y[-1] - d) < 1e-6


def test_towed_tool_settles_on_its_circle():
    """Behind a tractor that circles, the tool settles on r = sqrt(R^2 + b^2 - L^2).

    The steady state of the off-tracking equation: axle at R, hitch b behind it, tool L behind that.
    """
    radius, b, length = 20.0, 1.0, 5.5
    around = np.linspace(0, 6 * np.pi, 4000)
    path = vehicle_paths.line(np.column_stack([radius * np.cos(around), radius * np.sin(around)]), 2.0, 0)
    tool = vehicle_paths.towed(path, b, length)
    assert np.hypot(*tool[-200:, :2].T) == pytest.approx(np.sqrt(radius**2 + b**2 - length**2), abs=0.01)


def test_steering_wanders_as_a_persons_does():
    """The spacing between plain neighbouring lanes wanders by 0.3 to 0.5 m (1 sigma)."""
    lanes = scenario.lanes(np.random.default_rng(3))[26:38]
    u = np.arange(150.0, 850.0, 5.0)
    across = np.array([np.interp(u, *(np.sort(lane.x), lane.y[np.argsort(lane.x)])) for lane in lanes])
    spacing = np.diff(across, axis=0)
    assert 0.3 < spacing.std() < 0.5 and spacing.mean() == pytest.approx(scenario.SPACING, abs=0.15)


@pytest.mark.parametrize("which", ["full_count", "short_count"])
def test_the_count_finds_what_was_put_in(which, request, told, short_told):
    """On the ground of every fault at least 99 % of the cells are counted as driven; 90 % of the lost lane is unknown."""
    expected = (told if which == "full_count" else short_told).expected
    for row in compare(expected, request.getfixturevalue(which)):
        assert row["found"] > (0.90 if row["passes"] is None else 0.99), row


def test_a_wrong_story_is_not_found(told):
    """On bare ground the same comparison finds none of the faults but the bare ones: it can fail."""
    bare = JobCount(farm.geometry(farm.outline("heron")), 2)
    found = {row["name"]: row["found"] for row in compare(told.expected, bare)}
    assert [name for name, share in found.items() if share] == ["missed lanes", "rocks"]


def test_the_missed_lanes_are_one_sure_gap(told, full_count):
    """The bare strip is the largest gap, never covered, sure, and its area within 5 % of what was left out."""
    put_in = next(f for f in told.expected["planted"] if f["name"] == "missed lanes")
    gap = full_count.gaps()[0]
    assert (gap.kind, gap.certainty) == ("none", "sure")
    assert gap.area == pytest.approx(put_in["area_m2"], rel=0.05)


def inside_headland(count):
    """Share of the ground inside the headland by passes, as counted."""
    inner = farm.outline("heron").buffer(-scenario.HEADLAND - 14)
    u, v = scattered(inner, 200_000)
    lat, lon = farm.to_latlon(np.column_stack([u, v]))
    return np.bincount(count.grid.at(count.plane.to_xy(lat, lon)), minlength=6) / len(u)


def test_shares_by_passes_are_the_truths(monkeypatch, count_of):
    """With a receiver that never errs, the shares at 0, 1, 2, 3 passes are the driven ones within 0.3 %.

    The expected is counted lane by lane from the tool's own path, at points, by other code. The lane
    driven with no reception is in the expected and must not be in the count.
    """
    monkeypatch.setattr(scenario, "DRIFT", 0.0)
    monkeypatch.setattr(scenario, "JITTER", 0.0)
    told = generate()
    expected = np.array([told.expected["inside_headland"]["share_by_passes"].get(str(n), 0.0) for n in range(6)])
    lost = next(f for f in told.expected["planted"] if f["passes"] is None)["area_m2"]
    lost /= told.expected["inside_headland"]["area_m2"]
    counted = inside_headland(count_of(told))
    assert np.abs(counted - expected - [0, lost, -lost, 0, 0, 0]).max() < 0.003


def test_a_receivers_error_costs_little(told, full_count):
    """With the story's receiver (0.12 m of drift) no share is off by more than 3 % of the ground."""
    expected = [told.expected["inside_headland"]["share_by_passes"].get(str(n), 0.0) for n in range(6)]
    assert np.abs(inside_headland(full_count) - expected).max() < 0.03


def test_pass_area_is_the_way_driven_times_the_width(told, full_count):
    """Pass area, in and out of the field, is the tool's way times its width, less the turns' inner ends, within 4 %."""
    lost = next(f for f in told.expected["planted"] if f["passes"] is None)["area_m2"]
    assert full_count.area_totals().pass_area == pytest.approx(told.expected["driven_m"] * 12.8 - lost, rel=0.04)
