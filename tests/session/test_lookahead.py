"""The warning about covering finished ground again, over a few whole simulated fields."""

import numpy as np
import pytest

from tests.bench.lookahead import KINDS, run, summary


@pytest.mark.parametrize(
    ("fields", "rows", "least_h"), [(6, (110, 130), 0.2), pytest.param(8, (250, 300), 0.8, marks=pytest.mark.long)]
)
def test_the_warning_comes_in_time_and_seldom_without_need(fields, rows, least_h):
    """Simulated fields of all kinds, seeded: at most 10 sounds an hour in normal half-laps (200 fields: see
    tests/bench/lookahead.py), all re-covers of more than a third of the tool announced 3 s before but
    one at most, a pass begun on finished ground within 8 s of the turn."""
    cases = run(fields, seed=10, rows=rows)
    rate, _share, hours, fair = summary(cases)
    assert hours > least_h and len(fair) >= 4 and {case.kind for case in cases} == set(KINDS)
    assert rate <= 10
    assert sum(not case.met for case in fair) <= 1
    begun = [case.announced for case in cases if case.kind == "wrong start" and case.real]
    assert begun and np.max(begun) <= 8
