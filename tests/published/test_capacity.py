"""Field capacity against the printed examples of extension handbooks."""

import pytest

from cabapp.common.units import ACRE, FOOT, GALLON, HECTARE, KMH, MILE, MPH, Units
from cabapp.planning.capacity import field_capacity, mean_speed

PM696 = "Iowa State University PM 696, April 2001"
A3_24 = "Iowa State University AgDM A3-24, table 1"
PF = "Progressive Forage, article on efficiency and capacity"
# ft, mph, efficiency, printed ac/h, source. 30-inch knife spacing gives the NH3 widths.
EXAMPLES = [
    (40, 6, 0.70, 20.4, f"{PM696}; {A3_24}"),
    (50, 6, 0.70, 25.5, PM696),
    (60, 6, 0.68, 29.7, A3_24),
    (60, 12, 0.68, 59.3, A3_24),
    (80, 6, 0.68, 39.6, A3_24),
    (80, 12, 0.68, 79.1, A3_24),
    (10, 5, 0.63, 3.8, PM696),
    (15, 5, 0.63, 5.7, f"{PM696}; {A3_24}"),
    (15, 6, 0.63, 6.9, PM696),
    (20, 6, 0.63, 9.2, f"{PM696}; {A3_24}"),
    (30, 6, 0.60, 13.1, f"{PM696}; {A3_24}"),
    (36, 5, 0.60, 13.1, A3_24),
    (45, 5, 0.60, 16.4, A3_24),
    (22.5, 5, 0.65, 8.9, PM696),
    (32.5, 5, 0.65, 12.8, PM696),
    (42.5, 5, 0.63, 16.2, PM696),
    (37.5, 6, 0.65, 17.7, A3_24),
    (42.5, 6, 0.63, 19.5, A3_24),
    (57.5, 5, 0.63, 22.0, A3_24),
    (8, 5, 0.85, 4.1, A3_24),
    (32 / 3, 5, 0.85, 5.5, PM696),
    (12, 5, 0.85, 6.2, f"{PM696}; {A3_24}"),
    (15, 5, 0.83, 7.5, PM696),
    (18, 5, 0.83, 9.1, PM696),
    (11.25, 5.5, 0.85, 6.4, PM696),
    (13.75, 5.5, 0.85, 7.8, PM696),
    (16.25, 5.5, 0.83, 9.0, PM696),
    (30, 5, 1.00, 18.2, PF),
    (30, 5, 0.80, 14.5, PF),
    (30, 5, 0.60, 10.9, PF),
]


@pytest.mark.parametrize(("feet", "mph", "efficiency", "printed", "source"), EXAMPLES)
def test_the_printed_examples(feet, mph, efficiency, printed, source):
    """Thirty printed capacities come out within their own rounding (0.06 ac/h)."""
    capacity = field_capacity(mph * MPH, feet * FOOT, efficiency)
    assert Units("us").area_rate_value(capacity) == pytest.approx(printed, abs=0.06), source


def test_the_constant_is_eight_and_a_quarter():
    """One foot at one mph is 1/8.25 ac/h (43 560 / 5 280), not 1/8250 as one web page prints."""
    assert pytest.approx(8.25, rel=1e-12) == ACRE / (FOOT * MILE)
    assert Units("us").area_rate_value(field_capacity(MPH, FOOT)) == pytest.approx(1 / 8.25)


def test_a_ten_hour_day_of_planting():
    """5 km/h, 2 m, 17 % lost: 8.3 ha in ten hours (South African Guide to Machinery Costs, 2015/16)."""
    assert field_capacity(5 * KMH, 2.0, 0.83) * 36000 / HECTARE == pytest.approx(8.3)


@pytest.mark.parametrize(("kmh", "metres", "efficiency", "hectares"), [(5, 2.5, 0.85, 1.0625), (6, 3.0, 0.80, 1.44)])
def test_metric_examples_read_at_second_hand(kmh, metres, efficiency, hectares):
    """C = S W E / 10 in km/h, m and ha/h (a web calculator's examples; they recompute)."""
    capacity = field_capacity(kmh * KMH, metres, efficiency)
    assert Units("metric").area_rate_value(capacity) == pytest.approx(hectares)


def test_speed_between_stakes():
    """88 ft in 12 s is 5 mph, and 88 ft a minute 1 mph (Iowa State University AgDM A3-24)."""
    assert mean_speed(88 * FOOT, 12) == pytest.approx(5 * MPH)
    assert mean_speed(88 * FOOT, 60) == pytest.approx(MPH)


def test_fuel_for_an_area_in_both_units():
    """0.30 gal/ac is 2.81 L/ha (Missouri Extension G1208, spike harrow; L/ha by exact factors)."""
    spike_harrow = 0.30 * GALLON / ACRE
    assert Units("us").volume_per_area(spike_harrow) == "0.30 gal/ac"
    assert Units("metric").volume_per_area_value(spike_harrow) == pytest.approx(2.81, abs=0.005)
