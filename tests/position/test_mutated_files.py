"""Files of fields and recordings, mutated by the thousand: a result or a clear sentence, in little time and memory."""

import gzip
import io
import json
import math
import random
import resource
import tempfile
import time
import zipfile
from pathlib import Path

import numpy as np
import pytest

from cabapp.position.boundaries.boundary_geojson import read_boundary
from cabapp.position.boundaries.field_files import read_fields
from cabapp.position.recordings.trace_reader import read_recording
from store.errors import Refused

RING = [[10 + x / 500, 50 + y / 700] for x, y in ((0, 0), (4, 0), (4, 1), (5, 1), (5, 4), (0, 4), (0, 0))]
SQUARE = "10,50 10.02,50 10.02,50.02 10,50.02 10,50"
GEOJSON = json.dumps({"type": "FeatureCollection", "features": [
    {"type": "Feature", "properties": {"name": "North"}, "geometry": {"type": "Polygon", "coordinates": [RING]}},
]}).encode()  # fmt: skip
KML = (
    '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>North</name><Polygon>'
    f"<outerBoundaryIs><LinearRing><coordinates>{SQUARE}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark>"
    "</Document></kml>"
).encode()
GPX = (
    '<?xml version="1.0"?><gpx version="1.1" creator="a test" xmlns="http://www.topografix.com/GPX/1/1"><trk><name>North'
    "</name><trkseg>"
    + "".join(
        f'<trkpt lat="{y:.6f}" lon="{x:.6f}"><time>2026-05-05T10:00:{n:02d}Z</time><fix>3d</fix><hdop>0.9</hdop></trkpt>'
        for n, (x, y) in enumerate(RING)
    )
    + "</trkseg></trk></gpx>"
).encode()
CSV = b"time,lat,lon,sigma,hdop,quality,machine,width\n" + b"".join(
    b"2026-05-05T10:00:%02dZ,%f,%f,0.02,0.9,4,red,6.1\n" % (n, y, x) for n, (x, y) in enumerate(RING)
)
# sentence from gpsd's test data (BSD-2-Clause), as in the samples of the protocols
NMEA = b"".join(
    b"$GPGGA,%06d,4124.8963,N,08151.6838,W,1,05,1.5,280.2,M,-34.0,M,,*%02X\r\n" % (n, check)
    for n, check in ((110000 + k, 0) for k in range(8))
)


def _with_checksums(data):
    lines = []
    for line in data.split(b"\r\n")[:-1]:
        body, check = line[1:-3], 0
        for byte in body:
            check ^= byte
        lines.append(b"$%s*%02X\r\n" % (body, check))
    return b"".join(lines)


def _kmz():
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("doc.kml", KML)
    return packed.getvalue()


def _of_office(name):
    """Return the square as a file that only the office's readers read; b"" where they are not installed."""
    pyogrio = pytest.importorskip("pyogrio")
    shapely = pytest.importorskip("shapely")
    shapes = np.array([shapely.to_wkb(shapely.Polygon(RING))], dtype=object)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / ("a.shp" if name.endswith("zip") else name)
        pyogrio.raw.write(
            str(path), shapes, [np.array(["North"], dtype=object)], ["name"], geometry_type="Polygon", crs="EPSG:4326"
        )  # fmt: skip
        if path.suffix != ".shp":
            return path.read_bytes()
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as file:
            for part in sorted(Path(folder).iterdir()):
                file.write(part, part.name)
        return packed.getvalue()


NMEA = _with_checksums(NMEA)
SEEDS = {
    "a.geojson": (GEOJSON, (read_fields, read_boundary)), "a.kml": (KML, (read_fields,)), "a.kmz": (_kmz(), (read_fields,)),
    "a.gpx": (GPX, (read_fields, read_recording)), "a.csv": (CSV, (read_recording,)), "a.nmea": (NMEA, (read_recording,)),
    "a.zip": (b"", (read_fields,)), "a.gpkg": (b"", (read_fields,)),
    "a.nmea.gz": (gzip.compress(NMEA, mtime=0), (read_recording,)),
}  # fmt: skip
ODD = (
    b"\0", b"1" * 400, b"-1e999", b"nan", b"NaN", b"Infinity", b"\xff\xfe", b"\xef\xbb\xbf", b"<!DOCTYPE x [<!ENTITY a 'b'>]>",
    b"&a;", b"<![CDATA[", b"]]>", b"\x1b[2J", b"\xe2\x80\xae", b"{" * 3000, b"[" * 3000, b"<a>" * 3000, b'"', b"'", b",", b";" * 500,
    b"\r", b"\n" * 2000, b"181", b"-91", b"1e308", b"9999-99-99T99:99:99Z", b"0000-00-00", b"x" * 70_000, b"\x80", b"null", b"{}", b"[]",
    b'"\\u0000"', b'"\\ud800"', b"<?xml version='1.0' encoding='utf-7'?>", b"$GPRMC,,V,,,,,,,,,,N*53\r\n", b"\x1f\x8b\x08",
)  # fmt: skip


def mutated(data, draw):
    """Return data cut, doubled, with odd words in it, in another encoding, or with bits turned."""
    for _ in range(draw.randint(1, 4)):
        at, to = sorted(draw.randrange(len(data) + 1) for _ in range(2))
        how = draw.randrange(9)
        if how == 0:
            data = data[:at]
        elif how == 1:
            data = data[:at] + data[to:]
        elif how == 2:
            data = data[:to] + data[at:to] * draw.randint(1, 30) + data[to:]
        elif how in (3, 4, 5):
            odd = draw.choice(ODD)
            number = next((k for k in range(at, len(data)) if data[k : k + 1].isdigit()), at)
            data = data[:number] + odd + data[number + draw.randrange(4) :]
        elif how == 6 and data:
            flipped = bytearray(data)
            for _ in range(draw.randint(1, 8)):
                flipped[draw.randrange(len(flipped))] ^= 1 << draw.randrange(8)
            data = bytes(flipped)
        elif how == 7:
            data = data.decode("latin-1").encode(
                draw.choice(("utf-16", "utf-16-le", "utf-16-be", "utf-32", "utf-8-sig"))
            )
        else:
            data = data.replace(
                *draw.choice(((b"10.", b"-1810."), (b"50", b"91"), (b"\n", b"\r"), (b"name", b"\0"), (b",", b";")))
            )
        data = data[: 1 << 20]
    return data


@pytest.mark.parametrize("name", SEEDS)
@pytest.mark.parametrize("count", [50, pytest.param(1000, marks=pytest.mark.long)], ids=["some", "all"])
def test_mutated_files_end_in_a_sentence_or_a_result(tmp_path, name, count, capsys):
    """Whatever a file holds, each reader gives a result or a refusal in a sentence; none takes long or much memory."""
    (whole, readers), draw = SEEDS[name], random.Random(f"{name} 7")
    whole = whole or _of_office(name)
    path = tmp_path / name
    path.write_bytes(whole)
    for read in readers:
        assert read(path), "unharmed it is read"
    before, longest, refused = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss, 0.0, 0
    for n in range(count):
        data = mutated(whole, draw)
        path.write_bytes(data)
        for read in readers:
            began = time.process_time()
            try:
                read(path)
            except Refused as refusal:
                refused += 1
                assert len(str(refusal).split()) > 4 and str(refusal).rstrip().endswith((".", "1.1.", "]")), (
                    n,
                    str(refusal),
                )
            except Exception as fault:
                raise AssertionError(f"number {n}: {type(fault).__name__}: {fault}: {data[:300]!r}") from fault
            longest = max(longest, time.process_time() - began)
    grown = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    with capsys.disabled():
        if count > 50:
            print(f"\n  {name}: {count} mutated, {refused} refused, {longest:.2f} s at most, {grown:.0f} MB more")
    assert grown < 200.0


def refusal_of(tmp_path, name, data, read=None):
    """Return what a reader refuses a file with."""
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(Refused) as refused:
        (read or SEEDS[name][1][0])(path)
    return str(refused.value)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "utf-16-le", "utf-16-be"])
def test_a_document_type_is_refused_in_every_encoding(tmp_path, encoding):
    """Entities of a document type expand without end; it is refused whatever letters it is written in."""
    for name, seed in (("a.kml", KML), ("a.gpx", GPX)):
        begin = f'<?xml version="1.0" encoding="{encoding[:6]}"?><!DOCTYPE x [<!ENTITY a "aaa"><!ENTITY b "&a;&a;">]>'
        text = begin + seed.decode().partition("?>")[2].replace("North", "&b;")
        for read in SEEDS[name][1]:
            assert refusal_of(tmp_path, name, text.encode(encoding), read)


def test_a_kmz_that_states_a_false_size_is_not_unpacked_whole(tmp_path):
    """Of a member that says it is small and unpacks to 300 MB, no more is unpacked than fields may be."""
    packed = io.BytesIO()
    with (
        zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as file,
        file.open("doc.kml", "w", force_zip64=False) as member,
    ):
        for _ in range(300):
            member.write(b" " * (1 << 20))
    stated = (300 << 20).to_bytes(4, "little")
    lies = packed.getvalue().replace(stated, (1000).to_bytes(4, "little"))
    assert lies != packed.getvalue()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert "KML" in refusal_of(tmp_path, "a.kmz", lies)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 100 * 1024


def test_a_tangle_of_crossings_is_refused_before_it_is_repaired(tmp_path):
    """2,001 corners that all cross one another took 143 s and 4 GB to repair."""
    n = 2001
    star = [
        [10 + 5e-5 * math.cos(k * 1000 * math.tau / n), 50 + 5e-5 * math.sin(k * 1000 * math.tau / n)] for k in range(n)
    ]
    ring = [*star, [10.1, 50.0], [10.1, 50.08], star[0]]
    data = json.dumps({"type": "Polygon", "coordinates": [ring]}).encode()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    assert "crosses itself all over" in refusal_of(tmp_path, "a.geojson", data)
    walk = "".join(f'<trkpt lat="{y:.9f}" lon="{x:.9f}"/>' for x, y in ring)
    gpx = f'<gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{walk}</trkseg></trk></gpx>'
    assert "crosses itself all over" in refusal_of(tmp_path, "a.gpx", gpx.encode())
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 150 * 1024


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("a.csv", b"time,lat,lon," + b"x" * 70_000), ("a.csv", b"time,lat,lon," + b"x," * 40_000 + b"\n1,2,3\n"),
        ("a.csv", b"time,lat,lon,quality\n2026-05-05T00:00:00Z,50,10,1e400\n"),
        ("a.geojson", b'{"type":"Polygon","coordinates":[[[%s,1],[1,2],[2,2],[%s,1]]]}' % (b"1" * 400, b"1" * 400)),
        ("a.geojson", b'{"type":"Polygon","coordinates":[[["\\u0000",1],[1,2],[2,2],[1,1]]]}'), ("a.geojson", b"\0"),
    ],
)  # fmt: skip
def test_what_once_ended_in_a_traceback_is_refused_in_a_sentence(tmp_path, name, data):
    """A header over 64 kB, numbers of 400 digits, NUL: each is said."""
    assert refusal_of(tmp_path, name, data).endswith(".")


def test_names_from_a_file_are_names(tmp_path):
    """A name with NUL, of 400 digits, or that steers a terminal is read as what of it can be shown."""
    for given, named in (("a\0b", "a b"), ("1" * 400, "1" * 200), ("\x1b[2J\u202eevil", "[2J evil"), ("\x01", "?")):
        data = json.loads(GEOJSON)
        data["features"][0]["properties"]["name"] = given
        (tmp_path / "a.geojson").write_text(json.dumps(data))
        assert [one.name for one in read_fields(tmp_path / "a.geojson")] == [named]
