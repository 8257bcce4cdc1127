"""Fields of 16 ha, a quarter section (65 ha) and a square mile (259 ha) in half-laps: every page can be sent."""

import math

import numpy as np
import pytest

from cabapp.geometry.plane import Plane
from cabapp.reports.model.job_record import jobs_of
from cabapp.reports.season.office_build import build
from store import models, open_store
from store.traces.trace_codec import make_trace, pack

MILE, WIDTH, SPEED, TILT = 1609.344, 12.8, 2.5, 0.21
BEGAN = 1_777_300_000.0
# each a tenth above what the largest page takes
LARGEST = {MILE / 4: 290_000, MILE / 2: 500_000, MILE: 1_000_000}


def way(side):
    """A fix a second over the field in half-laps, turned a little, with a driver's wander, m."""
    lanes = math.ceil(side / (WIDTH / 2))
    turned = []
    for n in range(lanes):
        y = (n + 0.5) * WIDTH / 2 - side / 2
        ends = np.array([-side / 2, side / 2]) * (1 if n % 2 else -1)
        turned += [(ends[0], y), (ends[1], y), (ends[1] + np.sign(ends[1]) * 9, y + WIDTH / 4)]
    turned = np.array(turned)
    gone = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(turned, axis=0).T))])
    at = np.arange(0, gone[-1], SPEED)
    wander = np.convolve(np.random.default_rng(3).normal(0, 1.6, len(at)), np.ones(40) / 40, "same")
    x, y = (np.interp(at, gone, turned[:, k]) for k in (0, 1))
    return spun(np.column_stack([x, y + wander]))


def spun(xy):
    """Places turned about the middle."""
    c, s = math.cos(TILT), math.sin(TILT)
    return np.asarray(xy) @ np.array([[c, s], [-s, c]])


@pytest.mark.parametrize(
    "side", [MILE / 4, *(pytest.param(side, marks=pytest.mark.long) for side in (MILE / 2, MILE))],
    ids=["sixteenth", "quarter", "mile"],
)  # fmt: skip
def test_every_page_is_small(tmp_path, side):
    """Map, script and tables of a field in half-laps stay under 0.29, 0.5 (quarter section) and 1 MB a page."""
    folder, plane = tmp_path, Plane(50.0, -105.0)
    corners = spun(np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1)]) * side / 2)
    lat, lon = plane.to_latlon(corners)
    ring = np.column_stack([lon, lat]).tolist()
    with open_store(folder / "logbook.sqlite", "office") as store:
        store.put(models.Farm, name="Square Mile", timezone="America/Regina", fuel_price_per_l=1.2)
        ids = {
            "operator_id": store.put(models.Operator, name="Ada Stone").id,
            "tractor_id": store.put(models.Tractor, name="Grey").id,
            "tool_id": store.put(models.Tool, name="Roller", operation="rolling", width_m=WIDTH).id,
        }
        land = store.put(models.Field, name="Mile", boundary={"type": "Polygon", "coordinates": [ring]})
        job = store.put(models.Job, field_id=land.id, operation="rolling", season=2026)
        lat, lon = plane.to_latlon(way(side))
        t = BEGAN + np.arange(len(lat), dtype=float)
        for part in np.array_split(np.arange(len(t)), 6):
            began, ended = float(t[part[0]]), float(t[part[-1]])
            stint = store.add(models.Stint(job_id=job.id, **ids, width_m=WIDTH, at=began))
            store.add(models.Tap(stint_id=stint.id, kind="start", at=began))
            with store.writing() as session:
                for cut in np.array_split(part, 12):
                    trace = make_trace(t[cut], lat[cut], lon[cut], np.full(len(cut), 0.1), np.full(len(cut), 4))
                    store.number(session, models.TraceChunk(
                        stint_id=stint.id, n=int(cut[0] - part[0]), count=len(cut), packed=pack(trace),
                        first_at=float(t[cut[0]]), last_at=float(t[cut[-1]]),
                    ))  # fmt: skip
            store.add(models.Tap(stint_id=stint.id, kind="finish", at=ended))
        build(store, jobs_of(store), folder / "out", BEGAN + 1e6)
    sizes = {path.name: path.stat().st_size for path in (folder / "out").glob("*.html")}
    assert len(sizes) >= 8 and max(sizes.values()) < LARGEST[side], sizes
    (log,) = (path for path in (folder / "out").glob("mile-*.html") if len(path.stem.split("-")) == 4)
    assert "field area" in log.read_text("utf-8") and sizes[log.name] > LARGEST[side] / 10
