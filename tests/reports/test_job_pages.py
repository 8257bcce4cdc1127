"""What leaves on paper: whole, self-contained, harmless, and with the store's own figures."""

import re
from dataclasses import replace
from html.parser import HTMLParser
from types import SimpleNamespace

import lxml.etree
import lxml.html
import numpy as np
import pytest
import shapely

from cabapp.common.farm_format import FarmFormat
from cabapp.common.units import ACRE, Units
from cabapp.counting.areas.area_totals import area_totals as tally
from cabapp.reports.export.job_export import stem
from cabapp.reports.job.field_log import field_log
from cabapp.reports.job.hand_over_page import hand_over_sheet
from cabapp.reports.model.job_record import read_job
from cabapp.reports.render import hatching, map_svg
from cabapp.reports.render.page_elements import SCRIPT, bar, map_of
from cabapp.track.receiver_error import judge

START = 1778780400.0
VOID = {"meta", "br", "link", "img", "hr", "input", "path", "circle", "rect"}


class Balance(HTMLParser):
    """Notes elements that are closed out of turn, and all that were seen."""

    def __init__(self):
        super().__init__()
        self.open, self.wrong, self.seen, self.attributes = [], [], set(), []

    def handle_starttag(self, tag, attrs):
        self.seen.add(tag)
        self.attributes += attrs
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.add(tag)
        self.attributes += attrs

    def handle_endtag(self, tag):
        if tag in VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


def read(page):
    balance = Balance()
    balance.feed(page)
    balance.close()
    return balance


@pytest.fixture(scope="module")
def log_page(small_log):
    return field_log(small_log, small_log.ended + 60)


@pytest.fixture(scope="module")
def sheet_page(small_job, small_log):
    row, receipts = small_log.hand_overs[0]
    return hand_over_sheet(read_job(small_job.book, small_job.job, row), row, receipts, row.at + 60)


def figure(page, key):
    found = lxml.html.fromstring(page).xpath(f'//*[@data-figure="{key}"]')
    return found[0].text_content().strip()


def scripts(page) -> list[str]:
    """What a page would run: its scripts but for those that are data."""
    found = lxml.html.fromstring(page).iter("script")
    return [one.text for one in found if one.get("type") != "application/json"]


def test_pages_are_whole(log_page, sheet_page):
    """Every element of either page is closed in turn, and both read back with lxml."""
    for page in (log_page, sheet_page):
        balance = read(page)
        assert (balance.open, balance.wrong) == ([], [])
        assert lxml.html.fromstring(page).xpath("//h1")[0].text_content() == "Square"


def test_pages_fetch_nothing(log_page, sheet_page):
    """A page refers to nothing outside itself and runs its own one script, so it works from a stick."""
    for page in (log_page, sheet_page):
        balance = read(page)
        assert not balance.seen & {"link", "img", "iframe", "object", "embed"}
        assert scripts(page) in ([], [SCRIPT])
        assert not [a for a, _ in balance.attributes if a in ("src", "href") or a.startswith("on")]
        assert all(ref.startswith("#") for ref in re.findall(r"url\(([^)]*)\)", page))
        outside = set(re.findall(r"\w+://[^\"' <]+", page))
        assert outside <= {"http://www.w3.org/2000/svg"} and "@import" not in page


def test_areas_follow_from_the_widths(small_log):
    """Lanes 10 m wide at -25, -20 and -15 of a 200 m field give areas known by hand.

    Once at the two outer halves, twice between, less 200 m2 to 300 m2 a lane of twelve seconds
    without reception.
    """
    t = small_log.totals
    assert t.field_area == pytest.approx(12000, rel=2e-4)
    lost = 10 * 30  # m2 the second lane is not credited with
    assert t.pass_area == pytest.approx(3 * 10 * 200 - lost, rel=0.01)
    assert t.by_count[2] == pytest.approx(2 * 5 * 200 - lost, rel=0.02)
    assert t.by_count[1] == pytest.approx(2 * 5 * 200 + lost, rel=0.02)
    assert t.none == pytest.approx(12000 - 20 * 200, rel=0.002)


def test_figures_on_the_page_are_the_tally(log_page, small_log):
    """Field area, pass area and every class on the page are the tally's, in acres."""
    t = small_log.totals
    assert figure(log_page, "field") == f"{t.field_area / ACRE:.2f} ac"
    assert figure(log_page, "pass_area") == f"{t.pass_area / ACRE:.2f} ac"
    cells = lxml.html.fromstring(log_page).xpath("//td[@data-count]")
    shown = {int(c.get("data-count")): c.text_content().strip() for c in cells}
    expected = {0: t.none, **t.by_count}
    assert shown == {n: f"{a / ACRE:.2f} ac" for n, a in expected.items()}


def test_classes_add_up_to_the_field(small_log):
    """Never, unknown, once, twice and more add up to the field area; pass area is no part of that sum."""
    t = small_log.totals
    assert t.none + t.unknown + sum(t.by_count.values()) == pytest.approx(t.field_area, rel=1e-9)
    assert t.pass_area == pytest.approx(sum(n * a for n, a in t.by_count.items()))


def test_shares_add_up_as_printed(log_page, small_log):
    """The classes on the page are 100.0 % together, and in the words read aloud of the bar as well."""
    rows = lxml.html.fromstring(log_page).xpath("//td[@data-count]/..")
    printed = [float(one) for row in rows for one in re.findall(r"([\d.]+) %", row.text_content())]
    assert len(printed) >= 3
    assert sum(printed) == pytest.approx(100.0, abs=1e-9)
    totals = small_log.totals
    said = re.findall(r"(\d+) %", str(bar(totals.by_count, totals.covered, 2)))
    assert sum(map(int, said)) == 100


def test_each_operators_pass_area_is_their_own(small_log):
    """Pass areas of the stints add up to the job's, and each is what its own pieces cover."""
    parts = small_log.count.pieces()
    assert sum(s.pass_area for s in small_log.stints) == pytest.approx(small_log.totals.pass_area, rel=1e-6)
    assert small_log.stints[1].pass_area == pytest.approx(tally([parts[1]], small_log.count.field).pass_area)


def test_hours_are_split_by_reason(small_log):
    """Working and stopped seconds follow from the taps; the stop that was taken back stops nothing."""
    first = small_log.stints[0]
    assert first.working_s == pytest.approx(88 + 88)
    assert first.stopped == pytest.approx({"before the start": 60, "fuel": (300 - 88) + (500 - 388)})
    assert first.working_s + sum(first.stopped.values()) == pytest.approx(first.ended - first.row.at)


def test_a_shift_over_the_change_of_clocks_is_nine_hours():
    """Denver 2026-10-31 22:00 to 2026-11-01 06:00 is 9 h, not the 8 h the wall clock shows.

    Source: tzdata, America/Denver, 2026-11-01 08:00Z.
    """
    words = FarmFormat("America/Denver", Units("us"))
    begin, end = 1793505600.0, 1793538000.0
    assert (words.when(begin), words.when(end)) == ("31 Oct 22:00", "1 Nov 06:00")
    assert words.duration(end - begin) == "9 h 00 min"
    assert (words.zone_words(begin), words.zone_words(end)) == ("MDT, UTC−06:00", "MST, UTC−07:00")


def test_an_unknown_zone_says_utc():
    """A time zone this machine does not know falls back to UTC and says so."""
    assert FarmFormat("Nowhere/Lost", Units("us")).zone_words(0.0) == "UTC, UTC+00:00"


def test_the_log_of_taps_is_in_the_units_of_the_farm(log_page):
    """100 litres are 26 US gallons (NIST SP 811)."""
    assert "Fuel in: 26 gal" in log_page


def test_undone_taps_are_struck_through_not_dropped(log_page):
    """The stop taken back stays on the page, struck through; the others are not."""
    struck = [li.text_content() for li in lxml.html.fromstring(log_page).xpath('//li[@class="undone"]')]
    assert len(struck) == 1 and "Stopped: fuel" in struck[0] and "12:40:30" in struck[0]


def test_corrections_are_shown_and_obeyed(log_page, small_log):
    """A mark taken back is off the map and out of the list, and its correction is on the page."""
    assert [m.kind for m in small_log.marks] == ["rock", "slough"]
    assert "Corrections" in log_page and "mark, taken back" in log_page


def test_warnings_are_numbers_without_blame(log_page):
    """A warning is counted; whether it was acted on is nobody's business here."""
    assert "Warned: ground already finished once." in log_page
    assert "acted" not in log_page


def test_time_without_position_is_said_and_drawn(log_page, small_log):
    """The twelve seconds without reception are on the page and stippled on the map."""
    assert sum(end - begin for begin, end in small_log.stints[0].lost) == pytest.approx(12)
    assert figure(log_page, "lost") == "12 s" and 'data-class="unknown"' in log_page


def test_map_can_be_read_out(log_page):
    """The map is an image with a title and a description that holds the areas."""
    svg = lxml.html.fromstring(log_page).xpath('//*[local-name()="svg"][@role="img"]')[0]
    title, desc = (svg.xpath(f'./*[local-name()="{n}"]')[0] for n in ("title", "desc"))
    assert "Square" in title.text and "Rolled twice" in desc.text
    assert svg.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"


def test_tables_have_headers(log_page):
    """Every table head cell says which way it heads."""
    heads = lxml.html.fromstring(log_page).xpath("//th")
    assert heads and all(th.get("scope") in ("col", "row") for th in heads)


def test_sheet_shows_the_field_as_it_was(sheet_page, small_log):
    """The hand-over sheet counts only what was done by then, and marks only what was marked by then."""
    before = 2 * 10 * 200 - 300
    shown = float(figure(sheet_page, "pass_area").split()[0])
    assert shown == pytest.approx(before / ACRE, abs=0.01)
    assert "<title>rock</title>" in sheet_page and "<title>slough</title>" not in sheet_page


def test_sheet_names_both_and_the_next_pass(sheet_page):
    """Both names are on the sheet, and the place where the next pass begins is on its map."""
    assert "handed over by Ada Stone" in sheet_page and "taken over by Bo Reed" in sheet_page
    assert "next pass begins" in sheet_page and "5 ft off" in sheet_page


def test_hostile_names_are_only_words(hostile_job):
    """Names that are HTML, script or template code appear as text and do nothing."""
    log = read_job(hostile_job.book, hostile_job.job)
    row, receipts = log.hand_overs[0]
    for page in (field_log(log, 0.0), hand_over_sheet(log, row, receipts, 0.0)):
        balance = read(page)
        assert (balance.open, balance.wrong) == ([], [])
        assert not balance.seen & {"img", "iframe", "u"}
        assert scripts(page) in ([], [SCRIPT])
        assert not [a for a, _ in balance.attributes if a.startswith("on") or a == "src"]
        assert hostile_job.names.farm in lxml.html.fromstring(page).text_content()
    assert "{{ 7 * 7 }}" in field_log(log, 0.0)


def test_file_names_are_plain(hostile_job):
    """A field's name cannot lead a file out of its folder."""
    name = stem(read_job(hostile_job.book, hostile_job.job))
    assert re.fullmatch(r"[a-z0-9-]+", name) and name.startswith("b-field-b-amp-rolling-2026-")


def test_standalone_map_is_xml(small_log):
    """The SVG map alone is well-formed XML."""
    root = lxml.etree.fromstring(str(map_of(small_log, "A & <map>")))
    assert root.find("{*}title").text == "A & <map>"


def test_path_data_draws_the_same_ring():
    """Relative path data read back gives the ring's corners to a tenth."""
    ring = [[3, 4], [13.26, 4], [13.26, 9.5], [3, 9.5], [3, 4]]
    data = hatching.path_data([np.array(ring)])
    start, moves = re.fullmatch(r"M([-\d. ]+)l([-\d. ]+)z", data).groups()
    numbers = [float(n) for n in moves.split()]
    corners = np.cumsum([[float(n) for n in start.split()], *zip(numbers[::2], numbers[1::2])], axis=0)
    assert np.abs(corners - np.array(ring[:-1])).max() <= 0.051


def test_outlines_cover_their_cells():
    """The hatched area of each class is its cells' area, to the little that smoothing takes."""
    kinds = np.zeros((60, 80), np.uint8)
    kinds[10:40, 5:70] = hatching.AT_TARGET
    kinds[20:30, 20:40] = hatching.ABOVE
    rings = hatching.outlines(kinds)
    area = {k: shapely.Polygon(r[0]).area - sum(shapely.Polygon(h).area for h in r[1:]) for k, r in rings.items()}
    assert area == {hatching.AT_TARGET: 30 * 65 - 200, hatching.ABOVE: 200}


def test_numbers_on_the_map_do_not_hide_one_another():
    """Gaps in one place get tags side by side, each joined to its place."""
    drawing = map_svg.Drawing(
        "t", "d", np.zeros((10, 10), np.uint8), np.zeros((10, 10), bool), (0, 0), 10.0, 2,
        gaps=[(n, 50.0, 50.0) for n in (1, 2, 3)], tallest=500,
    )  # fmt: skip
    svg = lxml.etree.fromstring(str(map_svg.draw(drawing)))
    tags = [
        g.get("transform")
        for g in svg.findall("{*}g[@data-layer='gaps']/{*}g")
        if g.find("{*}text") is not None and g.get("transform")
    ]
    assert len(tags) == 3 and len(set(tags)) == 3


def test_once_is_enough_where_once_is_wanted(tmp_path, page_names, small_log, write_small):
    """Ground that wants one pass is drawn and counted as done after one; elsewhere nothing changes."""
    half = {"type": "Polygon", "coordinates": [small_log.field.boundary["coordinates"][0]]}
    made = write_small(tmp_path / "once.sqlite", names=page_names.plain, once_only=half)
    log = read_job(made.book, made.job)
    made.book.close()
    assert small_log.reached == pytest.approx(small_log.totals.by_count[2])
    assert log.reached == pytest.approx(log.totals.covered, rel=0.01)
    page = field_log(log, 0.0)
    assert 'data-class="once"' not in page and 'data-class="target"' in page
    assert 'data-class="once"' in field_log(small_log, 0.0)


def test_what_is_proven_allows_for_the_receiver(log_page, small_log):
    """The page gives the count's own interval for ground at target, and says what it rests on."""
    proof = small_log.count.confidence()
    low, high = round(100 * proof.low), round(100 * proof.high)
    assert low <= 100 * proof.share + 0.5 and 100 * proof.share - 0.5 <= high
    assert figure(log_page, "proof") in (f"{low} to {high} %", f"{low} %")
    assert small_log.count.receivers()[0].words in log_page


def test_passes_before_seeding_are_void_on_the_page_too(tmp_path, page_names, write_small):
    """Of rolling before and after a seeding of the whole field only the one after is on the log."""
    made = write_small(tmp_path / "seeded.sqlite", names=page_names.plain, seeded_at=START + 691)
    log = read_job(made.book, made.job)
    made.book.close()
    assert log.totals.covered == pytest.approx(10 * 200, rel=0.05)


def test_ground_too_small_to_list_is_said(small_log):
    """What is below target and in no place of the list is given as one figure, so that list and areas add up;
    with everything listed nothing is said."""
    tally = small_log.totals
    below = tally.none + tally.unknown + sum(area for n, area in tally.by_count.items() if n < small_log.job.target)
    listed = small_log.gaps[:1]
    left = below - sum(gap.area for gap in listed)
    page = field_log(replace(small_log, gaps=listed), small_log.ended)
    assert left > 400
    assert f"Another {small_log.format.area(left)} below target lies in pieces too small or too narrow to list." in page
    whole = [*listed, replace(listed[0], area=left)]
    assert "too small or too narrow" not in field_log(replace(small_log, gaps=whole), small_log.ended)


def test_a_page_says_which_gaps_may_not_show_and_why(small_log, monkeypatch):
    """By the positions' error as stated; where it is not stated, that a phone's is assumed: 3.2 m, so gaps below 25 ft."""
    said = []
    for receiver in (judge([0.0], [0.1]), judge([0.0])):
        monkeypatch.setattr(small_log.count, "receivers", lambda receiver=receiver: [receiver])
        said.append(field_log(small_log, small_log.ended))
    assert "A gap narrower than 2 ft may not show." in said[0] and "not stated" not in said[0]
    assert "A gap narrower than 25 ft may not show. How far off the positions are was not stated" in said[1]


FULL_SHEET = {
    "state": {"why": "rain"},
    "where": {"next": {"side": "left", "lap_m": 0.3048}},
    "odd": {
        "once_only": True, "wing_now": "left up", "position_unknown_s": 130.0, "ground": {"look_first": "wet"},
        "part_width": [{"wing": "right up", "from": START, "to": START + 600}],
    },
    "marks": [{"kind": "rock", "note": "big", "lat": 47.65, "lon": -87.46}, {"kind": "pole"}],
    "machine": {
        "tractor": "Grey", "tool": "Roller", "width_m": 3.048, "antenna_to_hitch_m": 0.3048, "hitch_to_line_m": 6.096,
        "last_fuel": {"litres": 37.854, "at": START}, "tool_hours": 12.34, "grease_every_h": 10.0, "faults": ["hose"],
    },
    "seeder": {"at": START + 60},
    "to_do": [
        {"kind": "none" if k % 2 else "short", "area_m2": 4046.8564224, "certainty": "sure", "lat": 47.63, "lon": -87.46}
        for k in range(5)
    ],
    "closing": {"outgoing": "Ada Stone", "phone": "555-0100"},
    "told": {"odd": ["headland not done"], "machine": 3},
}  # fmt: skip


def test_the_nine_points_say_all_that_the_sheet_knows(small_job, small_log):
    """Every part of a full sheet stands in its point, in the farm's units, then the outgoing operator's answers."""
    row, _receipts = small_log.hand_overs[0]
    full = SimpleNamespace(
        sheet=FULL_SHEET, state="stopped", at=row.at, next_lat=None, next_lon=None, left_for=True, stint_id=row.stint_id
    )
    page = lxml.html.fromstring(hand_over_sheet(small_log, full, [], row.at + 60))
    points = [li.text_content().removeprefix(li.find("b").text) for li in page.xpath('//ol[@class="points"]/li')]
    assert points[0] == "stopped (stopped: rain)"
    assert points[1].endswith("Next pass: turn round, on the left of the last one, lapping it 1 ft.")
    assert points[2] == (
        "Part of this field is to be covered once only; wing right up 12:40 to 12:50; wing left up now; "
        "no position for 2 min while working; look first: wet. Headland not done."
    )
    assert points[3].startswith("Rock (big), 0.7 mi N") and points[3].endswith("of the gate; pole, place not known.")
    assert points[4] == (
        "Grey with Roller, 10 ft wide; antenna to hitch 1 ft, hitch to tool 20 ft; last fuel 10 gal at 14 May 12:40; "
        "tool has worked 12.3 h in this logbook, grease every 10 h; not right when last looked at: hose."
    )
    assert points[5:7] == ["Seen at 12:41.", "Nothing said."]
    assert points[7].startswith("Too few 1.00 ac, sure, 0.7 mi S") and points[7].endswith("of the gate; and 1 more.")
    assert points[7].count("never 1.00 ac") == 2 and points[7].count("oo few 1.00 ac") == 2
    assert points[8] == "Left for whoever comes next. From Ada Stone, phone 555-0100."
    assert "taken over by" in page.text_content() and "handed over by Ada Stone" in page.text_content()
