"""`rollbook measure` from files to figures."""

import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import shapely

from cabapp.__main__ import main
from cabapp.geometry.plane import Plane
from cabapp.position.recordings.trace_reader import read_recording

PLANE = Plane(52.0, -106.0)
START = 1777975200.0


def csv_of(xy, t):
    """A CSV trace of places on the plane, m, at times, s after the start."""
    lat, lon = PLANE.to_latlon(xy)
    rows = (f"{START + s:.2f},{a:.9f},{b:.9f}\n" for s, a, b in zip(t, lat, lon, strict=True))
    return "time,lat,lon\n" + "".join(rows)


def lanes(n=5, spacing=6.0, length=400.0, step=2.0, every=1.0):
    """Passes from the same end at a spacing, a fix every so many seconds."""
    along = np.arange(0, length + 1e-9, step)
    xy = np.concatenate([np.column_stack([along, np.full(len(along), k * spacing)]) for k in range(n)])
    t = np.concatenate([k * 3600 + every * np.arange(len(along)) for k in range(n)])
    return xy, t


def one_way(n=5, spacing=6.0, length=400.0):
    """Lanes by a machine that is seen throughout: it stands 30 s before and behind each, and comes back at 8 m/s."""
    lane = lanes(1, length=length + 8)[0] - (4, 0)
    stand, angle = np.ones((30, 1)), np.linspace(0, np.pi, 14)[1:-1]
    out, along = np.array([[6.0, 0], [9.0, 0]]), np.arange(length, -1e-9, -8.0)
    east = (length + 9, 0) + 8 * np.column_stack([np.sin(angle), 1 - np.cos(angle)])
    turned = (16 - spacing) / 2
    west = (-9, 16 - turned) + turned * np.column_stack([-np.sin(angle), np.cos(angle)])
    back = np.column_stack([along, np.full(len(along), 16.0)])
    way = np.concatenate([np.add(out, (length, 0)), east, back, west, (0, spacing) - out[::-1]])
    parts = []
    for k in range(n):
        parts += [np.add(one, (0, k * spacing)) for one in (lane[0] * stand, lane, lane[-1] * stand, way)]
    xy = np.concatenate(parts[:-1])
    return xy, np.arange(float(len(xy)))


@pytest.fixture
def square(written):
    """Write a boundary from west, south, east, north on the plane, m."""

    def write(w, s, e, n):
        lat, lon = PLANE.to_latlon([(w, s), (e, s), (e, n), (w, n), (w, s)])
        ring = np.column_stack([lon, lat]).tolist()
        return written("field.geojson", json.dumps({"type": "Polygon", "coordinates": [ring]}))

    return write


@pytest.fixture
def measured(capsys):
    """Run `rollbook measure ... --json` and return the object."""

    def run(*words):
        assert main(["measure", *map(str, words), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    return run


def same_shape(value, pattern):
    """Whether a JSON value has the keys and kinds of a pattern, and perhaps more keys."""
    if isinstance(pattern, dict):
        return all(key in value and same_shape(value[key], kind) for key, kind in pattern.items())
    return isinstance(value, pattern)


NUMBER = (int, float)
CONTRACT = {
    "trace": {
        "fixes": int, "used": int, "rejected": int,
        "duration_s": NUMBER, "length_m": NUMBER, "unknown_s": NUMBER,
    },
    "tool": {"width_m": NUMBER, "hitch_m": NUMBER, "side_m": NUMBER},
    "target": int, "cell_m": NUMBER,
    "area_m2": {
        "field": NUMBER, "none": NUMBER, "covered": NUMBER, "pass_area": NUMBER,
        "by_count": {"1": NUMBER, "2": NUMBER},
    },
    "recovered_m2": {"avoidable": NUMBER, "unavoidable": NUMBER},
    "gaps": list,
}  # fmt: skip
GAP = {
    "kind": str, "area_m2": NUMBER, "width_m": NUMBER, "certainty": str, "lat": NUMBER, "lon": NUMBER,
}  # fmt: skip


def test_half_laps_in_a_field(written, square, measured):
    """Five half-laps of 12 m: 24 m twice and 12 m once of 400 m length, and a gap beyond them."""
    trace = written("a.csv", csv_of(*one_way()))
    found = measured(trace, "--width", 12, "--field", square(0, -6, 400, 60))
    assert same_shape(found, CONTRACT)
    areas = found["area_m2"]
    assert areas["field"] == pytest.approx(400 * 66, rel=1e-6)
    once, twice, *more = areas["by_count"].values()
    assert (once, twice) == (pytest.approx(4800, rel=2e-3), pytest.approx(9600, rel=2e-3))
    assert sum(more) < 5  # edges meet within 1e-7 degree, as the trace is kept
    assert areas["covered"] == pytest.approx(14_400, rel=1e-3)
    assert areas["pass_area"] == pytest.approx(24_000, rel=1e-3)
    assert areas["none"] == pytest.approx(400 * 30, rel=2e-3)
    widest = found["gaps"][0]
    assert same_shape(widest, GAP)
    assert (widest["kind"], widest["certainty"]) == ("none", "sure")
    assert widest["width_m"] == pytest.approx(30, abs=0.1)
    [place] = PLANE.to_xy(widest["lat"], widest["lon"])
    assert 0 < place[0] < 400 and 30 < place[1] < 60


def test_the_figures_of_the_trace(written, measured):
    """Fixes, length, duration and the time between passes without any fix are stated."""
    xy, t = lanes(n=2)
    found = measured(written("a.csv", csv_of(xy, t)), "--width", 12)
    assert found["trace"]["fixes"] == found["trace"]["used"] == len(t)
    assert found["trace"]["length_m"] == pytest.approx(800, rel=1e-4)
    assert found["trace"]["duration_s"] == pytest.approx(t[-1])
    assert found["trace"]["unknown_s"] == pytest.approx(3600 - 200)


def test_three_formats_of_one_drive_agree(written, measured, gpx, sentence):
    """CSV, GPX and NMEA of the same drive give the same ground within their own rounding."""
    xy, t = lanes(n=2)
    xy += 100.0  # off the whole degree, where a rounding writer would print 60 minutes
    lat, lon = PLANE.to_latlon(xy)
    csv, points, nmea = csv_of(xy, t), "", ""
    for when, a, b in zip(START + t, lat, lon, strict=True):
        moment = datetime.fromtimestamp(when, UTC)
        points += f'<trkpt lat="{a:.8f}" lon="{b:.8f}"><time>{moment:%Y-%m-%dT%H:%M:%SZ}</time></trkpt>'
        degrees = (f"{int(v):0{n}d}{(v - int(v)) * 60:08.5f}" for v, n in ((a, 2), (-b, 3)))
        place = "{},N,{},W".format(*degrees)
        nmea += sentence(f"GPGGA,{moment:%H%M%S},{place},4,12,0.7,500.0,M,-20.0,M,1.0,0001")
        nmea += sentence(f"GPRMC,{moment:%H%M%S},A,{place},3.9,90.0,{moment:%d%m%y},,,R")
    files = [written("a.csv", csv), written("a.gpx", gpx(points)), written("a.nmea", nmea)]
    first, *others = (measured(file, "--width", 12) for file in files)
    for other in others:
        for key in ("fixes", "used", "rejected", "duration_s", "unknown_s"):
            assert other["trace"][key] == first["trace"][key]
        assert other["area_m2"]["pass_area"] == pytest.approx(first["area_m2"]["pass_area"], rel=1e-3)
        assert other["area_m2"]["covered"] == pytest.approx(first["area_m2"]["covered"], rel=1e-3)


def test_without_a_boundary_there_is_no_field(written, measured):
    """field and none are null, no gap is claimed, and all ground counts."""
    found = measured(written("a.csv", csv_of(*lanes())), "--width", 12)
    assert (found["area_m2"]["field"], found["area_m2"]["none"], found["gaps"]) == (None, None, [])
    assert found["area_m2"]["covered"] == pytest.approx(14_400, rel=1e-3)


def test_ground_outside_the_field_stands_apart(written, square, measured):
    """A field of half the length halves the areas; the rest is in the added keys."""
    trace = written("a.csv", csv_of(*lanes()))
    areas = measured(trace, "--width", 12, "--field", square(0, -6, 200, 30))["area_m2"]
    assert areas["pass_area"] == pytest.approx(12_000, rel=2e-3)
    # but for the last fix of each pass: 200 m off it is far from the field
    assert areas["pass_area_outside"] == pytest.approx(12_000, rel=1e-2)
    assert areas["covered_outside"] == pytest.approx(7_200, rel=1e-2)


def test_two_stints_count_together_in_any_order(written, measured):
    """The same pass in two files is twice; the files' order on the line changes nothing."""
    xy, t = lanes(n=1)
    first = written("a.csv", csv_of(xy, t))
    second = written("b.csv", csv_of(xy, t + 7200))
    found, turned = measured(first, second, "--width", 12), measured(second, first, "--width", 12)
    assert found == turned
    assert found["area_m2"]["by_count"] == {"1": 0, "2": pytest.approx(4800, rel=2e-3)}
    assert [stint["file"] for stint in found["stints"]] == ["a.csv", "b.csv"]


def test_hitch_and_side_move_the_ground(written, square, measured):
    """A tool 10 m behind misses the field's last 10 m; 6 m to the right it works the other half."""
    trace = written("a.csv", csv_of(*lanes(n=1)))
    last = square(390, -6, 400, 6)
    mounted = measured(trace, "--width", 12, "--field", last)["area_m2"]
    towed = measured(trace, "--width", 12, "--hitch", 10, "--field", last)["area_m2"]
    assert mounted["covered"] == pytest.approx(120, rel=0.02)
    assert towed["covered"] < 3
    south = measured(trace, "--width", 6, "--side", 3, "--field", square(0, -6, 400, 0))
    assert south["area_m2"]["none"] == pytest.approx(0, abs=5)


def test_the_antenna_lies_ahead_of_the_hitch(written, square, measured):
    """On a straight pass 4 m to the hitch and 6 m behind it leave the same last 10 m as 10 m behind it."""
    trace, last = written("a.csv", csv_of(*lanes(n=1))), square(380, -6, 400, 6)
    one = measured(trace, "--width", 12, "--hitch", 10, "--field", last)["area_m2"]["covered"]
    both = measured(trace, "--width", 12, "--hitch", 6, "--antenna", 4, "--field", last)["area_m2"]["covered"]
    assert both == pytest.approx(one, abs=1) and one == pytest.approx(120, rel=0.03)


def test_a_slow_logger_gets_a_longer_gap(written, measured, capsys):
    """With a fix each 10 s only 25 s are a gap, and both forms of the answer say so."""
    trace = written("slow.csv", csv_of(*lanes(n=1, step=20.0, every=10.0)))
    found = measured(trace, "--width", 12)
    assert (found["stints"][0]["interval_s"], found["stints"][0]["max_gap_s"]) == (10.0, 25.0)
    assert found["trace"]["unknown_s"] == 0
    assert found["area_m2"]["covered"] == pytest.approx(4800, rel=5e-3)
    main(["measure", str(trace), "--width", "12"])
    assert "slow.csv: a fix each 10 s; only a gap of more than 25 s" in capsys.readouterr().out


def test_a_declared_break_is_not_covered(written, measured, gpx):
    """A new trkseg 3 s later is a break in reception: no ground between, and 3 s unknown."""
    lat, lon = PLANE.to_latlon(lanes(n=1)[0][:31])
    points = [
        f'<trkpt lat="{a:.9f}" lon="{b:.9f}"><time>2026-05-05T10:{s // 60:02d}:{s % 60:02d}Z</time></trkpt>'
        for s, (a, b) in enumerate(zip(lat, lon, strict=True))
    ]
    whole = written("whole.gpx", gpx("".join(points)))
    broken = written("broken.gpx", gpx("".join(points[:10]), "".join(points[12:])))
    all_, less = measured(whole, "--width", 12), measured(broken, "--width", 12)
    assert all_["area_m2"]["covered"] - less["area_m2"]["covered"] == pytest.approx(6 * 12, rel=0.02)
    assert (all_["trace"]["unknown_s"], less["trace"]["unknown_s"]) == (0, 3)


def test_rejected_fixes_are_counted_by_reason(written, measured):
    """Junk rows, no position and a jump of a kilometre are left out, and each is named."""
    xy, t = lanes(n=1)
    xy[50] += 1000.0
    text = csv_of(xy, t) + f"junk\n{START + 500},0,0\n"
    found = measured(written("a.csv", text), "--width", 12)["trace"]
    assert (found["fixes"], found["rejected"]) == (len(t) + 2, 3)
    assert sum(found["reasons"].values()) == 3


@pytest.mark.parametrize("cell", [0.1, 0.5, 1.0])
def test_the_cell_hardly_matters(written, measured, cell):
    """Rows 0.1 to 1 m apart agree within 0.2 % of the ground, on passes at an odd angle."""
    xy, t = lanes()
    turn = np.array([[np.cos(0.3), np.sin(0.3)], [-np.sin(0.3), np.cos(0.3)]])
    found = measured(written("a.csv", csv_of(xy @ turn, t)), "--width", 12, "--cell", cell)
    assert found["cell_m"] == cell
    assert found["area_m2"]["covered"] == pytest.approx(14_400, rel=2e-3)


def test_the_words_give_acres_and_hectares(written, square, capsys):
    """Without --json the same figures come as lines for a person."""
    trace = written("a.csv", csv_of(*one_way()))
    boundary = square(0, -6, 400, 60)
    assert main(["measure", str(trace), "--width", "12", "--field", str(boundary)]) == 0
    out = capsys.readouterr().out
    assert "pass area                5.93 ac      2.40 ha" in out
    assert "field                    6.52 ac      2.64 ha" in out
    assert "3 times" not in out
    assert "none       2.97 ac, 30.0 m (98 ft) wide, sure" in out


def test_the_wrong_field_is_refused(written, square, capsys):
    """A boundary the trace comes nowhere near is said, with the distance, and the status is 1."""
    trace = written("a.csv", csv_of(*lanes()))
    boundary = square(5000, 0, 6000, 1000)
    assert main(["measure", str(trace), "--width", "12", "--field", str(boundary)]) == 1
    caught = capsys.readouterr()
    assert "no closer to the field than 4.6 km" in caught.err
    assert caught.out == ""


def test_places_on_two_continents_are_not_counted_together(written, capsys):
    """Ground thousands of kilometres apart is refused, for no flat plane holds both."""
    here = written("here.csv", csv_of(*lanes(n=1)))
    there = written("there.csv", csv_of(*lanes(n=1)).replace(",-10", ",-3").replace(",52.0", ",41.0"))
    assert main(["measure", str(here), str(there), "--width", "12"]) == 1
    assert "km apart" in capsys.readouterr().err


def test_undated_traces_are_not_put_in_order(written, sentence, capsys):
    """Two logs with times of day only cannot be ordered; one alone can be measured."""
    one, two = (
        written(
            name,
            "".join(
                sentence(f"GPGGA,{hour}00{n:02d},5200.{n:03d},N,10600.000,W,1,08,0.9,500.0,M,-20.0,M,,")
                for n in range(20)
            ),
        )
        for name, hour in (("a.nmea", 10), ("b.nmea", 12))
    )
    assert main(["measure", str(one), "--width", "12"]) == 0
    assert main(["measure", str(one), str(two), "--width", "12"]) == 1
    assert "carries no date" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        [], ["--width", "0"], ["--width", "-3"], ["--width", "nan"], ["--width", "wide"],
        ["--width", "12", "--target", "0"], ["--width", "12", "--hitch", "-1"],
        ["--width", "12", "--cell", "0"], ["--width", "12", "--sigma", "x"],
    ],
)  # fmt: skip
def test_wrong_usage_has_status_2(written, words, capsys):
    """A missing or impossible figure is wrong usage, told before any file is read."""
    with pytest.raises(SystemExit) as leaving:
        main(["measure", "none.gpx", *words])
    assert leaving.value.code == 2
    assert "error" in capsys.readouterr().err


def test_one_fix_covers_nothing(written, measured):
    """A single fix has no length and no ground, and is no error."""
    found = measured(written("a.csv", "time,lat,lon\n1,52,-106\n"), "--width", 12)
    assert (found["trace"]["used"], found["area_m2"]["covered"]) == (1, 0)


def test_a_real_field(recordings, measured):
    """Seeding with 13.2 m: recorded distance times width is 72.34 ha, 72.15 less what was driven
    in gaps; ground covered is what another library makes of the same lines."""
    path = recordings / "seeding" / "trace_machine2.gpx"
    found = measured(path, "--width", 13.2, "--target", 1)
    # 0.2 %: the design's own limit
    assert found["area_m2"]["pass_area"] == pytest.approx(721_500, rel=2e-3)
    assert found["trace"]["length_m"] == pytest.approx(54_806.8, rel=3e-3)
    trace = read_recording(path).main
    xy = Plane(49.55, -96.67).to_xy(trace.lat, trace.lon)
    ends = [*trace.starts[1:], len(xy)]
    lines = [xy[a:b] for a, b in zip(trace.starts, ends, strict=True) if b - a > 1]
    strips = shapely.buffer([shapely.LineString(line) for line in lines], 6.6, cap_style="flat")
    union = shapely.union_all(strips).area
    assert found["area_m2"]["covered"] == pytest.approx(union, rel=5e-4)


def test_sections_of_a_recording_are_counted_by_their_widths(measured, written, capsys):
    """Of 6, 2 and 4 m the middle one off for 400 m leaves 10 m; then all off, then all on: CSV and GPX alike."""
    xy, t = np.column_stack([np.arange(0.0, 1201.0, 2.0), np.zeros(601)]), np.arange(601.0)
    on = np.ones((601, 3), int)
    on[:200, 1], on[200:400] = 0, 0
    lat, lon = PLANE.to_latlon(xy)
    rows = zip(t, lat, lon, on.tolist(), strict=True)
    text = "time,lat,lon,s1,s2,s3\n" + "".join(
        f"{START + s:.2f},{a:.9f},{b:.9f},{','.join(map(str, o))}\n" for s, a, b, o in rows
    )
    points = "".join(
        f'<trkpt lat="{a:.9f}" lon="{b:.9f}"><time>{datetime.fromtimestamp(START + s, UTC):%Y-%m-%dT%H:%M:%SZ}</time>'
        f"<extensions>{''.join(f'<w:s{n}>{one}</w:s{n}>' for n, one in enumerate(o, 1))}</extensions></trkpt>"
        for s, a, b, o in zip(t, lat, lon, on.tolist(), strict=True)
    )
    gpx = (
        '<gpx xmlns="http://www.topografix.com/GPX/1/1" xmlns:w="urn:rollbook:work:1" version="1.1" creator="test"><trk>'
        f"<trkseg>{points}</trkseg></trk></gpx>"
    )
    files = written("boom.csv", text), written("boom.gpx", gpx)
    found = [measured(one, "--sections", "6,2,4")["area_m2"]["covered"] for one in files]
    assert found[0] == pytest.approx(400 * 10 + 400 * 12, rel=1e-3)
    assert found[1] == found[0]
    equal = measured(files[0], "--width", 12, "--sections", 3)
    assert equal["tool"]["sections_m"] == [4.0, 4.0, 4.0]
    assert equal["area_m2"]["covered"] == pytest.approx(400 * 8 + 400 * 12, rel=1e-3)
    for words, why in (
        (("--sections", "6,2"), "Give the width of each"), (("--width", "12", "--sections", "6,2,3"), "together"),
    ):  # fmt: skip
        assert main(["measure", str(files[0]), *words]) == 1
        assert why in capsys.readouterr().err
    for words in (("--sections", "a,b"), ("--sections", "150,150"), ()):
        with pytest.raises(SystemExit) as leaving:
            main(["measure", str(files[0]), *words])
        assert leaving.value.code == 2 and "how wide the tool is" in capsys.readouterr().err


def test_the_same_file_twice_counts_once(written, measured, gpx):
    """A file given twice, under another name and as GPX of the same CSV, counts once, and a note of each says so."""
    xy, t = lanes(n=2)
    text = csv_of(xy, t)
    lat, lon = PLANE.to_latlon(xy)
    points = "".join(
        f'<trkpt lat="{a:.6f}" lon="{b:.6f}"><time>{datetime.fromtimestamp(START + s, UTC):%Y-%m-%dT%H:%M:%SZ}</time></trkpt>'
        for s, a, b in zip(t, lat, lon, strict=True)
    )
    once = measured(written("a.csv", text), "--width", 12)
    again = measured(
        written("a.csv", text),
        written("a.csv", text),
        written("b.csv", text),
        written("c.gpx", gpx(points)),
        "--width",
        12,
    )
    assert again["area_m2"] == once["area_m2"]
    assert again["trace"]["reasons"] == {"there twice": 3 * len(t)}
    assert [note for note in again["notes"] if note.startswith("c.gpx")] == [
        "c.gpx says of 402 fixes what another recording given says too; they were counted once."
    ]


def test_what_was_counted_is_said(written, square, measured, capsys):
    """Spans and why they are counted stand in the JSON and in the words, by boundary, guess and statement."""
    trace = written("a.csv", csv_of(*lanes()))
    assert measured(trace, "--width", 12)["stints"][0]["why"].startswith("all that was recorded, for no boundary")
    seen = written("seen.csv", csv_of(*one_way()))
    guessed = measured(seen, "--width", 12, "--field", square(0, -6, 400, 60))["stints"][0]
    assert guessed["why"].startswith("estimated") and len(guessed["spans"]) == 5
    crossing = written("b.csv", csv_of(*lanes(n=1)))
    assert measured(crossing, "--width", 12, "--field", square(0, -6, 400, 60))["stints"][0]["why"].endswith(
        "was driven"
    )
    rows = csv_of(*lanes()).splitlines()
    told = [rows[0] + ",working", *(f"{row},{int(n % 200 > 50)}" for n, row in enumerate(rows[1:]))]
    stated = measured(written("c.csv", "\n".join(told)), "--width", 12)["stints"][0]
    assert stated["why"] == "as the recording states" and len(stated["spans"]) == 5
    main(["measure", str(trace), "--width", "12"])
    assert "a.csv: counted 2026-05-05T10:00:00Z to 2026-05-05T14:03:20Z, all that" in capsys.readouterr().out


def stated(columns, *values):
    """The lanes with columns of these values on every row."""
    rows = csv_of(*lanes()).splitlines()
    return "\n".join([f"{rows[0]},{columns}", *(f"{row},{','.join(map(str, values))}" for row in rows[1:])])


@pytest.mark.parametrize("form", ["words", "json"])
@pytest.mark.parametrize("bounded", [False, True])
@pytest.mark.parametrize(
    "make, words",
    [
        (lambda: csv_of(*lanes(n=1, step=60.0, every=60.0)), "apart, and where it went in more than 38 s is not"),
        (lambda: stated("working", 0), "never worked"),
        (lambda: stated("s1,s2,s3", 0, 0, 0), "never worked"),
        (lambda: stated("width", 0), "never worked"),
        (lambda: stated("working,width", 0, 12), "never worked"),
        (lambda: "time,lat,lon,quality\n" + "".join(f"{n},52,{n / 1e5 - 106},0\n" for n in range(9)), "no position"),
    ],
)
def test_nothing_covered_is_loud(written, square, capsys, make, words, bounded, form):
    """A trace that moved and covers nothing says why, with a status of its own, and claims no gap."""
    given = ["--width", "12", *(["--field", str(square(0, -6, 400, 60))] if bounded else [])]
    refused = words == "no position"
    status = main(["measure", str(written("a.csv", make())), *given, *(["--json"] if form == "json" else [])])
    caught = capsys.readouterr()
    assert (status, words in caught.err) == (1 if refused else 3, True)
    if form == "json" and not refused:
        found = json.loads(caught.out)
        assert words in found["nothing"] and (found["gaps"], found["proof"]) == ([], None)
        assert found["area_m2"]["covered"] == found["area_m2"]["pass_area"] == 0
    elif not refused:
        assert "gaps below" not in caught.out and "at least" not in caught.out


@pytest.mark.parametrize(
    "header, value, width",
    [
        ("width", 6, 6.0), ("width (m)", 6, 6.0), ("Working width [cm]", 600, 6.0), ("width_mm", 6000, 6.0),
        ("width (ft)", 20, 6.096), ("width (feet)", 20, 6.096), ("swath width in", 240, 6.096), ("width", 12.1, 12.0),
    ],
)  # fmt: skip
def test_a_width_counts_in_the_unit_of_its_header(written, measured, header, value, width):
    """International foot and inch, 0.3048 and 0.0254 m (NIST SP 811); up to 1 % more than the tool is all of it."""
    found = measured(written("a.csv", stated(header, value)), "--width", 12)
    assert found["area_m2"]["pass_area"] == pytest.approx(5 * 400 * width, rel=2e-3)


@pytest.mark.parametrize("header, value", [("width", 610), ("width", 20), ("width (ft)", 60), ("width", "inf")])
def test_a_width_that_the_tool_cannot_have_is_refused(written, capsys, header, value):
    """The rows are counted and the way out is named."""
    assert main(["measure", str(written("a.csv", stated(header, value))), "--width", "12"]) == 1
    said = capsys.readouterr().err
    assert "in 1,005 fixes" in said and "width (ft)" in said


def test_a_width_that_says_nothing_is_noted(written, measured):
    """A width of 0 while working, and a column in an unknown unit, are said."""
    half = stated("working,width", 1, 12).replace(",1,12", ",1,0", 500)
    assert (
        "500 fixes state that the tool works, with a width of 0"
        in measured(written("a.csv", half), "--width", 12)["notes"][0]
    )
    found = measured(written("b.csv", stated("width (rods)", 2)), "--width", 12)
    assert "width (rods) is in a unit that is not known" in found["notes"][0]
    assert found["stints"][0]["why"].startswith("all that was recorded")


@pytest.mark.parametrize("every", [20.0, 30.0])
def test_a_fix_each_half_minute_counts_no_passes(written, square, measured, capsys, every):
    """Half-laps that cover 54 of 60 m twice, by the plan: the interval holds that, and unknown ground is not "none"."""
    way = []
    for n in range(10):
        x = np.arange(0.0, 401.0, 2.5)[:: -1 if n % 2 else 1]
        turn = np.linspace(-np.pi / 2, np.pi / 2, 5)[1:-1]
        out = np.column_stack([np.cos(turn) * (-3 if n % 2 else 3) + x[-1], np.sin(turn) * 3 + 6 * n + 6])
        way += [np.column_stack([x, np.full(len(x), 6 * n + 3.0)]), out]
    way = np.concatenate(way)
    random = np.random.default_rng(7)
    rows = np.unique(np.clip(np.cumsum(random.normal(every, every / 5, 200)), 0, len(way) - 1).astype(int))
    trace, field = written("a.csv", csv_of(way[rows], rows)), square(0, 0, 400, 60)
    found = measured(trace, "--width", 12, "--field", field)
    areas, proof = found["area_m2"], found["proof"]
    assert proof["low"] <= 54 / 60 <= proof["high"] and proof["high"] - proof["low"] > 0.2
    assert areas["unknown"] > 100 and areas["none"] < 100
    assert areas["unknown"] + areas["none"] + areas["covered"] == pytest.approx(areas["field"], rel=2e-3)
    assert not [gap for gap in found["gaps"] if gap["kind"] == "none" and gap["certainty"] == "sure"]
    assert any("is too seldom to count passes" in note for note in found["notes"])
    main(["measure", str(trace), "--width", "12", "--field", str(field)])
    assert "\nunknown   " in capsys.readouterr().out


def test_nothing_is_unknown_of_a_recording_like_any_other(written, square, measured):
    """A fix each second without a gap leaves nothing unknown; what was never driven is none."""
    areas = measured(written("a.csv", csv_of(*one_way())), "--width", 12, "--field", square(0, -6, 400, 60))["area_m2"]
    assert areas["unknown"] == 0 and areas["none"] == pytest.approx(400 * 30, rel=2e-3)


def test_a_field_of_any_kind_of_file_is_taken(written, square, measured, capsys):
    """A boundary walked as a GPX track counts like GeoJSON; two fields in one file are refused in words."""
    trace, json_file = written("a.csv", csv_of(*one_way())), square(0, -6, 400, 60)
    ring = json.loads(json_file.read_text())["coordinates"][0]
    loop = "".join(f'<trkpt lat="{lat:.9f}" lon="{lon:.9f}"/>' for lon, lat in ring)
    head = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="test">'
    track = f"<trk><trkseg>{loop}</trkseg></trk>"
    given = [written(f"{n}.gpx", f"{head}{track * n}</gpx>") for n in (1, 2)]
    areas, same = (measured(trace, "--width", 12, "--field", one)["area_m2"] for one in (json_file, given[0]))
    assert same["field"] == pytest.approx(areas["field"], rel=1e-4)
    assert same["none"] == pytest.approx(areas["none"], rel=1e-3)
    assert main(["measure", str(trace), "--width", "12", "--field", str(given[1])]) == 1
    assert "holds 2 fields" in capsys.readouterr().err


def test_work_beside_the_field_is_loud(written, square, capsys):
    """Passes 100 m beside the boundary cover nothing of it, and the distance is said."""
    trace = written("a.csv", csv_of(*lanes()))
    assert main(["measure", str(trace), "--width", "12", "--field", str(square(0, 124, 400, 200))]) == 3
    assert "came no closer to the field than 330 ft" in capsys.readouterr().err


def keys_of(value):
    """Every key of the objects in a JSON value; those that are numbers or sentences name no figure."""
    if isinstance(value, list):
        return set().union(*map(keys_of, value))
    if not isinstance(value, dict):
        return set()
    named = {key for key in value if key.isidentifier()}
    return named.union(*map(keys_of, value.values()))


def test_the_keys_of_the_json_are_in_the_readme_and_agree(written, square, measured):
    """Every key is named there; areas, shares and gaps of a drive with a break fit each other as it says."""
    xy, t = lanes()
    keep = (t < 420) | (t > 520)
    bare = measured(written("a.csv", csv_of(xy, t)), "--width", 12)
    found = measured(
        written("b.csv", csv_of(xy[keep], t[keep])), "--width", 12, "--field", square(0, -6, 400, 60), "--target", 3
    )
    said = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    for key in keys_of([bare, found]):
        assert f"`{key}`" in said, key
    areas = found["area_m2"]
    assert areas["none"] + areas["unknown"] + areas["covered"] == pytest.approx(areas["field"], rel=1e-9)
    assert (
        list(areas["by_count"]) == [str(n) for n in range(1, len(areas["by_count"]) + 1)] and "3" in areas["by_count"]
    )
    assert sum(areas["by_count"].values()) == pytest.approx(areas["covered"], rel=1e-9)
    assert sum(int(n) * area for n, area in areas["by_count"].items()) == pytest.approx(areas["pass_area"], rel=1e-9)
    reached = sum(area for n, area in areas["by_count"].items() if int(n) >= 3)
    proof = found["proof"]
    assert proof["share"] == pytest.approx(reached / areas["field"], rel=1e-9)
    assert proof["low"] <= proof["share"] <= proof["high"]
    for kind in ("none", "unknown"):
        assert (
            sum(gap["area_m2"] for gap in found["gaps"] if gap["kind"] == kind) <= areas["none"] + areas["unknown"] + 1
        )
    assert all((gap["chance"] is None) <= (gap["certainty"] == "cannot tell") for gap in found["gaps"])
    assert all(gap["chance"] is None for gap in found["gaps"] if gap["kind"] == "unknown")
    assert (bare["area_m2"]["unknown"], bare["area_m2"]["short_unknown"], bare["proof"]) == (None, None, None)
    assert bare["gaps"] == bare["recovered"] == []


@pytest.mark.parametrize(("every", "noise"), [(1.0, 0.0), (1.0, 0.6), (60.0, 1.0)])
def test_a_machine_that_stood_still_is_told_so(written, square, capsys, every, noise):
    """No ground is right then: status 0, and no word on the logger."""
    t = np.arange(0.0, 3600.0, every)
    xy = np.array([200.0, 20.0]) + np.random.default_rng(1).normal(0, noise, (len(t), 2)).clip(-2, 2)
    trace = written("stood.csv", csv_of(xy, t))
    assert main(["measure", str(trace), "--width", "12", "--field", str(square(0, -6, 400, 60))]) == 0
    said = capsys.readouterr()
    assert "It stood still, within " in said.out and said.err == ""
    assert "logger" not in said.out


def test_sections_that_a_tool_does_not_have_are_said(written, measured):
    """Three columns for a tool without sections are taken for equal thirds, aloud; with their widths nothing is said."""
    trace = written("s.csv", stated("s1,s2,s3", 1, 0, 1))
    notes = measured(trace, "--width", 12)["notes"]
    assert any("It states 3 sections" in note and "equal parts of it" in note for note in notes)
    assert not measured(trace, "--width", 12, "--sections", "6,3,3")["notes"]
