"""Half-lap arithmetic against a simulation that counts passes over the ground."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabapp.common.units import ACRE, FOOT, MILE
from cabapp.planning.half_lap import best_inside, edge_strip_area, expected_shares


@pytest.fixture(scope="module")
def simulated():
    """Lay many passes with erring spacings across a line and measure what lies under 1 and 3."""

    def simulate(width, sigma, inside, n=40_000):
        rng = np.random.default_rng(3)
        middle = np.cumsum(rng.normal(width / 2 - inside, sigma, n))
        edges = np.concatenate([middle - width / 2, middle + width / 2])
        step = np.concatenate([np.ones(n), -np.ones(n)])
        order = np.argsort(edges)
        count, length = np.cumsum(step[order])[:-1], np.diff(edges[order])
        within = slice(10, -10)  # the first and last passes have no neighbours
        count, length = count[within], length[within]
        return [length[count == passes].sum() / length.sum() for passes in (1, 3)]

    return simulate


@pytest.mark.parametrize("inside", [0.0, 1.0, 2.0])
def test_shares_agree_with_counting(simulated, inside):
    """45 ft with 2 ft of error: the formula and 40 000 simulated passes agree within 0.5 % of field.

    The formula takes each lap alone, the simulation counts what really lies there.
    """
    once, thrice = simulated(45, 2, inside)
    formula = expected_shares(45, 2, inside)
    assert formula == (pytest.approx(once, abs=0.005), pytest.approx(thrice, abs=0.005))


@pytest.mark.parametrize(("inside", "once", "thrice"), [(0, 0.050, 0.050), (1, 0.019, 0.11), (2, 0.005, 0.20)])
def test_shares_of_the_worked_example(inside, once, thrice):
    """45 ft, 2 ft of error, aimed 0, 1 and 2 ft inside half (calculated, checked by simulation)."""
    found = expected_shares(45, 2, inside)
    assert found == (pytest.approx(once, abs=6e-4), pytest.approx(thrice, abs=6e-3))


@given(width=st.floats(3, 40), inside=st.floats(0, 1))
def test_without_errors_nothing_is_left_at_once(width, inside):
    """Perfect steering inside half leaves no strip at once and 2 b of every w/2 - b at three."""
    once, thrice = expected_shares(width, 0.0, inside)
    assert once == 0
    assert thrice == pytest.approx(2 * inside / (width / 2 - inside))


@given(sigma=st.floats(0.05, 1.5), worth=st.floats(1.1, 50))
def test_the_best_aim_is_best(sigma, worth):
    """No aim a little nearer or farther has less cost for a pass than the one we name."""

    def cost(inside):
        once, thrice = expected_shares(20.0, sigma, inside)
        return (worth * once + thrice) * (10.0 - inside)

    best = best_inside(sigma, worth)
    assert cost(best) <= min(cost(best - 0.05 * sigma), cost(best + 0.05 * sigma)) + 1e-12


@pytest.mark.parametrize(("feet", "acres"), [(45, 5.5), (60, 7.3)])
def test_the_edge_strip_of_a_quarter(feet, acres):
    """160 ac square: 5.5 ac cannot be exactly twice with 45 ft and 7.3 ac with 60 (calculated)."""
    assert edge_strip_area(4 * MILE / 2, feet * FOOT) / ACRE == pytest.approx(acres, abs=0.05)


@pytest.mark.parametrize(("width", "sigma", "inside"), [(0, 1, 0), (10, -1, 0), (10, 1, 5)])
def test_impossible_laps_are_a_mistake_of_the_caller(width, sigma, inside):
    """No width, negative error or an aim of half the width has no answer."""
    with pytest.raises(ValueError):
        expected_shares(width, sigma, inside)
    with pytest.raises(ValueError):
        best_inside(1.0, 0.0)
