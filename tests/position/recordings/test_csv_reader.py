"""CSV traces: a header that names time, lat and lon, and whatever else."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cabapp.position.recordings.trace_reader import read_trace
from store.errors import TraceRefused

ROWS = "2026-05-05T10:00:00Z,52.0,-106.0\n2026-05-05T10:00:01.250Z,52.1,-106.1\n"


@pytest.mark.parametrize(
    "content",
    [
        "time,lat,lon\n" + ROWS,
        b"\xef\xbb\xbf" + ("time,lat,lon\n" + ROWS).encode(),
        ("Time , LAT, lon\n" + ROWS).replace("\n", "\r\n"),
        ("time,lat,lon\n" + ROWS).replace(",", ";"),
        ("time,lat,lon\n" + ROWS).replace(",", "\t"),
        "\n\ntime,lat,lon\n\n" + ROWS + "\n\n",
        "time,lat,lon\n1777975200,52.0,-106.0\n1777975201.25,52.1,-106.1",
        'id,"lon","lat",width,"time"\n'
        '7,-106.0,52.0,13.2,"2026-05-05T05:00:00-05:00"\n8,-106.1,52.1,13.2,2026-05-05 10:00:01.25z\n',
    ],
    ids=["plain", "mark", "windows", "semicolon", "tab", "blank lines", "posix", "other columns"],
)
def test_one_table_in_many_clothes(reading, content):
    """Marks, line ends, separators, column order and ways of writing time change nothing."""
    trace = reading("a.csv", content)
    assert trace.t.tolist() == [1777975200.0, 1777975201.25]
    assert trace.lat.tolist() == [52.0, 52.1]
    assert trace.lon.tolist() == [-106.0, -106.1]
    assert trace.notes == []


def test_sigma_hdop_and_quality_are_read_when_there(reading):
    """The receiver's own opinion of a fix is kept; a missing one stays missing."""
    text = "time,lat,lon,sigma,hdop,quality\n1,52,-106,0.02,0.9,4\n2,52,-106,,,\n"
    trace = reading("a.csv", text)
    assert (trace.sigma[0], trace.hdop[0], trace.quality[0]) == (0.02, 0.9, 4)
    assert np.isnan(trace.sigma[1]) and np.isnan(trace.hdop[1]) and trace.quality[1] == -1


def test_a_row_without_place_is_no_position(reading):
    """Empty lat and lon, 0, 0 and quality 0 keep the time and give no position."""
    text = "time,lat,lon,quality\n1,52,-106,1\n2,,,\n3,0,0,\n4,52,-106,0\n"
    trace = reading("a.csv", text)
    assert np.isnan(trace.lat).tolist() == [False, True, True, True]
    assert [fix.has_position for fix in trace.fixes()] == [True, False, False, False]


def test_junk_rows_are_left_out_and_counted(reading):
    """A row that is no row, a place off the globe and milliseconds are not believed."""
    text = "time,lat,lon\n1,52,-106\njunk\n2,fifty,-106\n3,92,-106\n1777975200000,52,-106\n,52,-106\n"
    trace = reading("a.csv", text)
    assert trace.t.tolist() == [1.0]
    assert trace.dropped == 5
    assert list(map(str, trace.notes)) == [
        "1 rows without a time were left out.",
        "4 rows that could not be read were left out.",
    ]


def test_a_time_without_zone_is_taken_as_utc_and_said(reading):
    """A written time without a zone is a guess, so the note says which."""
    trace = reading("a.csv", "time,lat,lon\n2026-05-05T10:00:00,52,-106\n")
    assert trace.t.tolist() == [1777975200.0]
    assert list(map(str, trace.notes)) == ["1 times carry no zone and were taken as UTC."]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("time,lat,lon\n", "no rows"),
        ("time,lat,lon\n,52,-106\n", "none has a time"),
        ("time,lat,lon\nyesterday,52,-106\n", "no row that can be read"),
        ("time,lat,lon\n2026-05-05,52,-106\n", "no row that can be read"),
        ("time,lat,lon\n1,,\n", "holds no position"),
        ("time,latitude,longitude\n1,52,-106\n", "neither GPX, nor CSV"),
        ("time,lat,lon\n1,2,3\n".encode("utf-16"), "UTF-16"),
    ],
)
def test_a_useless_table_is_refused_in_words(reading, content, words):
    """Each way of being useless has a sentence with the file's name in it."""
    with pytest.raises(TraceRefused, match=words) as refusal:
        reading("wrong.csv", content)
    assert "wrong.csv" in str(refusal.value)


def test_an_endless_line_is_passed_over_in_little_memory(written):
    """A line of 30 MB is skipped without being loaded; the rows round it are read."""
    path = written("a.csv", b"time,lat,lon\n1,52,-106\n" + b"x" * 30_000_000 + b"\n2,52,-106\n")
    tracemalloc.start()
    trace = read_trace(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert trace.t.tolist() == [1.0, 2.0]
    assert peak < 3_000_000


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.tuples(st.floats(0, 4e9), st.floats(-90, 90), st.floats(-180, 180)), min_size=1))
def test_what_is_written_is_read_back(written, rows):
    """Any times and places on the globe come back exactly, in order of time."""
    text = "time,lat,lon\n" + "".join(f"{t!r},{lat!r},{lon!r}\n" for t, lat, lon in rows)
    expected = [
        (t, lat, lon) if (lat, lon) != (0, 0) else (t, None, None)
        for t, lat, lon in sorted(rows, key=lambda row: row[0])
    ]
    if all(lat is None for _, lat, _ in expected):
        with pytest.raises(TraceRefused):
            read_trace(written("a.csv", text))
        return
    fixes = read_trace(written("a.csv", text)).fixes()
    assert [(fix.t, fix.lat, fix.lon) for fix in fixes] == expected
