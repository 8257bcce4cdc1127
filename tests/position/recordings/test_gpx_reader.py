"""GPX of any writer is read, or refused with a sentence."""

from datetime import UTC, datetime

import gpxpy
import gpxpy.gpx
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cabapp.position.recordings import recording as recording_module
from cabapp.position.recordings.gpx_reader import WORK_SPACE
from cabapp.position.recordings.recording import Recording
from cabapp.position.recordings.trace_reader import read_recording
from store.errors import TraceRefused


def test_time_place_and_hdop_are_read(reading, gpx, point):
    """Latitude, longitude, time, HDOP and fix of a point arrive as written."""
    trace = reading("a.gpx", gpx(point(3, 52.5, -106.25, "<fix>dgps</fix><hdop>0.9</hdop>")))
    assert (trace.tracks[0].lat[0], trace.tracks[0].lon[0], trace.tracks[0].hdop[0], trace.tracks[0].quality[0]) == (
        52.5,
        -106.25,
        0.9,
        2,
    )
    assert trace.tracks[0].t[0] == 1777975203.0
    assert trace.notes == []


def test_the_moment_of_a_switch_is_no_fix_and_another_writers_is(reading, gpx, point):
    """A point marked as a switch by our namespace only says when what worked changed; error and quality are read too."""
    for space, ours in ((WORK_SPACE, True), ("urn:other", False)):
        said = f"<extensions xmlns:w='{space}'><w:{{0}}>{{1}}</w:{{0}}>{{2}}</extensions>"
        between = said.format("switch", 1, "<w:working>1</w:working>")
        stated = said.format("sigma", "0.02", "<w:quality>4</w:quality>")
        [track] = reading("a.gpx", gpx(point(0) + point(1, more=between) + point(2, more=stated))).tracks
        assert track.working.tolist() == [False, True, True]
        fixes = track.received().fixes()
        assert [fix.lat is not None for fix in fixes] == [True] * (2 if ours else 3)
        assert (fixes[-1].sigma, fixes[-1].quality) == ((0.02, 4) if ours else (None, None))


def test_a_new_segment_is_a_break(reading, gpx, point):
    """Every trkseg starts a span of its own, for GPX says reception was lost between them."""
    trace = reading("a.gpx", gpx(point(0) + point(1), "", point(2) + point(3)))
    assert trace.tracks[0].starts.tolist() == [0, 2]


def test_extensions_are_passed_over(reading, gpx, point):
    """A time, hdop or trkpt inside extensions is somebody else's and changes nothing."""
    more = (
        "<extensions><x:hr xmlns:x='urn:x'>74</x:hr><time>1999-01-01T00:00:00Z</time>"
        "<x:trkpt lat='1' lon='1'><time>1999-01-01T00:00:00Z</time></x:trkpt></extensions>"
    )
    trace = reading("a.gpx", gpx(point(0, more=more) + point(1)))
    assert trace.tracks[0].t.tolist() == [1777975200.0, 1777975201.0]
    assert trace.tracks[0].lat.tolist() == [52.0, 52.0]


@pytest.mark.parametrize(
    "stated, working, width, sections, notes",
    [
        ("<w:working>1</w:working><w:width>6</w:width>", True, 6.0, None, 0),
        ("<working>1</working><width>6</width>", True, 6.0, None, 1),
        ("<x:working>no</x:working><x:width>6</x:width>", False, 6.0, None, 1),
        ("<x:Point><x:working>1</x:working><x:s1>1</x:s1><x:s2>0</x:s2></x:Point>", True, None, [True, False], 1),
        ("<w:working>0</w:working><x:working>1</x:working>", False, None, None, 0),
        ("<x:working>1</x:working><w:working>0</w:working>", False, None, None, 0),
        ("<x:working>perhaps</x:working>", None, None, None, 1),
        ("<x:hr>74</x:hr>", None, None, None, 0),
    ],
)
def test_what_the_tool_did_is_read_from_any_namespace(reading, gpx, point, stated, working, width, sections, notes):
    """By local name, ours first; whatever of another writer was used, or could not be read, is said."""
    spaces = "xmlns:w='urn:rollbook:work:1' xmlns:x='http://example.com/logger/1'"
    found = reading("a.gpx", gpx(point(0, more=f"<extensions {spaces}>{stated}</extensions>") + point(1)))
    [track] = found.tracks
    kept = [None if one is None else one[0].tolist() for one in (track.working, track.width, track.sections)]
    assert (kept, len(found.notes)) == ([working, width, sections], notes)


@pytest.mark.parametrize(
    "change",
    [
        lambda text: b"\xef\xbb\xbf" + text.encode(),
        lambda text: b"\r\n \r\n" + text.encode(),
        lambda text: text.replace("><", ">\r\n<").encode(),
        lambda text: text.replace("UTF-8", "UTF-16").encode("utf-16"),
        lambda text: text.replace("UTF-8", "windows-1252").encode("cp1252"),
        lambda text: (
            text.replace("<", "<g:").replace("<g:/", "</g:").replace("<g:?", "<?")
            .replace("xmlns=", "xmlns:g=")
        ).encode(),
        lambda text: text.replace("<trk>", "<trk><q:colour>1</q:colour>").encode(),
    ],
    ids=["mark", "space first", "windows", "utf-16", "codepage", "prefixed", "unbound prefix"],
)  # fmt: skip
def test_odd_clothes_change_nothing(reading, gpx, point, change):
    """A byte-order mark, blank lines, other encodings and odd prefixes read the same."""
    text = gpx(point(0, 52.0) + point(1, 52.1))
    trace = reading("a.gpx", change(text))
    assert trace.tracks[0].lat.tolist() == [52.0, 52.1]
    assert trace.notes == []


def test_version_1_0_is_taken_with_a_note(reading, gpx, point):
    """GPX 1.0 is read, and the note says so."""
    text = gpx(point(0) + point(1), root='version="1.0" creator="test"').replace("/1/1", "/1/0")
    assert list(map(str, reading("a.gpx", text).notes)) == ["It is GPX 1.0, an older form; its tracks read the same."]


def test_points_without_time_are_dropped_with_a_note(reading, gpx, point):
    """Where some points lack a time, they are left out and counted."""
    trace = reading("a.gpx", gpx(point(0) + point(None) + point(2)))
    assert len(trace.tracks[0].t) == 2
    assert trace.dropped == 1
    assert list(map(str, trace.notes)) == ["1 point without a time was left out."]


def test_zero_zero_is_no_place(reading, gpx, point):
    """A point at 0, 0 keeps its time and has no position."""
    trace = reading("a.gpx", gpx(point(0) + point(1, 0, 0)))
    assert np.isnan(trace.tracks[0].lat[1])
    assert trace.tracks[0].quality.tolist() == [-1, 0]
    assert not trace.main.fixes()[1].has_position


def test_a_point_off_the_globe_is_left_out(reading, gpx, point):
    """Latitude 91 is dropped and said; longitude 180, which the schema forbids, does no harm."""
    trace = reading("a.gpx", gpx(point(0, 91.0) + point(1, 52.0, 180.0)))
    assert trace.tracks[0].lon.tolist() == [180.0]
    assert list(map(str, trace.notes)) == ["1 point that is not on the globe was left out."]


def test_a_file_cut_short_gives_what_it_has(reading, gpx, point):
    """A logger that lost power leaves its points before the cut, and the note says where."""
    text = gpx("".join(point(second) for second in range(30)))
    trace = reading("a.gpx", text[: text.rindex("<trkpt") + 20])
    assert len(trace.tracks[0].t) == 29
    assert "stops in the middle" in str(trace.notes[0])


def test_fixes_out_of_order_are_put_in_order(reading, gpx, point):
    """Tracks written newest first come out in order of time, with a note."""
    trace = reading("a.gpx", gpx(point(30) + point(31), point(10) + point(11)))
    assert np.diff(trace.tracks[0].t).tolist() == [1.0, 19.0, 1.0]
    assert trace.tracks[0].starts.tolist() == [0, 2]
    assert "in order" in str(trace.notes[0])


LAUGHS = (
    '<!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">'
    '<!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>'
)
OUTSIDE = '<!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/hostname">]>'


@pytest.mark.parametrize("head", [LAUGHS, OUTSIDE], ids=["entity bomb", "external entity"])
def test_a_document_type_is_refused(reading, gpx, point, head):
    """Entities are refused when the document type opens, before one is expanded or fetched."""
    with pytest.raises(TraceRefused, match=r"a\.gpx declares a document type"):
        reading("a.gpx", gpx(point(0), head=head))


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("", "is empty"),
        ("\ufeff \r\n", "is empty"),
        ("\0" * 512, "is empty"),
        ("<kml/>", "not GPX: its first element is <kml>"),
        ("<gpx version='1.1'/>", "without a single track point"),
        ("<gpx version='1.1'><wpt lat='1' lon='1'/></gpx>", "no track, only 1 waypoints"),
        ("<gpx><trk></gpx>", "damaged at line 1"),
        ("<gpx>" + "<a>" * 500, "nested deeper"),
        ("<gpx a='" + "x" * 3_000_000, "a tag of more than"),
        ("time,place\n1,2\n", "header without lat, lon. It names: time, place"),
        ("when they came,who\n1,2\n", "neither GPX, nor CSV"),
        ("\x89PNG\r\n\x1a\n", "neither GPX, nor CSV"),
    ],
)
def test_what_cannot_be_read_is_refused_in_words(reading, content, words):
    """Each kind of wrong file gets its own sentence, with the file's name in it."""
    with pytest.raises(TraceRefused, match=words) as refusal:
        reading("wrong.gpx", content)
    assert "wrong.gpx" in str(refusal.value)


def test_a_track_without_any_time_is_refused(reading, gpx, point):
    """Without time nothing says how the track was driven."""
    with pytest.raises(TraceRefused, match="none has a time"):
        reading("a.gpx", gpx(point(None) * 2))


def test_a_track_without_any_position_is_refused(reading, gpx, point):
    """Only 0, 0 is no position at all."""
    with pytest.raises(TraceRefused, match="holds no position"):
        reading("a.gpx", gpx(point(0, 0, 0)))


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    """A wrong path is a sentence, not an error of the system."""
    with pytest.raises(TraceRefused, match="There is no file"):
        read_recording(tmp_path / "none.gpx")
    with pytest.raises(TraceRefused, match="is a folder"):
        read_recording(tmp_path)


def test_too_many_points_are_refused(reading, gpx, point, monkeypatch):
    """There is an end to what one file may hold, so memory is bounded."""
    monkeypatch.setattr(recording_module, "MOST_POINTS", 3)
    with pytest.raises(TraceRefused, match="more than 3 fixes"):
        reading("a.gpx", gpx("".join(point(second) for second in range(4))))


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_damaged_bytes_are_read_or_refused(written, gpx, point, data):
    """Whatever bytes of a GPX are changed, the answer is a trace or a refusal."""
    text = bytearray(gpx("".join(point(second) for second in range(4))).encode())
    for at, value in data.draw(st.lists(st.tuples(st.integers(0, len(text) - 1), st.integers(0, 255)), max_size=4)):
        text[at] = value
    try:
        assert isinstance(read_recording(written("a.gpx", bytes(text))), Recording)
    except TraceRefused as refusal:
        assert "a.gpx" in str(refusal)


POINT = st.builds(
    gpxpy.gpx.GPXTrackPoint,
    st.floats(-90, 90).filter(lambda lat: abs(lat) > 1e-6), st.floats(-180, 179.9), st.floats(-100, 9000),
    st.datetimes(datetime(2000, 1, 1), datetime(2060, 1, 1)).map(lambda t: t.replace(tzinfo=UTC)),
    horizontal_dilution=st.none() | st.floats(0.1, 50.0),
)  # fmt: skip


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    tracks=st.lists(st.lists(st.lists(POINT, min_size=1, max_size=4), min_size=1, max_size=3), min_size=1, max_size=3)
)
def test_what_gpxpy_writes_is_read_as_gpxpy_reads_it(written, tracks):
    """Tracks, segments, places, times and HDOP of any good file are those of the general library."""
    made = gpxpy.gpx.GPX()
    for segments in tracks:
        made.tracks.append(gpxpy.gpx.GPXTrack())
        made.tracks[-1].segments = [gpxpy.gpx.GPXTrackSegment(points) for points in segments]
    text = made.to_xml()
    trace, other = read_recording(written("a.gpx", text)), gpxpy.parse(text)
    read = [p for track in other.tracks for segment in track.segments for p in segment.points]
    rows = [(p.time.timestamp(), p.latitude, p.longitude, p.horizontal_dilution) for p in read]
    ours = [(fix.t, fix.lat, fix.lon) for track in trace.tracks for fix in track.fixes()]
    assert sorted(ours) == sorted({row[:3] for row in rows})  # what stands twice is there once
    assert {(fix.t, fix.lat, fix.lon, fix.hdop) for track in trace.tracks for fix in track.fixes()} <= set(rows)


# tracks and segments with a timed point, timed points, summed 2-D length in m: gpxpy's figures
# as listed beside the recordings
REAL = {
    "handheld_two_segments.gpx": (2, 3540, 18208),
    "activity_with_extensions.gpx": (1, 988, 12836),
    "web_writer_short.gpx": (1, 41, 7006),
    "handheld_car.gpx": (1, 104, 2736),
    "three_tracks_desktop_writer.gpx": (3, 117, 1746),
    "watch_route_with_accuracy.gpx": (1, 44, 68),
}


@pytest.mark.parametrize("name", REAL)
def test_real_files_of_six_writers(recordings, name):
    """Spans, points and places are what another reader (gpxpy) finds in the same file."""
    spans, points, length = REAL[name]
    trace = read_recording(recordings / "gpx" / name)
    with (recordings / "gpx" / name).open(encoding="utf-8-sig") as file:
        other = gpxpy.parse(file)
    walked = [p for track in other.tracks for seg in track.segments for p in seg.points]
    assert (len(trace.tracks[0].starts), len(trace.tracks[0].t)) == (spans, points)
    assert round(other.length_2d()) == length
    order = np.argsort([p.time.timestamp() for p in walked], kind="stable")
    assert np.array_equal(trace.tracks[0].lat, np.array([p.latitude for p in walked])[order])
    assert np.array_equal(trace.tracks[0].lon, np.array([p.longitude for p in walked])[order])
    assert np.array_equal(trace.tracks[0].t, np.array([p.time.timestamp() for p in walked])[order])


def test_real_old_files(recordings):
    """GPX 1.0 with eight segments, and one where 245 of 420 points lack a time."""
    eight = read_recording(recordings / "gpx" / "v10_eight_segments.gpx")
    partly = read_recording(recordings / "gpx" / "v10_partly_without_time.gpx")
    assert len(eight.tracks[0].t) == 296
    # 175 with a time, of which gpxpy finds 118 different ones
    assert (len(partly.main), partly.dropped) == (118, 245)
    assert all("GPX 1.0" in str(trace.notes[0]) for trace in (eight, partly))
