"""Units against their definitions: NIST SP 811, the 1959 yard agreement, land survey."""

import pytest

from cabapp.common.units import ACRE, FOOT, GALLON, HECTARE, KMH, MILE, MPH, Units


@pytest.mark.parametrize(
    ("ours", "exact"),
    [
        (FOOT, 0.3048),
        (MILE, 1609.344),
        (ACRE, 4046.8564224),
        (HECTARE / ACRE, 2.47105381467),
        (MPH, 0.44704),
        (KMH, 1 / 3.6),
        (GALLON, 3.785411784),
        (GALLON / ACRE * HECTARE, 9.353956229),
        (MPH / KMH, 1.609344),
        (ACRE / HECTARE, 0.40468564224),
    ],
)
def test_factors(ours, exact):
    """Foot, mile, acre, hectare, mph, gallon and gal/ac are the exact ones (NIST SP 811)."""
    assert ours == pytest.approx(exact, rel=1e-10)


@pytest.mark.parametrize(
    ("miles", "acres", "hectares"), [(1, 640, 258.9988110336), (0.5, 160, 64.749703), (0.25, 40, None)]
)
def test_a_section_and_its_parts(miles, acres, hectares):
    """A section is 640 ac, a quarter 160, a quarter-quarter 40 (US General Land Office, 1881)."""
    m2 = (miles * MILE) ** 2
    assert Units("us").area_value(m2) == pytest.approx(acres, rel=1e-12)
    assert Units("us").area(m2) == f"{acres} ac"
    if hectares:
        assert Units("metric").area_value(m2) == pytest.approx(hectares, rel=1e-8)


def test_an_international_acre_is_not_a_survey_acre():
    """The survey acre, 4046.872 610 m2, is 4 parts in a million more; ours is the international."""
    assert pytest.approx(4e-6, rel=0.01) == 4046.87260987 / ACRE - 1


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("kind", ["area", "speed", "length", "volume", "distance", "area_rate", "volume_per_area"])
def test_what_is_not_known_is_never_a_zero(system, kind):
    """None and NaN are said as a dash and have no value."""
    units = Units(system)
    for missing in (None, float("nan")):
        assert getattr(units, kind)(missing) == "–"
        assert getattr(units, f"{kind}_value")(missing) is None


def test_words_round_where_a_reader_expects():
    """Small areas keep a decimal, near distances are feet, and no zero carries a minus."""
    us, metric = Units("us"), Units("metric")
    assert [us.area(n * ACRE) for n in (0, 0.04, 9.94, 9.96, 160)] == [
        "0.0 ac", "0.0 ac", "9.9 ac", "10 ac", "160 ac",
    ]  # fmt: skip
    assert us.length(-0.001) == "0 ft"
    assert us.distance(30 * FOOT) == "30 ft"
    assert us.distance(0.5 * MILE) == "0.5 mi"
    assert metric.distance(12_400) == "12 km"


def test_other_systems_are_refused():
    """Only the two systems exist."""
    with pytest.raises(ValueError):
        Units("imperial")
