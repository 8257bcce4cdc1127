"""One home of hours: `measure`, `bring`, every page, table and the wages say the same of a stint, second by second.

The truth of each trace is written beside it by the drive it was made from.
"""

import csv as tables
import json
import math
import re
from dataclasses import dataclass

import lxml.html
import numpy as np
import pytest

from cabapp.__main__ import main
from cabapp.jobs.records.time_split import KINDS, worked
from store import open_store
from store.models import Farm, Field, Operator, Tool, Tractor
from tests.test_same_ground import HOME, T0, WIDTH, csv, geojson, gpx, loops, rectangle, sampled

PATH = loops(12, 300.0)
ROWS = sampled(PATH)
WHOLE = float(ROWS[-1, 0] - ROWS[0, 0])
GROUND = rectangle(east=312.0, north=140.0)
RATE = 36.0  # an hour, so that a second costs a hundredth


def without(rows, *spans):
    """The rows without those between some times, s after the first."""
    t = rows[:, 0] - T0
    return rows[~np.any([(t > a) & (t < b) for a, b in spans], axis=0)]


def standing(rows, at, seconds):
    """The rows with a stand of so many seconds at a time, a fix each second."""
    n = int(np.searchsorted(rows[:, 0] - T0, at))
    stood = np.column_stack([rows[n, 0] + np.arange(1, seconds + 1), np.repeat(rows[n : n + 1, 1:], seconds, axis=0)])
    return np.concatenate([rows[: n + 1], stood, np.add(rows[n + 1 :], (seconds, 0, 0))])


def shifted(rows, at, seconds):
    """The rows with the clock set by so many seconds at a time, in the order in which they were written."""
    return rows + np.outer(rows[:, 0] - T0 >= at, (seconds, 0, 0))


def working(rows, *up):
    """The rows with a column that says when the tool was up."""
    t = rows[:, 0] - T0
    down = ~np.any([(t >= a) & (t < b) for a, b in up] or [np.zeros(len(t), bool)], axis=0)
    return csv(rows, more={"working": down.astype(int)})


@dataclass
class Row:
    """A trace as a file; seconds worked, waiting and unknown, by the drive; how many stints it is, of which days."""

    content: str
    worked: float = WHOLE
    waiting: float = 0.0
    unknown: float = 0.0
    stints: int = 1
    days: int = 1


def midnight():
    """Farm time is six hours behind: the drive begins ten minutes before its midnight."""
    return csv(sampled(PATH, begin=86400 - T0 % 86400 - 600 + 6 * 3600))


TABLE = {
    "plain": lambda: Row(csv(ROWS)),
    "a fix each 30 s": lambda: Row(csv(sampled(PATH, 30.0)), WHOLE - WHOLE % 30),
    "no fix for 3 min, driven on": lambda: Row(csv(without(ROWS, (500, 680))), WHOLE - 180, unknown=180.0),
    "no fix for 1 min, driven on": lambda: Row(csv(without(ROWS, (500, 560))), WHOLE - 60, unknown=60.0),
    "no fix for 3 min, standing": lambda: Row(csv(without(standing(ROWS, 440, 300), (500, 680))), WHOLE, 300.0),
    "standing 5 min": lambda: Row(csv(standing(ROWS, 440, 300)), WHOLE, 300.0),
    "standing 1 min": lambda: Row(csv(standing(ROWS, 440, 60)), WHOLE, 60.0),
    "told, up and standing": lambda: Row(working(standing(ROWS, 440, 300), (440, 740)), WHOLE, 300.0),
    "told, up for 2 min": lambda: Row(working(ROWS, (300, 420)), WHOLE - 120),
    "told, no fix for 3 min": lambda: Row(working(without(ROWS, (500, 680))), WHOLE - 180, unknown=180.0),
    "a break that the file states": lambda: Row(gpx(ROWS[:500], ROWS[503:]), WHOLE - 4, unknown=4.0),
    "clock set back 40 min": lambda: Row(csv(shifted(ROWS, 700, -2400.0))),
    "clock set back 8 s, told": lambda: Row(working(shifted(standing(ROWS, 440, 300), 900, -8.0), (440, 740)), WHOLE, 300.0),
    "two days": lambda: Row(csv(shifted(ROWS, 800, 86400.0)), WHOLE - 1, stints=2, days=2),
    "over midnight": lambda: Row(midnight(), days=2),
}  # fmt: skip


@pytest.fixture
def run(capsys):
    """Run a command that must succeed and return what it prints."""

    def run(*words):
        assert main([str(word) for word in words]) == 0
        return capsys.readouterr().out

    return run


def logbook(folder, ground=GROUND):
    """A logbook with one field, operator, tractor and tool; the boundary as a file beside it."""
    (folder / "field.geojson").write_text(json.dumps(geojson(ground, HOME)), "utf-8")
    with open_store(folder / "logbook.sqlite") as store:
        store.put(Farm, name="Made-up Farm", timezone="Etc/GMT+6", units="metric")
        store.put(Operator, name="Ann", rate_per_h=RATE)
        store.put(Tractor, name="Red", cost_per_h=RATE)
        store.put(Tool, name="Roller", operation="rolling", width_m=WIDTH, towed=False)
        store.put(Field, name="Home", boundary=geojson(ground, HOME), target=2)
    return folder / "logbook.sqlite"


def cells(page, key):
    """The rows of a table of a page, heads first."""
    [table] = lxml.html.fromstring(page).xpath(f"//table[@data-table='{key}']")
    return [[cell.text_content().strip() for cell in row.xpath("./*")] for row in table.xpath(".//tr")]


def hours(text):
    return 0.0 if text == "–" else float(text)


def summed(spent):
    return {kind: math.fsum(one[kind] for one in spent) for kind in KINDS}


SHORT = (
    "no fix for 3 min, driven on", "no fix for 3 min, standing", "told, up for 2 min", "a break that the file states",
    "clock set back 40 min", "two days",
)  # fmt: skip


@pytest.mark.parametrize(
    "name", [*SHORT, *(pytest.param(name, marks=pytest.mark.long) for name in TABLE if name not in SHORT)]
)
def test_hours_are_the_same_wherever_they_stand(tmp_path, run, name):
    """Every way in and every page gives a stint the same hours, and these are those of the drive."""
    row = TABLE[name]()
    trace = tmp_path / f"trace.{'gpx' if row.content.startswith('<') else 'csv'}"
    trace.write_text(row.content, "utf-8")
    book, office, log = logbook(tmp_path), tmp_path / "office", tmp_path / "log"
    measured = json.loads(run("measure", trace, "--width", WIDTH, "--field", tmp_path / "field.geojson", "--json"))
    listed = json.loads(run("bring", trace, "--json", "--store", book))
    said = run("bring", trace, "--yes", "--store", book)
    run("office", "--out", office, "--store", book)
    run("log", "--field", "Home", "--out", log, "--store", book)

    # the drive
    spent = [stint["seconds"] for stint in measured["stints"]]
    every = summed(spent)
    assert len(spent) == row.stints
    assert worked(every) == pytest.approx(row.worked, abs=12)
    assert every["waiting"] == pytest.approx(row.waiting, abs=12)
    assert every["unknown"] == pytest.approx(row.unknown, abs=1)
    assert measured["trace"]["unknown_s"] == pytest.approx(every["unknown"])

    # what is listed before anything is written, in figures and in words
    for stay, one in zip(listed["stays"], spent, strict=True):
        assert stay["seconds"]["worked"] == pytest.approx(worked(one), abs=0.01)
        for kind in ("waiting", "travelling", "unknown"):
            assert stay["seconds"][kind] == pytest.approx(one[kind], abs=0.01)
    told = re.findall(
        r"(\d+) min working and turning, (\d+) min waiting, (\d+) min travelling(?:, (\d+) min unknown)?", said
    )
    kinds = ("waiting", "travelling", "unknown")
    wanted = [[round(seconds / 60) for seconds in (worked(one), *(one[kind] for kind in kinds))] for one in spent]
    assert [[int(number or 0) for number in line] for line in told] == wanted

    # tables
    for table, lines in (("stints", row.stints), ("days", row.days)):
        with (office / f"{table}.csv").open(encoding="utf-8", newline="") as file:
            rows = list(tables.DictReader(file))
        assert len(rows) == lines
        for kind in KINDS:
            assert math.fsum(float(one[f"{kind}_h"]) for one in rows) * 3600 == pytest.approx(every[kind], abs=0.1)

    # pages: hours to a hundredth
    [job], [custom] = (list(office.glob(f"*-{page}.html")) for page in ("job", "custom"))
    heads, *stints = cells(job.read_text("utf-8"), "stints")
    assert len(stints) == row.stints + 1  # all of them last
    columns = [heads.index("rolling"), *(heads.index(kind) for kind in KINDS[1:])]
    for line, one in zip(stints, [*spent, every], strict=True):
        assert [hours(line[n]) for n in columns] == pytest.approx([one[kind] / 3600 for kind in KINDS], abs=0.0051)
    heads, *days = cells(custom.read_text("utf-8"), "days")
    assert len(days) == row.days
    for head, seconds in (("working and turning, h", worked(every)), ("position unknown, h", every["unknown"])):
        assert math.fsum(hours(day[heads.index(head)]) for day in days) == pytest.approx(seconds / 3600, abs=0.011)
    book_of_days = lxml.html.fromstring((office / "day-book.html").read_text("utf-8")).text_content()
    assert f"{math.fsum(every.values()) / 3600:.2f} h in all" in book_of_days
    assert f"{worked(every) / 3600:.2f} h" in (office / "index.html").read_text("utf-8")
    [page] = (one for one in log.glob("*.html") if "hand-over" not in one.name)
    field_log = lxml.html.fromstring(page.read_text("utf-8"))
    for key, seconds in (("working", worked(every)), ("lost", every["unknown"])):
        [figure] = field_log.xpath(f"//td[@data-figure='{key}']/text()")
        number, unit = figure.split()
        assert int(number) == pytest.approx(seconds if unit == "s" else seconds / 60, abs=0.51)

    # money: a hundredth a second for each, unknown or not
    cost = dict(row[:2] for row in cells(job.read_text("utf-8"), "work"))
    assert float(cost["wages"]) == pytest.approx(math.fsum(every.values()) / 100, abs=0.011 * row.stints)
    assert float(cost["tractor"]) == pytest.approx(math.fsum(every.values()) / 100, abs=0.011 * row.stints)


def test_bring_says_what_measure_says_of_the_file(tmp_path, run):
    """That fixes come too seldom, that it moved unseen for over an hour, and that sections without widths are equal parts."""
    book = logbook(tmp_path)
    for content, words in (
        (csv(sampled(PATH, 30.0)), "One fix each 30 s is too seldom to count passes"),
        (csv(np.add(shifted(without(ROWS, (500, 700)), 700, 4200.0), (9e6, 0, 0))), "taken for time off"),
        (
            csv(np.add(ROWS, (30 * 86400, 0, 0)), more={f"s{n}": np.ones(len(ROWS), int) for n in (1, 2, 3)}),
            "It states 3 sections",
        ),
    ):
        (tmp_path / "trace.csv").write_text(content, "utf-8")
        said = run("measure", tmp_path / "trace.csv", "--width", WIDTH, "--field", tmp_path / "field.geojson")
        assert words in said
        assert words in run("bring", tmp_path / "trace.csv", "--yes", "--store", book)


def test_a_stint_that_was_taken_back_is_marked_in_the_list(tmp_path, run):
    """Of two stints the list says which one no longer counts."""
    book = logbook(tmp_path)
    (tmp_path / "trace.csv").write_text(csv(shifted(ROWS, 800, 86400.0)), "utf-8")
    run("bring", tmp_path / "trace.csv", "--yes", "--store", book)
    first, _ = lines = run("correct", "stint", "--store", book).splitlines()
    assert not any("taken back" in line for line in lines)
    run("correct", "stint", first[:8], "void", "--reason", "test drive", "--store", book)
    first, second = run("correct", "stint", "--store", book).splitlines()
    assert first.endswith("(taken back)") and "taken back" not in second
