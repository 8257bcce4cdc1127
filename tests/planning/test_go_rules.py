"""What stops the work, and what the farm may set for itself."""

import pytest

from cabapp.common.units import KMH, MPH
from cabapp.planning.go_rules import ANSWERS, HEAT, WIND, GoRules, own_rules, stops


def test_without_a_bad_sign_nothing_stops_the_work():
    """Dry, calm and cool, or nothing known at all: go."""
    assert stops(GoRules(), {}) == ()
    assert stops(GoRules(), dict.fromkeys(ANSWERS, False), wind=2.0, air=15.0, up=True) == ()


def test_each_bad_sign_alone_stops_the_work():
    """Every answer, wind and heat by itself is named."""
    for one in ANSWERS:
        assert stops(GoRules(), {one: True}) == (one,)
    assert stops(GoRules(), {}, wind=WIND) == ("wind",)
    assert stops(GoRules(), {}, air=HEAT, up=True) == ("heat",)


def test_limits_are_those_of_the_sources():
    """15 mph and 25 km/h of wind stop (printed beside one another), 14 mph do not; air from 25 deg C
    stops on a crop that is up and never on bare ground."""
    assert stops(GoRules(), {}, wind=15 * MPH) and stops(GoRules(), {}, wind=25 * KMH)
    assert not stops(GoRules(), {}, wind=14 * MPH)
    assert not stops(GoRules(), {}, air=24.9, up=True) and not stops(GoRules(), {}, air=40.0, up=False)


def test_a_farm_with_light_soil_stops_at_six_miles_an_hour():
    """Nebraska G1537: from 6 mph on bare, smooth, dry ground that blows easily; the rest stays."""
    own = own_rules({"wind_m_s": 6 * MPH})
    assert stops(own, {"mud": True}, wind=6 * MPH) == ("mud", "wind")
    assert not stops(own, {}, wind=5.9 * MPH)


def test_what_a_farm_ignores_does_not_stop_it():
    """No limit of wind or heat, and wet ground taken on: only the rest is named."""
    own = own_rules({"wind_m_s": None, "air_c": None, "ignore": ["wet", "blowing"]})
    signs = dict.fromkeys(ANSWERS, True)
    assert stops(own, signs, wind=30.0, air=45.0, up=True) == ("shoots", "mud")


@pytest.mark.parametrize(
    "wrong",
    [{"rain": 1}, {"ignore": ["rain"]}, {"ignore": "wet"}, {"wind_m_s": "15"}, {"wind_m_s": True}, {"air_c": 500}],
)
def test_a_rule_that_cannot_be_is_refused_by_name(wrong):
    """The sentence names what is wrong."""
    with pytest.raises(ValueError, match="ignored" if "ignore" in wrong else next(iter(wrong))):
        own_rules(wrong)
