"""Is the warning about covering finished ground again heard when it should be, and only then?

    python -m tests.bench.lookahead --fields 200

drives that many simulated fields through a real session on a driven clock and prints two figures:
sounds an hour in normal half-lap work (goal: at most 3), and how many of the re-covers of more than
a third of the width that were brought about were announced at least 3 s before the tool got there
(goal: 95 %). A pass that starts on finished ground cannot be foretold: it is counted apart, as
announced in time when said at most 6.5 s after the turn. All drives are made up (tests/bench/driver.py);
nothing here is a measurement of people.
"""

import argparse
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from unittest.mock import patch

import numpy as np

from cabapp.common.clock import ManualClock
from cabapp.common.units import MPH
from cabapp.counting.grid import Grid
from cabapp.geometry.plane import Plane
from cabapp.position.fix import Fix
from cabapp.position.recordings.replay_source import Replay
from cabapp.session import Session
from cabapp.session.state.sentence import RECOVER
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.work_switches import WorkSwitch
from store import open_store
from store.models import Farm, Field, Hitching, Job, Operator, Stint, Tap, Tractor, job_id
from store.models import Tool as ToolRow
from tests.bench.driver import (
    AIM,
    BEHIND,
    GROUNDS,
    KINDS,
    TOOL,
    WIDTH,
    drifted,
    drive,
    lanes_of_another,
    next_lane,
    received,
    wander,
    weave,
)

PLANE = Plane(47.0, -30.0)
T0 = 1_779_000_000.0
EARLIER, NORMAL = 8, 4
GOAL_S, SETTLE_S = 3.0, 6.5
SUDDEN_S = 5.5
"""A drift that has the tool there sooner after it began cannot be announced 3 s before."""


@dataclass
class Case:
    """One field's outcome.

    `announced` is s before the tool was there (after the turn for a wrong start), None when nothing
    sounded; `stood`: the sentence stood all the last 6 s because it had sounded earlier; `notice` is
    s the drift lasted before, infinite where the finished ground lay there; `real`: it came about.
    """

    kind: str
    ground: str
    hours: float
    sounds: list = field(default_factory=list)
    announced: float | None = None
    notice: float = np.inf
    real: bool = True
    stood: bool = False

    @property
    def met(self):
        if self.announced is None:
            return self.stood
        if self.kind == "wrong start":
            return self.announced <= SETTLE_S
        return self.announced >= GOAL_S


def stock(store):
    """Write a made-up farm down."""
    store.put(Farm, id="farm", name="Made-up Farm", timezone="Etc/GMT+6", units="us")
    store.put(Operator, id="ann", name="Ann")
    store.put(Operator, id="ben", name="Ben")
    store.put(Tractor, id="red", name="Red")
    store.put(ToolRow, id="roller", name="Roller", operation="rolling", width_m=WIDTH)
    store.put(
        Hitching, id="h", tractor_id="red", tool_id="roller", width_m=WIDTH,
        hitch_to_line_m=TOOL.hitch, antenna_to_hitch_m=TOOL.antenna_to_hitch,
    )  # fmt: skip


def outline(west, south, east, north):
    """Return a rectangle of the plane as RFC 7946 geometry."""
    ring = [[west, south], [east, south], [east, north], [west, north], [west, south]]
    lat, lon = PLANE.to_latlon(np.array(ring, float))
    return {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}


def write_stint(store, name, who, start, runs, sigma, rng):
    """Write a stint of several runs (t, places), a stop between each; return true pieces."""
    job = job_id(name, "rolling", 2026)
    if store.get(Job, job) is None:
        store.put(Job, field_id=name, operation="rolling", season=2026, target=2)
    stint = store.add(
        Stint(
            job_id=job, operator_id=who, tractor_id="red", tool_id="roller", width_m=WIDTH,
            hitch_to_line_m=TOOL.hitch, antenna_to_hitch_m=TOOL.antenna_to_hitch, side_m=0.0,
            receiver="made up", at=start,
        )
    )  # fmt: skip
    writer, sweeper, parts = store.trace(stint.id), SwathBuilder(TOOL), []
    for t, xy in runs:
        lat, lon = PLANE.to_latlon(received(rng, xy, sigma))
        for one in zip(t.tolist(), lat.tolist(), lon.tolist()):
            writer.append(*one, sigma)
        kind = "restart" if parts else "start"
        store.add(Tap(stint_id=stint.id, kind=kind, at=float(t[0]) - 0.5))
        store.add(Tap(stint_id=stint.id, kind="stop", at=float(t[-1]) + 0.5))
        switches = [WorkSwitch(t[0] - 0.5, True), WorkSwitch(t[-1] + 0.5, False)]
        parts.append(sweeper.feed(t, xy, switches))
    store.add(Tap(stint_id=stint.id, kind="finish", at=float(runs[-1][0][-1]) + 1))
    writer.seal()
    return SweptPieces.join([*parts, sweeper.finish()], sweeper.leave)


def sampled(x, y, speed, start):
    """Return a lane's run at 1 Hz, driven on until the roller has reached its end."""
    path = np.column_stack([x, y])
    way = path[-1] - path[-2]
    path = np.concatenate([path, path[-1:] + BEHIND * way / np.hypot(*way)])
    run = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    at = np.arange(0, run[-1], speed)
    places = np.column_stack([np.interp(at, run, path[:, i]) for i in (0, 1)])
    return start + np.arange(len(at)), places


def over_tool(grid, pieces):
    """Return times and the true width of the tool over ground at target, at each piece's end."""
    share = (np.arange(24) + 0.5) / 24
    left, right = pieces.quad[:, 3], pieces.quad[:, 2]
    places = left[:, None] + (right - left)[:, None] * share[:, None]
    full = grid.at(places.reshape(-1, 2)).reshape(len(left), 24) >= 2
    return pieces.t, full.mean(axis=1) * WIDTH


def one_field(store, seed, rows=(300, 500)):
    """Drive one field, its rows so many m long, and return its Case."""
    rng = np.random.default_rng(seed)
    kind, ground = KINDS[seed % len(KINDS)], GROUNDS[seed // len(KINDS) % len(GROUNDS)]
    speed, sigma = rng.uniform(4, 7) * MPH, rng.uniform(0.1, 0.3)
    n = int(rng.uniform(*rows))
    lanes = [WIDTH / 2 + np.zeros(n)]
    for _ in range(EARLIER + NORMAL):
        lanes.append(next_lane(rng, lanes[-1]))
    done, live = lanes[:EARLIER], lanes[EARLIER:]
    upward = NORMAL % 2 == 0 if rng.random() < 0.5 else NORMAL % 2 == 1
    event_up = upward == (NORMAL % 2 == 0)
    far = float(live[-1].max()) + 5 * WIDTH
    east = far + 4 * WIDTH
    notice_at = None
    if kind == "drift":
        live[-1], notice_at = drifted(rng, live[-1], event_up, rng.uniform(0.5, 0.9) * WIDTH)
    elif kind == "wrong start":
        live[-1] = live[-2] + WIDTH / 2 - rng.uniform(0.45, 1.0) * WIDTH
    elif kind == "closing strip":
        edge = float(live[-2].mean()) + WIDTH * rng.uniform(0.6, 1.0)
        live[-1] = np.full(n, edge - WIDTH / 2) + 0.3 * wander(rng, n)
    else:
        beside = np.full(n, far + AIM) if kind != "block ahead" else np.full(n, far + WIDTH)
        live[-1] = beside + 0.3 * rng.normal()
    depth = 0.0 if ground == "turns outside" else rng.choice([1.5, 2.0, 2.5]) * WIDTH
    name = f"field {seed}"
    store.put(
        Field, id=name, name=name, target=2,
        boundary=outline(-WIDTH, -depth, edge if kind == "closing strip" else east, n + depth),
    )  # fmt: skip
    start = T0 + seed * 40_000.0
    earlier = drive(rng, [weave(rng, lane) for lane in done], start, speed)
    truth = [write_stint(store, name, "ann", start, [(earlier.t, earlier.xy)], sigma, rng)]
    start += 10_000.0
    runs = []
    if kind in KINDS[2:5]:
        runs += lanes_of_another(rng, kind, far, n, event_up)
    if ground == "headland first":
        x = np.arange(-WIDTH, far + 2 * WIDTH)
        out = np.arange(WIDTH / 2, depth, WIDTH / 2)
        runs += [(x, np.full(len(x), y)) for r in out for y in (-r, n + r)]
    stints, t = [], start
    for x, y in runs:
        stints.append(sampled(x, y, speed, t))
        t = stints[-1][0][-1] + 60
    if stints:
        truth.append(write_stint(store, name, "ben", start, stints, sigma, rng))
    start = T0 + seed * 40_000.0 + 30_000.0
    path = drive(rng, [weave(rng, lane) for lane in live], start, speed, upward)
    case = Case(kind, ground, 0.0)
    heard, shown = follow(store, name, path, received(rng, path.xy, sigma), sigma)
    judge(case, heard, shown, path, truth, notice_at, speed)
    return case


def follow(store, name, path, places, sigma):
    """Run a session along a drive; return when it sounded about covering again, and showed it."""
    lat, lon = PLANE.to_latlon(places)
    fixes = [Fix(float(t), float(a), float(b), sigma) for t, a, b in zip(path.t, lat, lon)]
    clock = ManualClock(float(path.t[0]) - 2.0)
    session = Session(store, clock, Replay(fixes, "made up"))
    session.take_over("ann", "red", "roller", name)
    session.tap("start")
    heard, shown, last = [], [], 0
    clock.advance(2.0)
    for _ in fixes:
        said = session.tick().sentence
        session.take_dirty()
        if said is not None and said.rank == RECOVER and said.sound > last:
            heard.append(clock.now())
        if said is not None and said.rank == RECOVER and said.act_now:
            shown.append(clock.now())
        last = max(last, said.sound if said else 0)
        clock.advance(1.0)
    session.tap("finish")
    clock.advance(20.0)
    session.tick()
    session.close()
    return heard, shown


def judge(case, heard, shown, path, truth, notice_at, speed):
    """Say what of the sounds was right, against the true paths."""
    event = path.part.max()
    first = int(np.flatnonzero(path.part == event)[0])
    begun = float(path.t[first])
    before = slice(0, first)
    sweeper = SwathBuilder(TOOL)
    parts = [sweeper.feed(path.t[before], path.xy[before], [WorkSwitch(path.t[0] - 1, True)])]
    grid = Grid((0, 0, 1, 1), 0.25)
    grid.add_stints([*truth, SweptPieces.join([*parts, sweeper.finish()], sweeper.leave)])
    sweeper = SwathBuilder(TOOL)
    run = slice(max(0, first - 15), None)
    parts = [sweeper.feed(path.t[run], path.xy[run], [WorkSwitch(path.t[0] - 1, True)])]
    t, over = over_tool(grid, SweptPieces.join([*parts, sweeper.finish()], sweeper.leave))
    # the roller comes in straight some 20 m after the turn; its last metres are the headland
    y = np.interp(t, path.t, path.xy[:, 1])
    rows = np.ptp(path.xy[path.part == 0][:, 1]) - 40
    settled = begun + (0 if case.kind == "wrong start" else 20 / speed)
    inside = (t >= settled) & (np.abs(y - rows / 2) < rows / 2)
    there = t[inside & (over > WIDTH / 3)]
    if case.kind == "closing strip":
        begun, case.real = float(path.t[-1]) + 1, False  # nothing was brought about
        there = []
    normal = begun
    if case.kind in KINDS[2:5]:  # on the way to the other land she crosses what is finished
        normal = float(path.t[np.flatnonzero(path.part == event - 1)[-1]])
    case.hours = float(normal - path.t[0]) / 3600
    case.sounds = [at for at in heard if at < normal]
    if len(there) < 3:
        case.real = False
        return
    arrives = float(there[0])
    if notice_at is not None:
        case.notice = arrives - (begun + notice_at / speed)
    own = [at for at in heard if at >= begun]
    if case.kind == "wrong start":
        case.announced = own[0] - begun if own else None
        return
    good = [at for at in own if arrives - 15 <= at]
    case.sounds += [at for at in own if at < arrives - 15]
    case.announced = arrives - good[0] if good else None
    case.stood = sum(arrives - 6 <= at <= arrives for at in shown) >= 5


def summary(cases):
    """Return the two figures and what they are made of."""
    hours = sum(case.hours for case in cases)
    sounds = sum(len(case.sounds) for case in cases)
    fair = [c for c in cases if c.real and c.kind != "wrong start" and c.notice >= SUDDEN_S]
    return sounds / hours, np.mean([c.met for c in fair]), hours, fair


def run(fields, seed=0, progress=None, rows=(300, 500)):
    """Return the cases of so many fields with rows so many m long."""
    with (
        tempfile.TemporaryDirectory() as folder,
        # the trace need not be on disk each second here
        patch("cabapp.session.fix_recorder.SYNC_S", 600.0),
        open_store(Path(folder) / "logbook.sqlite", "made up") as store,
    ):
        stock(store)
        cases = []
        for n in range(seed, seed + fields):
            cases.append(one_field(store, n, rows))
            if progress:
                progress(cases[-1])
        return cases


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--fields", type=int, default=200)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--each", action="store_true", help="print every field")
    args = parser.parse_args()
    show = (lambda case: print(case, flush=True)) if args.each else None
    cases = run(args.fields, args.seed, show)
    rate, share, hours, fair = summary(cases)
    print(f"{rate:.2f} sounds an hour in {hours:.1f} h of normal work (goal: at most 3)")
    print(f"{100 * share:.1f} % of {len(fair)} re-covers announced 3 s before (goal: 95 %)")
    for kind in KINDS:
        mine = [c for c in cases if c.kind == kind and c.real]
        sudden = sum(c.notice < SUDDEN_S for c in mine)
        met = sum(c.met for c in mine if c.notice >= SUDDEN_S)
        print(f"  {kind}: {met} of {len(mine) - sudden}; too sudden: {sudden}")
    for ground in GROUNDS:
        mine = [c for c in cases if c.ground == ground]
        each = sum(len(c.sounds) for c in mine) / max(1e-9, sum(c.hours for c in mine))
        print(f"  {ground}: {each:.2f} sounds an hour")
    closing = [c for c in cases if c.kind == "closing strip"]
    each = sum(len(c.sounds) for c in closing)
    print(f"  {each} sounds in {len(closing)} fields with a closing strip")


if __name__ == "__main__":
    main()
