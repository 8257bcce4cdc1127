"""How far the claims about gaps and about a whole field hold in simulation: a larger, printed run.

python tests/bench/certainty.py [FIELDS]      (30 by default: about three minutes)

The truth is known: lanes with misses of many widths, seen with Gauss-Markov errors of each class of
receiver. "lane": the pass-to-pass error stays the same along each lane (the worse case); "120 s": it
wanders with that memory.
"""

import importlib.util
import sys
import time
from pathlib import Path

import numpy as np
from shapely.geometry import box

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from cabapp.counting.areas.area_totals import area_totals
from cabapp.counting.confidence import confidence_interval
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.receiver_error import KINDS, named


def helpers():
    """Return the simulation the tests use."""
    path = Path(__file__).resolve().parents[1] / "coverage" / "conftest.py"
    spec = importlib.util.spec_from_file_location("coverage_helpers", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def gaps(tools, fields):
    """Print how many sure gaps are real and how many wide ones are found."""
    print("receiver       misses  error   sure  of them real   wide  of them found")
    for kind in KINDS:
        for share in (0.7, 0.3, 0.1, 0.03):
            for brief in (None, 120.0):
                claims = tools.Claims()
                for seed in range(fields):
                    claims.field(kind, 1000 + seed, share, brief=brief)
                print(
                    f"{kind:<14}{share:6.0%}  {'lane' if brief is None else '120 s':<6}"
                    f"{claims.sure:6d}{claims.sure_real / max(claims.sure, 1):14.1%}"
                    f"{claims.wide:7d}{claims.wide_found / max(claims.wide, 1):14.1%}",
                    flush=True,
                )


def intervals(tools, fields):
    """Print how many 90 % intervals hold the true share of ground covered twice."""
    print("receiver       aim in  steering  true  counted  interval         held  seconds")
    for kind in KINDS:
        for inside, steering in ((0.0, 0.2), (0.3, 0.3), (1.0, 0.6)):
            rows, spent = [], 0.0
            for seed in range(fields):
                random = np.random.default_rng(2000 + seed)
                sim = tools.Simulation(kind, random, brief=120.0)
                x = np.cumsum(6.0 - inside + random.normal(0, steering, 50))
                x = x[(x < 300) & (random.random(50) > 0.02)]
                half = len(x) // 2
                lanes = [sim.lanes(x[:half]), sim.lanes(x[half:], day=1)]
                field = FieldGround(box(6, 20, 290, 280), target=2)
                true = area_totals([sim.pieces(part) for part in lanes], field, 0.25)
                share = 1 - (true.none + true.by_count.get(1, 0.0)) / field.area
                seen = [sim.pieces(sim.observed(part)) for part in lanes]
                begin = time.perf_counter()
                proof = confidence_interval(seen, [named(kind)] * 2, field)
                spent += time.perf_counter() - begin
                rows.append((share, proof.share, proof.low, proof.high))
            rows = np.array(rows)
            held = ((rows[:, 2] <= rows[:, 0]) & (rows[:, 0] <= rows[:, 3])).mean()
            share, counted, low, high = rows.mean(axis=0)
            print(
                f"{kind:<14}{inside:5.1f} m{steering:8.1f} m{share:7.1%}{counted:8.1%}"
                f"   {low:5.1%} to {high:5.1%}{held:8.0%}{spent / fields:9.2f}",
                flush=True,
            )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 30
    tools = helpers()
    gaps(tools, count)
    intervals(tools, count)
