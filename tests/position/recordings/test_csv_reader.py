"""CSV traces: a header that names time, lat and lon, and whatever else."""

import tracemalloc

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cabapp.position.recordings.trace_reader import read_recording
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
    assert trace.tracks[0].t.tolist() == [1777975200.0, 1777975201.25]
    assert trace.tracks[0].lat.tolist() == [52.0, 52.1]
    assert trace.tracks[0].lon.tolist() == [-106.0, -106.1]
    assert trace.notes == []


@pytest.mark.parametrize(
    "content",
    [
        "Latitude [deg];Longitude [deg];Timestamp\n52,0;-106,0;2026-05-05T10:00:00Z\n52,1;-106,1;1777975201,25\n",
        "timestamp,latitude,lng\n1777975200000,52.0,-106.0\n1777975201250,52.1,-106.1\n",
        "FID,X,Y,Date,Time,Height\n1,-106,52,2026-05-05,10:00:00Z,5\n2,-106.1,52.1,2026-05-05,10:00:01.25Z,5\n",
        "Date;Time;GPS Latitude;GPS Longitude\n05.05.2026;10:00:00Z;52,0;-106,0\n05.05.2026;10:00:01,25Z;52,1;-106,1\n",
        "speed|utc|lon|lat\n3|2026/05/05 10:00:00Z|-106.0|52.0\n3|2026/05/05 10:00:01.25Z|-106.1|52.1\n",
        "Date and time,Lat,Long\n5/5/2026 10:00:00 AM Z,52,-106\n5/5/2026 10:00:01.25 AM Z,52.1,-106.1\n",
    ],
    ids=["decimal comma", "milliseconds", "X and Y", "date and time, comma", "bars", "twelve hours"],
)
def test_the_names_people_use_are_known(reading, content):
    """Headers of spreadsheets and loggers: other names, order, units, decimal commas, dates apart, milliseconds."""
    recording = reading("a.csv", content)
    [track] = recording.tracks
    assert track.t.tolist() == [1777975200.0, 1777975201.25]
    assert (track.lat.tolist(), track.lon.tolist()) == ([52.0, 52.1], [-106.0, -106.1])
    assert recording.notes == []


def test_a_day_first_is_known_from_another_row(reading):
    """05/06 is the fifth of June where another row of the file has 25/06."""
    text = "time,lat,lon\n05/06/2026 10:00:00Z,52,-106\n25/06/2026 10:00:00Z,52,-106\n"
    assert np.diff(reading("a.csv", text).tracks[0].t).tolist() == [20 * 86400.0]
    text = "time,lat,lon\n06/05/2026 2:00:00 PM Z,52,-106\n06/25/2026 2:00:00 PM Z,52,-106\n"
    assert np.diff(reading("a.csv", text).tracks[0].t).tolist() == [20 * 86400.0]


def test_what_the_tool_did_is_read(reading):
    """Columns working, width and s1 to s3: an empty cell leaves what was stated before."""
    text = (
        "time,lat,lon,working,width,s1,s2,s3\n1,52,-106,,,,,\n2,52.1,-106,1,12,1,1,0\n3,52.2,-106,,,,,1\n"
        "4,52.3,-106,off,6.5,no,yes,1\n"
    )
    [track] = reading("a.csv", text).tracks
    assert track.working.tolist() == [False, True, True, False]
    assert np.isnan(track.width[0]) and track.width[1:].tolist() == [12, 12, 6.5]
    assert track.sections.astype(int).tolist() == [[0, 0, 0], [1, 1, 0], [1, 1, 1], [0, 1, 1]]
    [plain] = reading("b.csv", "time,lat,lon\n1,52,-106\n").tracks
    assert plain.working is plain.width is plain.sections is None


def test_an_accuracy_is_a_radius(reading):
    """Android's accuracy holds 68 % of fixes: 1.51 times the deviation of an axis (Rayleigh)."""
    sigma = reading("a.csv", "time,lat,lon,accuracy\n1,52,-106,3.02\n").tracks[0].sigma
    assert sigma[0] == pytest.approx(2.0)


def test_sigma_hdop_and_quality_are_read_when_there(reading):
    """The receiver's own opinion of a fix is kept; a missing one stays missing."""
    text = "time,lat,lon,sigma,hdop,quality\n1,52,-106,0.02,0.9,4\n2,52,-106,,,\n"
    trace = reading("a.csv", text)
    assert (trace.tracks[0].sigma[0], trace.tracks[0].hdop[0], trace.tracks[0].quality[0]) == (0.02, 0.9, 4)
    assert np.isnan(trace.tracks[0].sigma[1]) and np.isnan(trace.tracks[0].hdop[1]) and trace.tracks[0].quality[1] == -1


def test_a_row_without_place_is_no_position(reading):
    """Empty lat and lon, 0, 0 and quality 0 keep the time and give no position."""
    text = "time,lat,lon,quality\n1,52,-106,1\n2,,,\n3,0,0,\n4,52,-106,0\n"
    trace = reading("a.csv", text)
    assert np.isnan(trace.tracks[0].lat).tolist() == [False, True, True, True]
    assert [fix.has_position for fix in trace.main.fixes()] == [True, False, False, False]


def test_junk_rows_are_left_out_and_counted(reading):
    """A row that is no row, a place off the globe and nanoseconds are not used."""
    text = "time,lat,lon\n1,52,-106\njunk\n2,fifty,-106\n3,92,-106\n1777975200000000000,52,-106\n,52,-106\n"
    trace = reading("a.csv", text)
    assert trace.tracks[0].t.tolist() == [1.0]
    assert trace.dropped == 5
    assert list(map(str, trace.notes)) == [
        "1 row without a time was left out.",
        "4 rows that could not be read were left out.",
        "It carries no date: its times are seconds from somewhere, and are counted from 1970-01-01.",
    ]


def test_a_time_without_zone_is_taken_as_utc_and_said(reading):
    """A written time without a zone is a guess, so the note says which."""
    trace = reading("a.csv", "time,lat,lon\n2026-05-05T10:00:00,52,-106\n")
    assert trace.tracks[0].t.tolist() == [1777975200.0]
    assert list(map(str, trace.notes)) == ["1 time carries no zone and was taken as UTC."]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("time,lat,lon\n", "no rows"),
        ("time,lat,lon\n,52,-106\n", "none has a time"),
        ("time,lat,lon\nyesterday,52,-106\n", "no row that can be read"),
        ("time,lat,lon\n2026-05-05,52,-106\n", "no row that can be read"),
        ("time,lat,lon\n1,,\n", "holds no position"),
        ("time,latitude,height\n1,52,606\n", "header without lon. It names: time, latitude, height. A trace needs"),
        ("when,X,Y\n1,512345,5512345\n", "in metres or in another grid"),
        ("Date,lat,lon\n05/06/2026 10:00:00,52,-106\n", "dates like '05/06/2026 10:00:00'"),
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
    trace = read_recording(path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert trace.tracks[0].t.tolist() == [1.0, 2.0]
    assert peak < 3_000_000


@pytest.mark.parametrize(
    "header, row, encoding",
    [
        ("local time,lat,lon", "2026-05-05 10:00:00,52.5,-106.25", "utf-8"),
        ("Zeitstempel;Breite;L\u00e4nge", "2026-05-05T10:00:00Z;52,5;-106,25", "cp1252"),
        ("Zeitstempel;Breite;L\u00e4nge", "2026-05-05T10:00:00Z;52,5;-106,25", "utf-8"),
        ("timestamp,latitudeE7,longitudeE7", "2026-05-05T10:00:00Z,525000000,-1062500000", "utf-8"),
    ],
)
def test_headers_and_letters_that_people_have(written, header, row, encoding):
    """One meaning only, whatever the letters: the same time and place."""
    [fix] = read_recording(written("a.csv", f"{header}\n{row}\n".encode(encoding))).main.fixes()
    assert (fix.t, fix.lat, fix.lon) == (1777975200.0, pytest.approx(52.5), pytest.approx(-106.25))


@pytest.mark.parametrize(
    "times, dated",
    [
        ("0 1", False),
        ("0.0 1.5", False),
        ("1777975200 1777975201", True),
        ("1970-01-01T00:00:00Z 1970-01-01T00:00:01Z", True),
    ],
)
def test_seconds_from_anywhere_are_no_date(written, times, dated):
    """Numbers before GPS time began (1980-01-06, IS-GPS-200) say how long it took, and not which day it was."""
    found = read_recording(written("a.csv", "time,lat,lon\n" + "".join(f"{t},52,-106\n" for t in times.split())))
    assert found.dated == dated and any("no date" in str(note) for note in found.notes) != dated


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    # at one time there is one place: two receivers of one machine would count once
    rows=st.lists(
        st.tuples(st.integers(0, 10**7).map(lambda n: n * 401.7), st.floats(-90, 90), st.floats(-180, 180)),
        min_size=1, unique_by=lambda row: row[0],
    )
)  # fmt: skip
def test_what_is_written_is_read_back(written, rows):
    """Any times and places on the globe come back exactly, in order of time."""
    text = "time,lat,lon\n" + "".join(f"{t!r},{lat!r},{lon!r}\n" for t, lat, lon in rows)
    expected = {(t, lat, lon) if (lat, lon) != (0, 0) else (t, None, None) for t, lat, lon in rows}
    if all(lat is None for _, lat, _ in expected):
        with pytest.raises(TraceRefused):
            read_recording(written("a.csv", text))
        return
    tracks = read_recording(written("a.csv", text)).tracks
    found = [(fix.t, fix.lat, fix.lon) for track in tracks for fix in track.fixes()]
    assert len(found) == len(set(found)) and set(found) <= expected
    assert {one for one in expected if one[1] is not None} <= set(found)
    assert all(track.t.tolist() == sorted(track.t) for track in tracks)
