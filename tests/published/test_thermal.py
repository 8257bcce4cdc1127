"""Emergence by thermal time against the figures it comes from."""

import numpy as np
import pytest

from cabapp.reckoning.thermal import CROPS, DAY, closes, comes_up, days_to_emerge, soil_temperature


def days(crop, celsius):
    """Days to emergence in soil that stays as warm as it is."""
    steady = [days_to_emerge(lambda t: celsius, 0.0, *pair) for pair in CROPS[crop].warmth]
    return min(steady)


@pytest.mark.parametrize(
    ("crop", "celsius", "printed"),
    [("chickpea", 10, 133 / 6), ("chickpea", 15, 133 / 11), ("lentil", 10, 116 / 8), ("lentil", 15, 116 / 13)],
)
def test_days_at_a_steady_warmth(crop, celsius, printed):
    """Chickpea 133 above 4 deg C (a New Zealand variety), lentil 94 above 4.5 (Iran) or 116 above 2
    (New Zealand), the earlier: 22 and 12 days, 14 and 9 days at 10 and 15 deg C."""
    assert days(crop, celsius) == pytest.approx(printed, rel=0.01)


def test_growing_degree_days_of_a_worked_table():
    """Oregon State University EM 8578 (1994): means of 16, 17, 13, 15, 16, 17 deg C add up to 94 deg C
    days above 0 by the end of the sixth day, 77 by the end of the fifth."""
    means = [16.0, 17.0, 13.0, 15.0, 16.0, 17.0]

    def warmth(t):
        return means[int(t // DAY)]

    for needed, printed in ((16, 1), (33, 2), (46, 3), (61, 4), (77, 5), (94, 6)):
        assert days_to_emerge(warmth, 0.0, 0.0, needed) == pytest.approx(printed)


def test_peas_come_up_after_they_germinate():
    """Half of spring field peas germinate after 56 deg C days above -1 (published); up is later."""
    for celsius in (6.0, 10.0, 15.0, 20.0):
        assert days("pea", celsius) > 56 / (celsius + 1)


@pytest.mark.parametrize("crop", CROPS)
def test_colder_soil_is_later_and_never_before_seeding(crop):
    """Every crop comes up later in colder soil; ground closes between seeding and emergence."""
    seeded = 1_778_800_000.0
    ups = [comes_up(seeded, CROPS[crop], (seeded, c)) for c in (16.0, 13.0, 10.0)]
    assert ups == sorted(ups)
    for celsius in (8.0, 12.0, 25.0):
        reading = (seeded, celsius)
        assert seeded <= closes(seeded, CROPS[crop], reading) < comes_up(seeded, CROPS[crop], reading)


def test_cold_ground_is_not_foretold():
    """Soil that never passes the base has no day of emergence, and nothing closes."""
    assert comes_up(0.0, CROPS["chickpea"], (0.0, -40.0)) is None
    assert closes(0.0, CROPS["chickpea"], (0.0, -40.0)) is None
    assert closes(0.0, CROPS["soybean"], (0.0, -40.0)) == 2 * DAY


def test_the_wave_of_a_year_has_its_mean_and_swing():
    """Over a year the curve goes from mean - swing to mean + swing about its mean (6 and 12 deg C)."""
    year = np.array([soil_temperature(k * DAY / 4) for k in range(1461)])
    assert (year.min(), year.max()) == (pytest.approx(-6, abs=0.01), pytest.approx(18, abs=0.01))
    assert year.mean() == pytest.approx(6, abs=0.05)
