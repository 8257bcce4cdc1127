"""A small farm in a fresh logbook, and a noisy drive."""

import ctypes
import os
import subprocess
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from store import open_store
from store.models import Farm, Field, Job, Operator, Stint, Tool, Tractor

ROOT = Path(__file__).resolve().parents[2]
START = 1_777_000_000.0
PR_CAPBSET_DROP, CAP_DAC_OVERRIDE = 24, 1  # linux/prctl.h, linux/capability.h


@pytest.fixture(autouse=True)
def _messages(whole_messages):
    """Every message of store and sync met in a test is whole."""


@pytest.fixture(scope="session")
def at():
    """An instant in the spring of 2026, POSIX s."""
    return START


@pytest.fixture
def book(tmp_path):
    """An empty logbook."""
    with open_store(tmp_path / "logbook.sqlite", "tablet 1") as store:
        yield store


@pytest.fixture(scope="session")
def begin_stint():
    """A function that puts an invented farm into a store and takes over its field."""

    def begin(store):
        store.put(Farm, name="Three Poplars", timezone="America/Denver", units="us")
        operator = store.put(Operator, name="Ada")
        tractor = store.put(Tractor, name="the red one", tank_l=600.0)
        tool = store.put(Tool, name="land roller", operation="rolling", width_m=12.8)
        ground = store.put(Field, name="North", boundary={"type": "Polygon", "coordinates": []})
        job = store.put(Job, field_id=ground.id, operation="rolling", season=2026)
        stint = store.add(
            Stint(
                job_id=job.id, operator_id=operator.id, tractor_id=tractor.id, tool_id=tool.id, width_m=12.8, at=START
            )
        )
        return SimpleNamespace(operator=operator, field=ground, job=job, stint=stint)

    return begin


@pytest.fixture(scope="session")
def drive():
    """A function that returns t, lat, lon of a 10 Hz drive with receiver noise, seeded.

    Noise: white, 1 cm, on a first-order Gauss-Markov wander of 0.3 m with a time constant of
    60 s (common practice for a receiver with satellite correction; figures from memory).
    """

    def made(n, white_m=0.01, wander_m=0.3, tau_s=60.0, seed=1):
        rng = np.random.default_rng(seed)
        keep = np.exp(-0.1 / tau_s)
        kicks = rng.normal(0, wander_m * np.sqrt(1 - keep**2), (n, 2))
        wander = np.zeros((n, 2))
        for i in range(1, n):
            wander[i] = keep * wander[i - 1] + kicks[i]
        heading = np.cumsum(rng.normal(0, 0.0005, n))
        steps = 0.33 * np.column_stack((np.sin(heading), np.cos(heading)))
        xy = np.cumsum(steps, axis=0) + wander + rng.normal(0, white_m, (n, 2))
        t = START + np.arange(n) / 10
        return t, 49 + xy[:, 1] / 111_200, -105 + xy[:, 0] / 73_000

    return made


def keep_to_permissions():
    """Take from the program that is begun next, if it is root's, the right to write where permissions forbid it."""
    if os.getuid() == 0 and ctypes.CDLL(None).prctl(PR_CAPBSET_DROP, CAP_DAC_OVERRIDE, 0, 0, 0):
        raise PermissionError("root keeps the right to write anywhere")


@pytest.fixture(scope="session")
def run_kept_to_permissions():
    """A function that runs a program which, even as root's, may not write where permissions forbid it."""

    def run(words):
        return subprocess.run(
            words, capture_output=True, text=True, cwd=ROOT, timeout=60, preexec_fn=keep_to_permissions
        )

    return run
