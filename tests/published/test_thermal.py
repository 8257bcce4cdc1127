"""Emergence by thermal time against the figures it comes from."""

import numpy as np
import pytest

from cabapp.planning.emergence import CROPS, DAY, closes, comes_up, crop_of, days_to_emerge, soil_temperature, with_own


def days(crop, celsius):
    """Days to emergence in soil that stays as warm as it is."""
    steady = [days_to_emerge(lambda t: celsius, 0.0, *pair) for pair in CROPS[crop].warmth]
    return min(steady)


@pytest.mark.parametrize(
    ("base", "needed", "celsius", "printed"),
    [(4.0, 133, 10, 22), (4.0, 133, 15, 12), (2.0, 116, 10, 14), (2.0, 116, 15, 9), (4.5, 94, 10, 17)],
)
def test_days_at_a_steady_warmth(base, needed, celsius, printed):
    """Chickpea 133 above 4 deg C (a New Zealand variety), lentil 94 above 4.5 (Iran) or 116 above 2
    (New Zealand): 22 and 12 days, 14 and 9 (17 by the Iranian) days at 10 and 15 deg C."""
    assert round(days_to_emerge(lambda t: celsius, 0.0, base, needed)) == printed


@pytest.mark.parametrize(
    ("crop", "fahrenheit", "above"),
    [("chickpea", 280, 32), ("soybean", 90, 50), ("barley", 176, 32), ("wheat", 180, 32)],
)
def test_degree_days_printed_in_fahrenheit(crop, fahrenheit, above):
    """Soil ten deg F above the base gives a tenth of the printed deg F days as days: chickpea 280
    (Montana State MT200103AG), soybean 90 (Iowa State, 2021), barley 176, wheat 180 (North Dakota
    State, 2012). No crop is reckoned later than that."""
    celsius = (above + 10 - 32) * 5 / 9
    printed = days_to_emerge(lambda t: celsius, 0.0, (above - 32) * 5 / 9, fahrenheit * 5 / 9)
    assert printed == pytest.approx(fahrenheit / 10)
    assert days(crop, celsius) <= printed + 1e-9


def test_the_earliest_of_the_sources_counts():
    """Where sources differ the strictest closes the ground: at 15 deg C chickpea by Montana's figure, at
    8 deg C lentil by that from New Zealand."""
    assert days("chickpea", 15) == pytest.approx(280 * 5 / 9 / 15)
    assert days("lentil", 8) == pytest.approx(116 / 6)


def test_figures_from_memory_are_called_guesses():
    """Pea, flax, faba and dry bean have no figure that was read, and say so; the others have."""
    assert {name for name, crop in CROPS.items() if crop.guess} == {"pea", "flax", "faba", "bean"}


def test_crops_are_closed_by_the_strictest_rule():
    """Chickpea, beans and flax are not rolled once up; lentil to the 4th node, pea to the 3rd, soybean
    within two days and to the first trifoliate, cereals to the 4th leaf (trade sources, see the code)."""
    never = {name for name, crop in CROPS.items() if crop.later is None}
    assert never == {"chickpea", "bean", "faba", "flax"}
    assert (CROPS["soybean"].within, CROPS["lentil"].later, CROPS["pea"].later) == (2.0, "the 4th node", "the 3rd node")


def test_a_farm_sets_its_own_rules():
    """Its lentils close two days later with one safety day, and a crop not known here gets a clock."""
    own = with_own({"lentil": {"safety_days": 1}, "camelina": {"warmth": [[0.0, 100.0]], "later": "the 4th leaf"}})
    at = (0.0, 10.0)
    assert closes(0.0, own["lentil"], at) - closes(0.0, CROPS["lentil"], at) == pytest.approx(2 * DAY)
    assert crop_of("Camelina", own).later == "the 4th leaf" and crop_of("Camelina") is None


@pytest.mark.parametrize(
    "wrong",
    [
        {"camelina": {}}, {"pea": {"height": 3}}, {"pea": {"safety_days": -1}}, {"pea": {"within_days": True}},
        {"pea": {"warmth": []}}, {"pea": {"warmth": [[1]]}}, {"pea": {"warmth": "hot"}}, {"pea": 3},
    ],
)  # fmt: skip
def test_a_rule_that_cannot_be_is_refused_by_name(wrong):
    """The sentence names the crop, so that the office can set it right."""
    with pytest.raises(ValueError, match=next(iter(wrong))):
        with_own(wrong)


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
