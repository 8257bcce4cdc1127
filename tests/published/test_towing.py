"""A towed tool against the tractrix and the steady turn.

Sources: ProofWiki, "Equation of Tractrix"; Sayers 1991, Vehicle System Dynamics 20(5), 297-308
(low-speed off-tracking is a tractrix). The figures are calculated from those equations.
"""

import numpy as np
import pytest

from cabapp.track.tool import ToolGeometry
from cabapp.track.towing import tool_heading

# drawbar 6 m, at first square to the hitch's line: hitch path, tool's distance from the line and
# along it from its start (m), angle left (degrees)
TRACTRIX = [
    (3, 5.32091, 0.22730, 62.4762),
    (6, 3.88833, 1.43044, 40.3951),
    (9, 2.55058, 3.56911, 25.1567),
    (12, 1.59481, 6.21583, 15.4146),
    (18, 0.59597, 12.02967, 5.7005),
    (24, 0.21971, 18.00402, 2.0986),
    (30, 0.08085, 24.00054, 0.7721),
]


@pytest.mark.parametrize(("path", "across", "along", "degrees"), TRACTRIX)
@pytest.mark.parametrize("steps", [1, 7, 300])
def test_coming_back_into_line(path, across, along, degrees, steps):
    """The tool's heading and place on a straight pull are the tractrix's, in any number of steps."""
    way, dist, gear = np.zeros(steps), np.full(steps, path / steps), np.ones(steps)
    psi = tool_heading(-np.pi / 2, way, dist, gear, np.zeros(steps + 1), 6.0)[-1]
    assert np.degrees(-psi) == pytest.approx(degrees, abs=5e-5)
    assert 6.0 * np.sin(-psi) == pytest.approx(across, abs=1e-5)
    assert path - 6.0 * np.cos(psi) == pytest.approx(along, abs=1e-5)


# hitch radius, drawbar, tool's radius (m), drawbar to the hitch's tangent (degrees); the first
# three are Pythagorean and exact
STEADY = [
    (10, 6, 8.0, 36.8699),
    (5, 3, 4.0, 36.8699),
    (13, 12, 5.0, 67.3801),
    (20, 6, 19.078784, 17.4576),
    (15, 6, 13.747727, 23.5782),
    (30, 8, 28.913665, 15.4660),
]


@pytest.mark.parametrize(("radius", "drawbar", "inner", "degrees"), STEADY)
def test_a_steady_turn(driven, circle, radius, drawbar, inner, degrees):
    """After four rounds the tool runs on r = sqrt(R² - L²), asin(L/R) off the hitch's tangent."""
    pose, _ = driven(ToolGeometry(1.0, hitch=drawbar), circle(radius, 8 * np.pi))
    middle = (np.array(pose.left) + np.array(pose.right)) / 2
    # fixes 2 m apart are chords: on the tightest turn their middle lies 10 cm inside the circle,
    # and R dR / r is what that does to the tool, 1.1 degrees to the drawbar at worst
    assert np.hypot(*middle) == pytest.approx(inner, abs=0.1 * radius / inner)
    angle = np.degrees((pose.heading - pose.tool_heading + np.pi) % (2 * np.pi) - np.pi)
    assert angle == pytest.approx(degrees, abs=1.1)


@pytest.mark.parametrize(("path", "degrees"), [(6, 10.882), (12, 14.949), (10 * np.pi, 17.343), (20 * np.pi, 17.455)])
def test_going_into_a_turn(path, degrees):
    """From straight into R = 20 m with L = 6 m: dψ/ds = sin(θ - ψ)/L, as SciPy integrates it.

    The figures beside it came from steps of 1 mm and are 0.002 degrees low at the end.
    """
    from scipy.integrate import solve_ivp  # here: all workers load this module, one runs the test

    steps = round(path / 0.1)
    theta = np.linspace(0, path / 20, steps + 1)
    way = (theta[1:] + theta[:-1]) / 2
    dist = np.full(steps, path / steps)
    psi = tool_heading(0.0, way, dist, np.ones(steps), theta, 6.0)[-1]
    solved = solve_ivp(lambda s, y: np.sin(s / 20 - y) / 6, (0, path), [0.0], rtol=1e-10, atol=1e-12).y[0, -1]
    assert np.degrees(theta[-1] - psi) == pytest.approx(degrees, abs=0.003)
    assert psi == pytest.approx(solved, abs=2e-5)
