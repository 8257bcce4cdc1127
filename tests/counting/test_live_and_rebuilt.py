"""Counting live, one fix at a time, and counting the whole trace at once are one and the same."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabapp.counting.grid import Grid
from cabapp.counting.job_count import JobCount
from cabapp.geometry.plane import Plane
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch

MOVES = (
    "straight", "left", "right", "tight", "stand", "reverse", "dropout", "spike", "step", "repeat",
    "tomorrow",
)  # fmt: skip


@st.composite
def drives(draw):
    """A made-up drive: moves of all kinds, jitter, and taps at any moment."""
    random = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    hertz = draw(st.sampled_from([1.0, 2.0, 10.0]))
    jitter = draw(st.sampled_from([0.0, 0.02, 0.3]))
    stated = draw(st.sampled_from([None, 0.02, 0.3, "both"]))
    moves = draw(st.lists(st.sampled_from(MOVES), min_size=2, max_size=10))
    t, x, y, heading = 1000.0, 3.0, 7.0, random.uniform(-3, 3)
    rows = []
    for move in moves:
        seconds = random.uniform(3, 25)
        speed = random.uniform(1.5, 5.0)
        turn = {"left": 0.15, "right": -0.15, "tight": 0.7}.get(move, 0.0)
        if move == "stand":
            speed = 0.0
        if move == "reverse":
            speed = -random.uniform(0.5, 1.2)
            seconds = 8.0
        for _ in range(int(seconds * hertz)):
            t += 1 / hertz
            heading += turn / hertz
            x += speed * np.cos(heading) / hertz
            y += speed * np.sin(heading) / hertz
            rows.append((t, x, y))
        if move == "dropout":
            t += random.uniform(5.5, 40)
            x += 25.0
        if move == "spike":
            t += 1 / hertz
            rows.append((t, x + 300.0, y))
        if move == "step":
            rows.append((t + 0.5 / hertz, x, y + random.choice([4.0, 12.0])))
        if move == "tomorrow":
            rows.append((t + 100_000.0, x, y))
        if move == "repeat" and rows:
            rows.append(rows[-1])
    rows = np.array(rows)
    rows[:, 1:] += random.normal(0, jitter, (len(rows), 2)) if jitter else 0.0
    first, last = rows[0, 0], rows[-1, 0]
    taps = sorted(draw(st.lists(st.floats(0, 1), max_size=4)))
    switches = [WorkSwitch(first - 1, True)]
    for n, share in enumerate(taps):
        wing = draw(st.sampled_from([(), (False, True, True), (True, False, True), (False, False, False)]))
        switches.append(WorkSwitch(first + share * (last - first), n % 2 == 1, wing))
    sigma = np.full(len(rows), np.nan if stated is None else 0.02 if stated == "both" else stated)
    if stated == "both":
        sigma[random.random(len(rows)) < 0.5] = random.choice([np.nan, 0.5, 3.0])
    return rows, switches, sigma


TOOLS = st.builds(
    ToolGeometry,
    width=st.sampled_from([3.0, 9.1, 12.8]),
    hitch=st.sampled_from([0.0, 4.0, 7.5]),
    antenna_to_hitch=st.sampled_from([0.0, 2.2]),
    side=st.sampled_from([0.0, 0.4]),
)


def fed_one_by_one(rows, switches, tool, sigma):
    sweeper, waiting, out = SwathBuilder(tool), list(switches), []
    for (t, x, y), error in zip(rows, sigma, strict=True):
        while waiting and waiting[0].t <= t:
            sweeper.switch(waiting.pop(0))
        out.append(sweeper.feed([t], [[x, y]], sigma=[error]))
    out.append(sweeper.finish())
    return sweeper, out


@pytest.mark.parametrize("examples", [40, pytest.param(1000, marks=pytest.mark.long)])
def test_pieces_do_not_depend_on_how_fixes_arrive(examples):
    """One fix at a time gives the very same pieces, odometer and unknown stretches as all at once."""
    settings(max_examples=examples)(given(drives(), TOOLS)(pieces_are_the_same))()


def pieces_are_the_same(drive, tool):
    rows, switches, sigma = drive
    live, parts = fed_one_by_one(rows, switches, tool, sigma)
    whole = SwathBuilder(tool)
    at_once = [whole.feed(rows[:, 0], rows[:, 1:], switches, sigma), whole.finish()]
    a, b = SweptPieces.join(parts, live.leave), SweptPieces.join(at_once, whole.leave)
    assert len(a) == len(b)
    assert (a.quad == b.quad).all() and (a.s0 == b.s0).all() and (a.s1 == b.s1).all()
    assert live.unknown == whole.unknown and live.rejected == whole.rejected


@pytest.mark.parametrize("examples", [25, pytest.param(500, marks=pytest.mark.long)])
def test_cells_painted_live_equal_cells_filled_at_once(examples):
    """The visit rule by odometer per cell and the visit rule by row intervals give equal counts."""
    settings(max_examples=examples)(given(drives(), TOOLS)(cells_are_the_same))()


def cells_are_the_same(drive, tool):
    rows, switches, sigma = drive
    sweeper, parts = fed_one_by_one(rows, switches, tool, sigma)
    live = Grid((-50, -50, 50, 50), 0.5)
    live.begin(sweeper.leave, tool.width)
    for pieces in parts:
        live.add_live(pieces)
    rebuilt = Grid((-50, -50, 50, 50), 0.5)
    rebuilt.add_stints([SweptPieces.join(parts, sweeper.leave)])
    assert live.origin == rebuilt.origin
    assert (live.counts == rebuilt.counts).all()
    # a sliver between two taps may lie between the middles of cells, half a metre apart
    worked = sum(int((p.s1 - p.s0).sum()) for p in parts)
    assert live.counts.any() or worked < 1024
    assert worked or not live.counts.any()


@settings(max_examples=40)
@given(drives(), TOOLS, st.floats(0.05, 0.95))
def test_a_stint_taken_up_in_the_middle_goes_on_as_if_painted(drive, tool, share):
    """Taking up the first pieces at once and painting the rest counts as painting all: no visit is
    begun twice at the seam."""
    rows, switches, sigma = drive
    sweeper, parts = fed_one_by_one(rows, switches, tool, sigma)
    whole = SweptPieces.join(parts, sweeper.leave)
    seam = int(share * len(whole))
    first, rest = (
        SweptPieces(whole.quad[part], whole.s0[part], whole.s1[part], whole.t[part], whole.leave)
        for part in (slice(seam), slice(seam, None))
    )
    painted, taken_up = Grid((-50, -50, 50, 50), 0.5), Grid((-50, -50, 50, 50), 0.5)
    for grid in (painted, taken_up):
        grid.begin(sweeper.leave, tool.width)
    painted.add_live(whole)
    taken_up.add_many(first)
    taken_up.add_live(rest)
    assert painted.origin == taken_up.origin
    assert (painted.counts == taken_up.counts).all()


def test_a_seam_between_the_halves_of_a_pivot_begins_no_new_visit():
    """Two triangles of one pivot share their odometer; what was covered `leave` before it still counts
    for the second one when the first was taken up."""
    ground = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    s0, s1 = np.array([0, 1200, 1200]), np.array([200, 1400, 1400])
    whole = SweptPieces(np.stack([ground, ground + 20.0, ground]), s0, s1, s1 / 1024, 1000)
    grid = Grid((-5, -5, 30, 30), 0.5)
    grid.begin(whole.leave, 4.0)
    grid.add_many(whole.cut(0, 2))
    grid.add_live(whole.cut(2, 3))
    assert grid.at([[2.0, 2.0]]).tolist() == [1]


@pytest.mark.parametrize("examples", [12, pytest.param(250, marks=pytest.mark.long)])
def test_a_job_counts_the_same_live_and_rebuilt_and_in_any_order(examples):
    """Two stints, one counted live after the other, equal both rebuilt in either order."""
    settings(max_examples=examples)(given(drives(), drives(), TOOLS)(stints_are_the_same))()


def stints_are_the_same(one, two, tool):
    plane = Plane(50.0, -105.0)
    stints = []
    for rows, switches, sigma in (one, two):
        lat, lon = plane.to_latlon(rows[:, 1:])
        stints.append((rows[:, 0], lat, lon, sigma, switches))
    live = JobCount(None, 2, 0.5, (50.0, -105.0))
    t, lat, lon, sigma, switches = stints[0]
    live.add_stint("one", t[0], tool, t, lat, lon, sigma, switches)
    t, lat, lon, sigma, switches = stints[1]
    live.begin("two", t[0], tool)
    waiting = list(switches)
    for n in range(len(t)):
        while waiting and waiting[0].t <= t[n]:
            live.switch(waiting.pop(0))
        live.add_fixes(t[n], lat[n], lon[n], sigma[n])
    live.end()
    for order in ((0, 1), (1, 0)):
        rebuilt = JobCount(None, 2, 0.5, (50.0, -105.0))
        for n in order:
            t, lat, lon, sigma, switches = stints[n]
            rebuilt.add_stint(("one", "two")[n], t[0], tool, t, lat, lon, sigma, switches)
        area = live.areas()
        assert area == rebuilt.areas()
        assert area["pass_area"] >= area["covered"]


def test_counting_anew_after_an_undone_tap_forgets_only_that():
    """`again` with the same taps changes nothing; without the start tap nothing is covered."""
    plane = Plane(50.0, -105.0)
    rows = np.array([(1000.0 + n, 0.0, 3.0 * n) for n in range(60)])
    lat, lon = plane.to_latlon(rows[:, 1:])
    job = JobCount(None, 2, 0.5, (50.0, -105.0))
    job.begin("one", 1000.0, ToolGeometry(12.0))
    job.switch(WorkSwitch(1000.0, True))
    job.add_fixes(rows[:, 0], lat, lon)
    before = job.areas()
    assert before["covered"] > 1500
    job.rebuild(rows[:, 0], lat, lon, switches=[WorkSwitch(1000.0, True)])
    assert job.areas() == before
    job.rebuild(rows[:, 0], lat, lon)
    assert job.areas()["covered"] == 0
