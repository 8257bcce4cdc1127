"""The scenario, its counts and the short demo, each made once for all workers."""

import json
import pickle
from types import SimpleNamespace

import pytest

from cabapp.counting.job_count import JobCount
from cabapp.session import fix_recorder
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch
from demo_db import farm
from demo_db.trace_generator import generate


def switches_of(taps):
    """Working on and off as the story's taps say, the stop that is taken back left out."""
    found = []
    for tap, after in zip(taps, [*taps[1:], {"tap": ""}]):
        if tap["tap"] in ("start", "restart"):
            found.append(WorkSwitch(tap["t"], True))
        elif tap["tap"] == "finish" or (tap["tap"] == "stop" and after["tap"] != "undo"):
            found.append(WorkSwitch(tap["t"], False))
    return found


def counted(told, along=1.0):
    """The story's traces counted without session or store."""
    count = JobCount(farm.geometry(farm.outline("heron", along)), 2)
    for part in (told.oda, told.tam):
        count.add_stint(
            part.operator, part.t[0] - 60, ToolGeometry(12.8, 5.5, 2.6), part.t, part.lat, part.lon,
            None, switches_of(part.taps), [2] * len(part.t),
        )  # fmt: skip
    return count


@pytest.fixture(scope="session")
def count_of():
    return counted


@pytest.fixture(scope="session")
def told(pickled_once):
    """The scenario at full length."""
    return pickled_once("told", generate)


@pytest.fixture(scope="session")
def short_told(pickled_once):
    """The scenario of the short demo."""
    return pickled_once("short-told", lambda: generate(along=0.3))


@pytest.fixture(scope="session")
def full_count(told, pickled_once):
    return pickled_once("full-count", lambda: counted(told))


@pytest.fixture(scope="session")
def short_count(short_told, pickled_once):
    return pickled_once("short-count", lambda: counted(short_told, 0.3))


@pytest.fixture(scope="session")
def pickled_once(build_once):
    """A function that returns what a builder returned in whichever worker came first."""

    def built(name, build):
        folder, _ = build_once(name, lambda folder: (folder / "value.pickle").write_bytes(pickle.dumps(build())))
        return pickle.loads((folder / "value.pickle").read_bytes())

    return built


@pytest.fixture(scope="session")
def short_demo(build_once):
    """`rollbook demo --headless --short --json`, its folder and what it printed."""
    import contextlib
    import io

    from cabapp.__main__ import main

    def build(folder):
        said = io.StringIO()
        # written every minute instead of every second: the same trace, a tenth of the commits
        with contextlib.redirect_stdout(said), pytest.MonkeyPatch.context() as patch:
            patch.setattr(fix_recorder, "SYNC_S", 60.0)
            status = main(["demo", "--headless", "--short", "--json", "--out", str(folder / "farm")])
        return {"status": status, "found": json.loads(said.getvalue())}

    folder, made = build_once("demo", build)
    return SimpleNamespace(out=folder / "farm", **made)
