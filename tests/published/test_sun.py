"""Sunset and the end of civil twilight against rows of the US Naval Observatory."""

from datetime import UTC, datetime, timedelta

import pytest

from cabapp.planning.sun import CIVIL_DUSK, SUNSET, evening

# Place, latitude, longitude, hours from UTC, local date, sunset, end of civil twilight as printed by
# the US Naval Observatory's service for one day; read where others quote it (named in each line).
BOTH = [
    # PyEphem's guide, "Rise-set times"
    ("Atlanta", 33.8, -84.4, -4, "2009-09-06", "19:56", "20:21"),
    # tests of Astro::Coords, riseset.t
    ("Mauna Kea", 19 + 49 / 60, -(155 + 29 / 60), -10, "2003-07-15", "19:04", "19:28"),
    # guide of usno-transit 0.1.1
    ("Birmingham", 33.53, -86.81, -6, "2013-11-17", "16:43", "17:10"),
    ("Birmingham", 33.53, -86.81, -6, "2013-11-21", "16:42", "17:08"),
    # a unit test that quotes the service
    ("Portland", 45.5, -122.7, -8, "2000-01-01", "16:37", "17:12"),
    # comments in two programs that ask the service
    ("Grand Canyon", 36.08695, -111.86464, -7, "2025-05-15", "19:27", "19:56"),
    ("Larchmont", 40.93, -73.76, -5, "2022-02-04", "17:16", "17:45"),
]

# Date, then time in UTC: rows of the Observatory in the tests of solarpositioning (K. Brunner),
# usno_reference_testdata.csv and usno_reference_testdata_civil.csv; west of Greenwich the evening
# falls on the day after in UTC.
ANCHORAGE, AUCKLAND, BRASILIA, SINGAPORE = (
    (61.216667, -149.866667), (-36.833333, 174.8), (-15.8, -47.85), (1.283333, 103.833333),
)  # fmt: skip
SUNSETS = [
    (ANCHORAGE, "2020-01-05", "00:57"), (ANCHORAGE, "2020-03-25", "04:27"),
    (ANCHORAGE, "2020-05-15", "06:41"), (ANCHORAGE, "2020-06-15", "07:40"),
    (ANCHORAGE, "2020-09-25", "03:51"), (ANCHORAGE, "2020-12-15", "00:40"),
    (AUCKLAND, "2020-01-15", "07:42"), (AUCKLAND, "2020-04-25", "05:42"),
    (AUCKLAND, "2020-07-15", "05:23"), (AUCKLAND, "2020-11-05", "06:58"),
    (BRASILIA, "2020-02-15", "21:44"), (BRASILIA, "2020-06-05", "20:47"),
    (BRASILIA, "2020-10-25", "21:13"), (SINGAPORE, "2020-02-05", "11:21"),
    (SINGAPORE, "2020-05-25", "11:07"), (SINGAPORE, "2020-11-05", "10:50"),
]  # fmt: skip
DUSKS = [
    (ANCHORAGE, "2020-01-05", "01:58"), (ANCHORAGE, "2020-03-25", "05:11"),
    (ANCHORAGE, "2020-05-15", "07:52"), (ANCHORAGE, "2020-06-05", "09:32"),
    (ANCHORAGE, "2020-07-15", "08:51"), (ANCHORAGE, "2020-12-15", "01:42"),
    (AUCKLAND, "2023-01-15", "08:12"), (AUCKLAND, "2023-04-25", "06:10"),
    (AUCKLAND, "2023-07-15", "05:51"), (AUCKLAND, "2023-11-05", "07:25"),
    (BRASILIA, "2023-02-15", "22:06"), (BRASILIA, "2023-06-05", "21:10"),
    (SINGAPORE, "2023-05-25", "11:29"), (SINGAPORE, "2023-11-05", "11:12"),
]  # fmt: skip
MINUTE = 60.0
ROUNDING = 30.0


def off(lat, lon, zenith, printed, hours=0):
    """Seconds between ours and the minute printed, which is rounded to the nearest."""
    t = (datetime.fromisoformat(printed).replace(tzinfo=UTC) - timedelta(hours=hours)).timestamp()
    return abs(evening(lat, lon, t, zenith) - t)


@pytest.mark.parametrize(("place", "lat", "lon", "hours", "day", "sunset", "dusk"), BOTH)
def test_sunset_and_dusk_of_one_day(place, lat, lon, hours, day, sunset, dusk):
    """Six places between 20 and 46 N: within a minute of both printed times."""
    assert off(lat, lon, SUNSET, f"{day} {sunset}", hours) <= MINUTE, place
    assert off(lat, lon, CIVIL_DUSK, f"{day} {dusk}", hours) <= MINUTE, place


@pytest.mark.parametrize(("place", "day", "printed"), SUNSETS)
def test_sunsets_of_a_year(place, day, printed):
    """Four more places, both hemispheres and 61 N, all seasons: within a minute."""
    assert off(*place, SUNSET, f"{day} {printed}") <= MINUTE


@pytest.mark.parametrize(("place", "day", "printed"), DUSKS)
def test_dusks_of_a_year(place, day, printed):
    """The end of civil twilight likewise, also where it lasts two hours."""
    assert off(*place, CIVIL_DUSK, f"{day} {printed}") <= MINUTE


def test_away_from_the_poles_nothing_but_the_rounding_is_left():
    """Below 50 degrees ours lie within the rounding of the minute and five seconds."""
    found = [off(*place, SUNSET, f"{d} {t}") for place, d, t in SUNSETS if place != ANCHORAGE]
    found += [off(*place, CIVIL_DUSK, f"{d} {t}") for place, d, t in DUSKS if place != ANCHORAGE]
    assert max(found) <= ROUNDING + 5.0


def test_no_dusk_where_the_observatory_prints_none():
    """Anchorage, 15 and 25 June 2020: twilight all night; 70 N 150 W, 21 June 2026: no sunset."""
    for day in ("2020-06-15", "2020-06-25"):
        noon = datetime.fromisoformat(f"{day} 22:00+00:00").timestamp()
        assert evening(*ANCHORAGE, noon, CIVIL_DUSK) is None
    noon = datetime.fromisoformat("2026-06-21 22:00+00:00").timestamp()
    assert evening(70.0, -150.0, noon) is None
