"""GPX 1.1: what we read and write against the rules of its schema (gpx.xsd, namespace .../GPX/1/1)."""

import math
import re
import xml.etree.ElementTree as ET
from datetime import datetime

import numpy as np
import pytest

from cabapp.position.recordings.trace_reader import read_recording
from cabapp.reports.export.gpx_geojson import Track, Waypoint, gpx_text

SPACE = "{http://www.topografix.com/GPX/1/1}"
# the sequences of the schema
ORDER = {
    "gpx": "metadata wpt rte trk extensions",
    "metadata": "name desc author copyright link time keywords bounds extensions",
    "trk": "name cmt desc src link number type extensions trkseg",
    "trkseg": "trkpt extensions",
}
ORDER["trkpt"] = ORDER["wpt"] = (
    "ele time magvar geoidheight name cmt desc src link sym type fix sat hdop vdop pdop ageofdgpsdata dgpsid extensions"
)


@pytest.fixture
def track():
    """Two spans, a loss between them, the far side of the antimeridian, odd qualities."""
    nan = math.nan
    return Track(
        "Home <quarter> & more\x07", "rolling",
        t=np.array([1777975200.0, 1777975200.25, 1777975202.0, 1777975300.0, 1777975301.0]),
        lat=np.array([52.0, 52.00001, nan, -90.0, 90.0]),
        lon=np.array([-106.0, -106.00001, nan, 179.99999999, -180.0]),
        quality=np.array([4, 1, 0, 2, -1]),
        hdop=np.array([0.9, nan, nan, 1.1, nan]),
    )  # fmt: skip


@pytest.fixture
def written(track):
    """What we write for that track and a mark, parsed."""
    return ET.fromstring(gpx_text("A log", "", [track], [Waypoint("rock", 52.0, -106.0, 1777975200.0)]))


def test_the_root(written):
    """gpx carries version 1.1 and a creator, in the namespace of GPX 1.1."""
    assert written.tag == SPACE + "gpx"
    assert written.get("version") == "1.1"
    assert written.get("creator")


def test_the_order_of_elements(written):
    """Every element's children stand in the order of the schema's sequence."""
    seen = 0
    for element in written.iter():
        order = ORDER.get(element.tag.removeprefix(SPACE), "").split()
        places = [order.index(child.tag.removeprefix(SPACE)) for child in element if order]
        assert places == sorted(places)
        seen += len(places)
    assert seen > 15


def test_places_and_times(written):
    """-90 <= lat <= 90, -180 <= lon < 180, times in UTC."""
    points = [*written.iter(SPACE + "trkpt"), *written.iter(SPACE + "wpt")]
    assert len(points) == 5
    for point in points:
        assert -90 <= float(point.get("lat")) <= 90
        assert -180 <= float(point.get("lon")) < 180
        assert re.fullmatch(r"[-\d]+T[\d:]+(\.\d+)?Z", point.findtext(SPACE + "time"))


def test_a_loss_starts_a_segment_and_fix_has_known_words(written):
    """Where reception was lost a new trkseg begins; RTK, for which GPX has no word, stands in an element of ours."""
    assert [len(segment) for segment in written.iter(SPACE + "trkseg")] == [2, 2]
    words = [point.findtext(SPACE + "fix") for point in written.iter(SPACE + "trkpt")]
    assert words == [None, "3d", "dgps", None]


def test_what_we_write_we_read(tmp_path, track):
    """Our own GPX comes back: times to the millisecond, places to a centimetre, the same spans."""
    path = tmp_path / "ours.gpx"
    path.write_text(gpx_text("A log", "", [track]), encoding="utf-8")
    back = read_recording(path)
    good = np.isfinite(track.lat)
    assert back.tracks[0].t == pytest.approx(track.t[good], abs=5e-4)
    assert back.tracks[0].lat == pytest.approx(track.lat[good], abs=1e-7)
    assert np.abs((back.tracks[0].lon - track.lon[good] + 180) % 360 - 180).max() < 1e-7
    assert back.tracks[0].starts.tolist() == [0, 2]
    assert back.tracks[0].quality.tolist() == [4, 1, 2, -1]
    assert back.notes == []


def test_all_the_schema_allows_in_a_point_is_read_past(tmp_path):
    """A point with every element of the sequence gives its time, fix and HDOP."""
    values = {
        "time": "2026-05-05T10:00:00.125Z", "fix": "pps", "hdop": "0.7", "ele": "510.5",
        "link": '<text>time</text><type>time</type>',
        "extensions": '<time xmlns="urn:x">1999-01-01T00:00:00Z</time>',
    }  # fmt: skip
    inner = "".join(f"<{tag}>{values.get(tag, '7')}</{tag}>" for tag in ORDER["trkpt"].split())
    inner = inner.replace("<link>", '<link href="x">')
    path = tmp_path / "full.gpx"
    path.write_text(
        f'<gpx version="1.1" creator="x" xmlns="{SPACE[1:-1]}"><metadata><bounds minlat="1" '
        f'minlon="1" maxlat="2" maxlon="2"/></metadata><trk><trkseg>'
        f'<trkpt lat="52" lon="-106">{inner}</trkpt></trkseg></trk></gpx>'
    )
    trace = read_recording(path)
    when = datetime.fromisoformat("2026-05-05T10:00:00.125+00:00").timestamp()
    assert (trace.tracks[0].t[0], trace.tracks[0].quality[0], trace.tracks[0].hdop[0]) == (when, 3, 0.7)
    assert (len(trace.tracks[0].t), trace.notes) == (1, [])
