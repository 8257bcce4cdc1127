"""What the screens know by themselves, without a window: outlines, forms, pace, light, the tablet's health."""

import importlib
import json
import os
from types import SimpleNamespace

import pytest
from shapely.geometry import shape

from cabapp.__main__ import main
from cabapp.common.farm_format import FarmFormat
from cabapp.common.quantities import Length
from cabapp.common.units import Units
from cabapp.jobs.records.tap_kinds import TAP_KINDS, Entry, TapKind, Value
from cabapp.position.boundaries.boundary_drive import boundary_of_drive, track_length
from cabapp.position.boundaries.boundary_search import boundary_files
from cabapp.position.boundaries.field_files import read_fields
from cabapp.position.fix import Fix
from cabapp.position.receivers.selected_receiver import SelectedReceiver
from cabapp.position.recordings.replay_source import Replay
from cabapp.screens.setup.form_fields import FORMS, FormRefused, refuse_incomplete, typed_of, value_of
from cabapp.screens.work.figure_entry import figures_of
from cabapp.tablet.fix_monitor import FixMonitor
from cabapp.tablet.hardware_status import tablet_trouble
from cabapp.tablet.tablet_settings import Settings
from store.errors import BoundaryRefused, Refused
from tests.window.contrast import contrast

RING = [(10.0, 50.0), (10.004, 50.0), (10.004, 50.002), (10.0, 50.002), (10.0, 50.0)]


def test_one_field_is_the_same_from_every_kind_of_file(tmp_path):
    """GeoJSON, KML with a hole left out, and a GPX track round it give the same ring."""
    places = " ".join(f"{x},{y},0" for x, y in RING)
    (tmp_path / "a.geojson").write_text(json.dumps({"type": "Polygon", "coordinates": [RING]}))
    (tmp_path / "b.kml").write_text(
        '<kml xmlns="http://www.opengis.net/kml/2.2"><Document><Placemark><name>A</name><Polygon><outerBoundaryIs><LinearRing>'
        f"<coordinates>{places}</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>"
    )
    points = "".join(f'<trkpt lat="{y}" lon="{x}"/>' for x, y in RING)
    (tmp_path / "c.gpx").write_text(
        f'<gpx xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>{points}</trkseg></trk></gpx>'
    )
    files = boundary_files(tmp_path)
    assert [path.name for path in files] == ["a.geojson", "b.kml", "c.gpx"]
    rings = [shape(read_fields(path)[0].geometry) for path in files]
    assert all(ring.equals(rings[0]) and ring.area > 0 for ring in rings)


def test_a_hole_in_kml_stays_a_hole(tmp_path):
    """An inner boundary of a KML polygon is cut out of the field."""

    def places(ring):
        return "<LinearRing><coordinates>" + " ".join(f"{x},{y}" for x, y in ring) + "</coordinates></LinearRing>"

    hole = [(10.001, 50.0005), (10.002, 50.0005), (10.002, 50.001), (10.001, 50.0005)]
    (tmp_path / "b.kml").write_text(
        f"<kml><Polygon><outerBoundaryIs>{places(RING)}</outerBoundaryIs><innerBoundaryIs>{places(hole)}</innerBoundaryIs></Polygon></kml>"
    )
    (found,) = read_fields(tmp_path / "b.kml")
    assert shape(found.geometry).area == pytest.approx(0.004 * 0.002 - 0.001 * 0.0005 / 2, rel=1e-9)


@pytest.mark.parametrize(
    ("name", "text"),
    [("x.kml", "<kml><Polygon>"), ("x.kml", "<kml/>"), ("x.gpx", "<gpx><trk><trkseg/></trk></gpx>"),
     ("x.kml", "<!DOCTYPE kml><kml/>"), ("x.gpx", '<gpx><rte><rtept lat="a" lon="1"/><rtept lat="1" lon="1"/><rtept lat="1" lon="2"/></rte></gpx>')],
)  # fmt: skip
def test_a_file_without_a_field_is_refused_with_a_sentence(tmp_path, name, text):
    """A damaged file, or one with no ring in it, is refused in words that name the file."""
    (tmp_path / name).write_text(text)
    with pytest.raises(BoundaryRefused, match=name):
        read_fields(tmp_path / name)


def test_driving_round_gives_the_ground_driven_round():
    """A drive along the sides of 400 x 200 m encloses 8 ha, and a drive to and fro is refused."""
    from cabapp.geometry.plane import Plane

    plane = Plane(50.0, 10.0)
    side = [(float(x), 0.0) for x in range(0, 400, 5)] + [(400.0, float(y)) for y in range(0, 200, 5)]
    ring = side + [(400.0 - x, 200.0 - y) for x, y in side]
    track = [tuple(float(v) for v in place) for place in zip(*plane.to_latlon(ring), strict=True)]
    assert track_length(track) == pytest.approx(1195, abs=2)
    drawn = boundary_of_drive(track)
    corners = [plane.to_xy(lat, lon)[0] for lon, lat in drawn["coordinates"][0]]
    from shapely.geometry import Polygon

    assert Polygon(corners).area == pytest.approx(80_000, rel=1e-4)
    for short in (track[:3], track[:40] + track[:40][::-1]):
        with pytest.raises(BoundaryRefused):
            boundary_of_drive(short)


def test_what_was_typed_is_kept_in_si_and_comes_back():
    """45 typed for feet is 13.716 m (foot exact), comes back as 45, and nonsense is refused."""
    width = FORMS["tools"].lines[1]
    value = value_of(width, "45", Units("us"))
    assert value == pytest.approx(13.716) and typed_of(width, value, Units("us")) == "45"
    assert typed_of(width, value, Units("metric")) == "13.72"
    assert value_of(FORMS["farm"].lines[3], "4", Units("us")) == pytest.approx(4 / 3.785411784)
    for wrong in ("1.2.3", "0", "999"):
        with pytest.raises(FormRefused, match="Working width"):
            value_of(width, wrong, Units("us"))
    with pytest.raises(FormRefused, match="Name"):
        refuse_incomplete(FORMS["tools"], {"name": "", "width_m": 12.0})


def test_sections_are_typed_in_the_farms_units_or_counted():
    """20, 10 and 20 ft of a 50 ft tool are 6.096, 3.048 and 6.096 m (foot exact); alone, a number is how many."""
    line = next(line for line in FORMS["tools"].lines if line.kind == "sections")
    kept = value_of(line, "20 10 20", Units("us"), 15.24)
    assert kept == "6.096,3.048,6.096" and typed_of(line, kept, Units("us")) == "20 10 20"
    assert value_of(line, "3", Units("metric"), 12.0) == "4,4,4" and typed_of(line, "4,4,4", Units("us")) == "3"
    assert value_of(line, "", Units("us"), 12.0) is None and typed_of(line, "wide", Units("us")) == ""
    with pytest.raises(FormRefused, match="width first"):
        value_of(line, "3", Units("us"))
    with pytest.raises(Refused, match="Type the width of each"):
        value_of(line, "20 10", Units("us"), 12.0)


def test_every_form_asks_for_columns_that_are_there():
    """Each line of each form is a column of its table, and what the table needs is asked for."""
    for form in FORMS.values():
        columns = form.model.__table__.columns
        asked = {column for line in form.lines for column in line.columns}
        assert asked <= set(columns.keys())
        own = {c.name for c in columns if not c.nullable and c.default is None} - {"id", "device", "seq", "stamp"}
        assert own <= asked, form.title


def test_the_pace_is_heard_without_a_stint():
    """Fixes of 3 m/s northwards are heard as 3 m/s, and standing as 0, while they pass unchanged."""
    fixes = [Fix(k / 10, 50.0 + 3.0 * k / 10 / 111_195.0, 10.0) for k in range(50)]
    fixes += [Fix(5 + k / 10, fixes[-1].lat, 10.0) for k in range(60)]
    receiver = SelectedReceiver(None, Replay(fixes, "x"))
    heard = FixMonitor(receiver)
    assert heard.speed() is None and heard.last() is None
    heard.track = []
    assert len(receiver.poll(4.0)) == 41
    assert heard.speed() == pytest.approx(3.0, rel=0.01)
    receiver.poll(11.0)
    assert heard.speed() == pytest.approx(0.0, abs=1e-6)
    assert len(heard.track) == 110 and receiver.name == "x"


def test_the_tablet_says_what_it_suffers_from(tmp_path):
    """A battery running down, heat and a full disk are said in words; a healthy one says nothing."""
    supply, zone = tmp_path / "class/power_supply/BAT0", tmp_path / "class/thermal/thermal_zone0"
    for folder, files in (
        (supply, {"type": "Battery", "status": "Discharging", "capacity": "55"}),
        (zone, {"temp": "51000"}),
    ):
        folder.mkdir(parents=True)
        for name, word in files.items():
            (folder / name).write_text(word + "\n")
    assert tablet_trouble(tmp_path, tmp_path, free=1 << 40) is None
    (zone / "temp").write_text("81000\n")
    assert "hot (81 °C)" in str(tablet_trouble(tmp_path, tmp_path, free=1 << 40))
    (supply / "capacity").write_text("20\n")
    assert "20 %" in str(tablet_trouble(tmp_path, tmp_path, free=1 << 40))
    (supply / "status").write_text("Charging\n")
    assert "hot" in str(tablet_trouble(tmp_path, tmp_path, free=1 << 40))
    assert "nearly full" in str(tablet_trouble(tmp_path, tmp_path, free=100 << 20))


def test_settings_outlive_a_restart_and_a_damaged_file(tmp_path):
    """What was chosen is there again; a damaged file gives the defaults and no fault."""
    Settings(tmp_path / "t.json")["light"] = "night"
    assert Settings(tmp_path / "t.json")["light"] == "night"
    for damage in ("{", "[]", '{"light": "purple"}'):
        (tmp_path / "t.json").write_text(damage)
        assert Settings(tmp_path / "t.json")["light"] == "by the sun"


@pytest.mark.parametrize("palette", ["DAY", "DUSK", "NIGHT"])
def test_every_light_holds_its_contrast(palette):
    """Ink on paper and words on the accent reach 7:1 by day, at dusk and by night (WCAG 2.2, 1.4.6)."""
    os.environ.setdefault("KIVY_NO_ARGS", "1")
    theme = importlib.import_module("cabapp.screens.widgets.theme")
    colours = getattr(theme, palette)
    assert contrast(colours.ink, colours.paper) >= 7
    assert contrast(colours.accent_ink, colours.accent) >= 7


def test_the_kiosk_is_printed_and_written_only_when_asked(tmp_path, monkeypatch, capsys):
    """`rollbook kiosk` prints a unit that systemd's form allows, writes nothing, and says what is untested."""

    monkeypatch.delenv("ROLLBOOK_HOME", raising=False)

    def kiosk(*words):
        status = main(["kiosk", "--path", str(tmp_path / "u.service"), *words])
        return status, capsys.readouterr().out

    status, shown = kiosk("--system", "linux", "--user", "cab")
    assert status == 0 and "UNTESTED" in shown and "Nothing was written" in shown
    assert not (tmp_path / "u.service").exists()
    assert kiosk("--system", "linux", "--user", "cab", "--write")[0] == 0
    import configparser

    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str
    unit.read_string((tmp_path / "u.service").read_text())
    assert unit["Service"]["User"] == "cab" and unit["Service"]["Restart"] == "always"
    assert unit["Service"]["Environment"].endswith("kmsdrm")
    assert "ROLLBOOK_HOME=/home/cab/.rollbook" in shown, "the logbook is that user's, not root's"
    assert unit["Service"]["ExecStart"].endswith("--fullscreen") and unit["Install"]["WantedBy"] == "multi-user.target"
    assert "UNTESTED" in kiosk("--system", "windows")[1]
    assert kiosk("--system", "windows", "--write")[0] == 1


DUST = TapKind(
    "dust", "Dust {depth}", transitions={"ready": "ready"}, undo="dust", refresh="", button="Dust", menu=True,
    values=(Value("depth", "No.", 0.0, 3.0, quantity=Length, entry=Entry("Dust {figure}", "Dust: not known", 0.9)),),
)  # fmt: skip
ENTERED = [DUST, *(kind for kind in TAP_KINDS.values() if kind.entered)]


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("kind", ENTERED, ids=lambda kind: kind.name)
def test_figures_of_a_tap_stay_within_its_bounds(kind, system):
    """Untouched nothing is told; at either end, and one step into it, the kind takes what is told."""
    told = []
    app = SimpleNamespace(farm=FarmFormat("UTC", Units(system)), do=lambda name, **detail: told.append((name, detail)))
    pair = figures_of(kind, app)
    pair.write(None)
    for step in (1, -1000, 1, 1000, -1):
        for figure in pair.figures:
            figure.add(step)
        pair.write(None)
    assert told[0] == (kind.name, {value.name: None for value in kind.values})
    for name, detail in told:
        assert name == kind.name and kind.check(detail) == detail


def test_the_figure_of_a_tap_is_said_in_the_units_of_the_farm():
    """0.9 m are about 3 ft, 3 m just under 10 ft: the last whole figure is 9 ft, 2.7432 m (exact)."""
    told = []
    app = SimpleNamespace(farm=FarmFormat("UTC", Units("us")), do=lambda _name, **detail: told.append(detail["depth"]))
    (figure,) = (pair := figures_of(DUST, app)).figures
    assert figure.text == "Dust: not known"
    figure.add(0)
    assert figure.text == "Dust 3 ft"
    figure.add(10)
    pair.write(None)
    assert figure.text == "Dust 9 ft" and told == [pytest.approx(2.7432)]
