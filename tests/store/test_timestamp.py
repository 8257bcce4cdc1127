"""Times in bundles are those of RFC 3339."""

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store.facts.timestamp import has_zone, read_time, write_time


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("1985-04-12T23:20:50.52Z", 482_196_050.52),
        ("1996-12-19T16:39:57-08:00", 851_042_397),
        ("1996-12-20T00:39:57Z", 851_042_397),
        ("1937-01-01T12:00:27.87+00:20", -1_041_337_172.13),
        ("1990-12-31T23:59:60Z", 662_688_000),
        ("1990-12-31T15:59:60-08:00", 662_688_000),
    ],
)
def test_the_examples_of_the_standard(text, seconds):
    """Each example of RFC 3339 section 5.8 is read as the instant it names.

    POSIX counts no leap seconds, so 23:59:60 is the second that follows it.
    """
    assert read_time(text) == seconds


@pytest.mark.parametrize("text", ["1985-04-12t23:20:50.52z", "1985-04-12 23:20:50.52Z"])
def test_what_a_reader_may_accept(text):
    """Small letters, and a space instead of T, are read (RFC 3339 section 5.6)."""
    assert read_time(text) == 482_196_050.52


@pytest.mark.parametrize(
    "text",
    [
        "1985-04-12T23:20:50.52",
        "1985-04-12T24:00:00Z",
        "1985-02-29T00:00:00Z",
        "1900-02-29T00:00:00Z",
        "1985-04-12T23:20:50.Z",
        "1985-04-12T23:20:61Z",
        "1985-04-12T23:20:50+24:00",
        "9999-01-01T00:00:00Z",
        "٢٠٢٦-04-12T23:20:50Z",
        "",
    ],
)
def test_what_is_no_time_is_refused(text):
    """No zone, hour 24, a day that is not there (RFC 3339 app. C), odd digits: ValueError."""
    with pytest.raises(ValueError):
        read_time(text)


def test_the_year_2000_was_a_leap_year():
    """2000-02-29 is a day (RFC 3339 appendix C)."""
    assert read_time("2000-02-29T00:00:00Z") == 951_782_400


@given(st.integers(-7_999_999_999_999_999, 7_999_999_999_999_999))
def test_instants_come_back_exactly(micros):
    """Any instant to the microsecond comes back as the same float, as datetime reads it."""
    at = micros / 1_000_000
    assert read_time(write_time(at)) == at
    assert datetime.fromisoformat(write_time(at)).timestamp() == pytest.approx(at, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "same", "zoned"),
    [
        ("2019-05-05T19:09:57.2", "2019-05-05T19:09:57.200Z", False),
        (" 2019-05-05 19:09 ", "2019-05-05T19:09:00Z", False),
        ("2019-05-05T14:09:57,2-0500", "2019-05-05T19:09:57.200Z", True),
        ("2019-05-05T14:09-05", "2019-05-05T19:09:00Z", True),
        ("2019-05-05t19:09:57z", "2019-05-05T19:09:57Z", True),
    ],
)
def test_a_recording_may_leave_out_zone_and_seconds(text, same, zoned):
    """Without need of a zone a text without one is UTC; with need of one each loose form is refused."""
    assert read_time(text, zone_needed=False) == read_time(same) and has_zone(text) is zoned
    if not text.endswith("z"):
        with pytest.raises(ValueError):
            read_time(text)


@pytest.mark.parametrize(
    "text", ["2019-05-05", "19:09:57", "2019-05-05T25:00", "2019-05-05T19:09+25:00", "9999-01-01T00:00"]
)
def test_a_date_alone_or_no_time_is_refused_without_zone_too(text):
    """No time of day, hour or offset 25, a year beyond the limit: ValueError whatever is needed."""
    with pytest.raises(ValueError):
        read_time(text, zone_needed=False)
