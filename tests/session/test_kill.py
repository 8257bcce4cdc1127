"""A tablet whose power goes at any moment goes on by itself, with nothing lost but a second."""

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from cabapp.jobs.pass_counts.assembler import assemble
from cabapp.jobs.pass_counts.live_count import LiveCount
from cabapp.jobs.records.stint_reader import state_of
from cabapp.jobs.records.tap_log import taps_of
from store import open_store
from store.models import Job, Stint

CHILD = Path(__file__).with_name("child.py")
ROOT = Path(__file__).parents[2]

pytestmark = pytest.mark.usefixtures("each_second")


def drive_until_killed(folder, seconds):
    """Drive so many seconds and kill the child in the midst of the next; give what it last said."""
    child = subprocess.Popen(
        [sys.executable, str(CHILD), str(folder)],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)}, bufsize=0,
    )  # fmt: skip
    try:
        for _ in range(seconds):
            child.stdin.write(b"\n")
            said = child.stdout.readline().split()
            assert said, "the child ended by itself"
        child.stdin.write(b"\n")
        time.sleep(0.001)
    finally:
        child.send_signal(signal.SIGKILL)
        child.wait()
        child.stdin.close()
        child.stdout.close()
    return float(said[0]), said[1].decode()


@pytest.mark.parametrize("seconds", [pytest.param(37, marks=pytest.mark.long), 71, 118])
def test_killed_in_mid_replay_it_resumes_with_the_count_of_a_rebuild(seconds, tmp_path, run, ids, drive_rows, stocked):
    """After kill -9: same state, every fix up to the last second, count equal to the cell."""
    fixes = drive_rows([-100, -94, -88])
    t0 = fixes[0].t
    taps = [
        {"at": t0 + 20, "kind": "width", "more": {"wing": "left up"}},
        {"at": t0 + 30, "kind": "mark", "more": {"kind": "rock"}},
        {"at": t0 + 60, "kind": "stop", "more": {"reason": "fuel"}},
        {"at": t0 + 66, "kind": "undo", "more": {}},
        {"at": t0 + 90, "kind": "stop", "more": {"reason": "seeder"}},
        {"at": t0 + 100, "kind": "restart", "more": {}},
    ]
    folder = tmp_path / "killed"  # beside the test's own logbook, which this process has open
    folder.mkdir()
    shutil.copy(stocked, folder)
    plan = {
        "fixes": [(f.t, f.lat, f.lon, f.sigma, f.quality) for f in fixes],
        "who": [ids.ann, ids.red, ids.roller, ids.field],
        "taps": taps,
    }
    (folder / "plan.json").write_text(json.dumps(plan))
    at, state = drive_until_killed(folder, seconds)
    with open_store(folder / "logbook.sqlite") as own:
        (stint,) = own.all(Stint)
        kept = own.read_trace(stint.id)
        # what was said before the kill is there, all but the last second
        assert len(kept) >= sum(f.t <= at - 1 for f in fixes)
        made = taps_of(own, stint.id)
        assert [t.kind for t in made if t.kind != "warned"][:1] == ["start"]
        assert sum(t["at"] <= at for t in taps) <= len(made) - 1

        day = run([f for f in fixes if f.t > kept.t[-1]], store=own, start=kept.t[-1])
        view = day.session.view
        assert (view.state, view.operator, view.field) == (state, "Ann", "North")
        day.until(fixes[-1].t + 1)  # goes on with no tap
        assert len(own.read_trace(stint.id)) == len(fixes)
        earlier = assemble(own, own.get(Job, stint.job_id), without=stint.id)
        anew = LiveCount(own, stint, earlier, state_of(own, stint).switches).count
        assert np.array_equal(day.session.job.grid.counts, anew.grid.counts)
        assert day.session.job.areas() == anew.areas()
        assert anew.areas()["covered"] > 12 * 100


def test_a_stint_left_open_overnight_is_still_open_in_the_morning(run, drive_rows):
    """Closing the program ends nothing: the stint, its state and its time go on."""
    fixes = drive_rows([-100])
    day = run(fixes)
    day.take_over()
    day.until(fixes[0].t + 20)
    day.session.tap("start")
    day.on(10.0)
    day.session.tap("stop", reason="dark")
    before = day.session.job.areas()
    day.session.close()
    morning = run(start=fixes[-1].t + 40000)
    view = morning.session.view
    assert (view.state, view.stop_reason, view.working_s) == ("stopped", "dark", 10.0)
    assert morning.session.job.areas() == before
    morning.session.tap("restart")
    assert morning.session.view.state == "working"
