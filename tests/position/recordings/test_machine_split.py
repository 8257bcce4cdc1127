"""Several machines, and the same one twice, in one file: told apart by where they are at the same time."""

from datetime import UTC, datetime

import gpxpy.gpx
import numpy as np
import pytest
from lxml import etree

from cabapp.geometry.plane import Plane
from cabapp.position.recordings.gpx_reader import WORK_SPACE
from cabapp.position.recordings.machine_split import repeated

PLANE = Plane(52.0, -106.0)
T0 = 1777975200.0


def drive(north=0.0, begin=0.0, n=300, step=2.5, phase=0.0):
    """Rows (t, lat, lon) of a straight drive at a distance north of the plane's middle, one fix a second."""
    s = np.arange(n)
    lat, lon = PLANE.to_latlon(np.column_stack([s * step, np.full(n, north)]))
    return np.column_stack([T0 + begin + s + phase, lat.round(7), lon.round(7)])


def csv(rows, names=None):
    lines = [f"{t:.2f},{lat:.7f},{lon:.7f}" for t, lat, lon in rows]
    if names is None:
        return "time,lat,lon\n" + "\n".join(lines)
    return "machine,time,lat,lon\n" + "\n".join(f"{name},{line}" for name, line in zip(names, lines, strict=True))


def gpx_of(*segments):
    """GPX by the general library, a trkseg for each of the rows given."""
    made = gpxpy.gpx.GPX()
    made.tracks.append(gpxpy.gpx.GPXTrack())
    for rows in segments:
        points = [gpxpy.gpx.GPXTrackPoint(lat, lon, time=datetime.fromtimestamp(t, UTC)) for t, lat, lon in rows]
        made.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment(points))
    return made.to_xml()


def rows_of(recording):
    return [np.column_stack([one.t, one.lat, one.lon]).tolist() for one in recording.tracks]


A, B = drive(), drive(north=60.0)
MIXED = np.array([row for pair in zip(A, B, strict=True) for row in pair])
OFFSET = np.array([row for pair in zip(A, drive(north=120.0, phase=0.5), strict=True) for row in pair])


@pytest.mark.parametrize(
    "name, content, twice",
    [
        ("appended.csv", csv([*A, *A]), 300),
        ("appended in part.csv", csv([*A, *A[100:200]]), 100),
        ("twice.gpx", gpx_of(A, A), 300),
        ("rounded.gpx", gpx_of(A, A.round(6)), 300),
        ("two names.csv", csv([*A, *A], ["red"] * 300 + ["green"] * 300), 300),
    ],
)
def test_what_stands_twice_counts_once(reading, name, content, twice):
    """A file appended to itself and a track twice in one file are one track, and the note says so."""
    recording = reading(name, content)
    assert rows_of(recording) == [A.tolist()]
    assert f"{twice} fixes stand twice in it and were counted once." in map(str, recording.notes)


@pytest.mark.parametrize(
    "name, content",
    [
        ("segments.gpx", gpx_of(A, B)),
        ("many segments.gpx", gpx_of(A[:100], B[:150], A[100:], B[150:])),
        ("after each other.csv", csv([*A, *B])),
        ("by turns.csv", csv(MIXED)),
        ("shuffled.csv", csv(np.random.default_rng(1).permutation(MIXED))),
        ("named.csv", csv(MIXED, ["red", "green"] * 300)),
    ],
)
def test_two_machines_are_two_tracks(reading, name, content):
    """Machines 60 m apart at the same time are told apart, with a column that names them or without."""
    recording = reading(name, content)
    assert sorted(rows_of(recording)) == sorted([A.tolist(), B.tolist()])
    assert "It holds 2 machines, apart at the same time; each counts by itself." in map(str, recording.notes)


def test_two_machines_by_turns_at_other_times(reading):
    """Fixes of two machines that come half a second apart are followed by their courses."""
    first, second = rows_of(reading("a.csv", csv(OFFSET)))
    assert (first, second) == (A.tolist(), drive(north=120.0, phase=0.5).tolist())


def test_a_shuffled_file_is_put_in_order(reading):
    """Lines in any order are one unbroken track, and the note says so."""
    recording = reading("a.csv", csv(np.random.default_rng(2).permutation(A)))
    assert rows_of(recording) == [A.tolist()]
    assert recording.main.starts.tolist() == [0]
    assert list(map(str, recording.notes)) == ["Fixes that stood out of order of time were put in order."]


def test_numbers_of_rows_are_no_machines(reading):
    """A column `id` with another value in every row names no machine."""
    rows = csv(A, [str(n) for n in range(len(A))]).replace("machine", "id")
    assert rows_of(reading("a.csv", rows)) == [A.tolist()]


def test_noise_is_no_second_machine(reading):
    """Standing with 3 m of white noise, 20 fixes a second, and a drive of 30 m/s at 2 s are one machine each."""
    rng = np.random.default_rng(3)
    lat, lon = PLANE.to_latlon(rng.normal(0, 3.0, (2000, 2)))
    assert len(reading("a.csv", csv(np.column_stack([T0 + np.arange(2000) / 20, lat, lon]))).tracks) == 1
    fast = drive(step=60.0)
    fast[:, 0] = T0 + 2.0 * np.arange(len(fast))
    assert len(reading("b.csv", csv(fast)).tracks) == 1


def test_one_machine_recorded_by_two_receivers(reading):
    """A second receiver 2 m beside the first adds only the time the first one was off."""
    other = drive(north=2.0, begin=-50.0, n=400)
    lat, lon = PLANE.to_latlon(np.column_stack([(np.arange(400) - 50) * 2.5, np.full(400, 2.0)]))
    other[:, 1], other[:, 2] = lat, lon
    [rows] = rows_of(reading("a.csv", csv([*A, *other])))
    assert len(rows) == 400 and np.diff([row[0] for row in rows]).max() <= 2.0


def test_equal_times_are_kept_in_their_order(reading):
    """A leap second (:60) is the second after it; the fix of that time again is kept beside it for the filter to judge."""
    text = "time,lat,lon\n" + "".join(
        f"2016-12-31T23:59:{s}Z,52,{-106 + n * 3e-5:.6f}\n" for n, s in enumerate((58, 59, 60))
    )
    text += "2017-01-01T00:00:00Z,52,-105.99991\n2017-01-01T00:00:01Z,52,-105.99988\n"
    [track] = reading("a.csv", text).tracks
    assert np.diff(track.t).tolist() == [1.0, 1.0, 0.0, 1.0]


def test_midnight_without_a_date(reading, sentence):
    """GGA alone over midnight goes on into the next day of 1970, once; given twice in the file, once."""
    times = [f"2359{s:02d}" for s in range(30, 60)] + [f"0000{s:02d}" for s in range(30)]
    body = "".join(
        sentence(f"GPGGA,{when},52{n / 1000:06.3f},N,10600.000,W,1,08,0.9,500.0,M,-20.0,M,,")
        for n, when in enumerate(times)
    )
    recording = reading("a.nmea", body)
    [track] = recording.tracks
    assert not recording.dated
    assert track.t.tolist() == list(np.arange(86370.0, 86430.0))
    assert len(reading("b.nmea", body + body).main) in (60, 120)


def test_work_of_the_tool_in_a_gpx_of_the_general_library(reading):
    """What gpxpy writes in our namespace is read into the columns; another's namespace is passed over."""
    made = gpxpy.gpx.GPX()
    made.nsmap |= {"w": WORK_SPACE, "x": "urn:other"}
    points = []
    for n, (t, lat, lon) in enumerate(A[:3]):
        one = gpxpy.gpx.GPXTrackPoint(lat, lon, time=datetime.fromtimestamp(t, UTC))
        told = {"working": n > 0, "width": 12.5, "s1": n > 1, "s2": 1} if n else {"working": 0}
        for name, value in told.items():
            element = etree.Element(f"{{{WORK_SPACE}}}{name}")
            element.text = str(float(value))
            one.extensions.append(element)
        foreign = etree.Element("{urn:other}working")
        foreign.text = "1"
        points.append(one)
        one.extensions.append(foreign)
    made.tracks.append(gpxpy.gpx.GPXTrack())
    made.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment(points))
    [track] = reading("a.gpx", made.to_xml()).tracks
    assert track.working.tolist() == [False, True, True]
    assert np.isnan(track.width[0]) and track.width[1:].tolist() == [12.5, 12.5]
    assert track.sections.tolist() == [[False, False], [False, True], [True, True]]


def test_a_second_track_is_compared_at_the_same_times():
    """The same track again is there already, one 60 m off is not, and one of the next day is new."""
    columns = A.T
    assert repeated(*columns, *columns).all()
    assert repeated(*columns, *B.T) is None
    assert not repeated(*columns, A[:, 0] + 86400.0, A[:, 1], A[:, 2]).any()
    late = A.copy()
    late[:, 0] += 200.0
    late[:, 1:] = drive(begin=200, n=300)[:, 1:]
    assert repeated(*columns, *late.T) is None  # elsewhere at the same time
