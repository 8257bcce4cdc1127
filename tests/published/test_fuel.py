"""Fuel against the standards and worked examples they come from."""

import pytest

from cabapp.common.units import ACRE, FOOT, GALLON, MPH
from cabapp.planning.fuel_use import expected_use, fuel_rate

HORSEPOWER = 745.699872
"""W, NIST SP 811."""


@pytest.mark.parametrize(("load", "litres"), [(0.25, 0.151), (0.5, 0.206), (0.75, 0.261), (1.0, 0.316)])
def test_fuel_rate_of_the_newer_standard(load, litres):
    """L/h a rated kW by ASAE D497.7; Grisso, Kocher and Vaughan 2004 print 0.220 and 0.096."""
    assert fuel_rate(1000.0, load) * 3600 == pytest.approx(litres, abs=1e-9)


@pytest.mark.parametrize(
    ("mph", "hp_per_foot", "printed"),
    [
        (6.5, 2.5, 0.30), (7.0, 2.3, 0.25), (5.5, 3.5, 0.40), (5.0, 3.5, 0.45), (5.0, 4.3, 0.55),
        (5.5, 5.2, 0.60), (5.0, 5.6, 0.65), (5.0, 8.0, 0.95), (5.0, 9.3, 1.10),
    ],
)  # fmt: skip
def test_expected_fuel_of_an_acre(mph, hp_per_foot, printed):
    """Nine tillage rows of University of Missouri Extension G1208, table 1 (speed, PTO hp a foot,
    gal/ac), within 35 %, by which Iowa State University A3-27 says such values may be off."""
    use = expected_use(mph * MPH, hp_per_foot * HORSEPOWER / FOOT) * ACRE / GALLON
    assert use == pytest.approx(printed, rel=0.35)
