"""The office's figures, held to printed tables and to other libraries."""

import ast
import inspect
import math
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic

from cabapp.common.farm_format import FarmFormat
from cabapp.common.units import ACRE, FOOT, GALLON, Units
from cabapp.jobs.records.time_split import KINDS, days, split
from cabapp.reports.job.job_page import stint_table, work_table
from cabapp.reports.model import job_account
from cabapp.reports.model.job_account import Account, StintAccount, avoidable_cents, hundredths, rates
from cabapp.reports.season.day_book import day_book
from cabapp.reports.season.season_ledger import ledger_page

US = FarmFormat("America/Denver", Units("us"))

# Iowa State University Extension, PM 696 (rev. April 2001) and AgDM A3-24, table 1: width ft,
# speed mph, field efficiency, acres an hour as printed. Rows 1 to 27.
PRINTED = [
    (40, 6, 0.70, 20.4), (50, 6, 0.70, 25.5), (60, 6, 0.68, 29.7), (60, 12, 0.68, 59.3),
    (80, 6, 0.68, 39.6), (80, 12, 0.68, 79.1), (10, 5, 0.63, 3.8), (15, 5, 0.63, 5.7),
    (15, 6, 0.63, 6.9), (20, 6, 0.63, 9.2), (30, 6, 0.60, 13.1), (36, 5, 0.60, 13.1),
    (45, 5, 0.60, 16.4), (22.5, 5, 0.65, 8.9), (32.5, 5, 0.65, 12.8), (42.5, 5, 0.63, 16.2),
    (37.5, 6, 0.65, 17.7), (42.5, 6, 0.63, 19.5), (57.5, 5, 0.63, 22.0), (8, 5, 0.85, 4.1),
    (32 / 3, 5, 0.85, 5.5), (12, 5, 0.85, 6.2), (15, 5, 0.83, 7.5), (18, 5, 0.83, 9.1),
    (11.25, 5.5, 0.85, 6.4), (13.75, 5.5, 0.85, 7.8), (16.25, 5.5, 0.83, 9.0),
    # an article on efficiency against capacity: 30 ft at 5 mph
    (30, 5, 1.00, 18.2), (30, 5, 0.80, 14.5), (30, 5, 0.60, 10.9),
]  # fmt: skip


@pytest.fixture
def one_job():
    """Make an account with one stint; what is not told is nothing."""

    def make(seconds, working_m=1000.0, width=10.0, pass_area=10000.0, **more):
        line = {
            "litres": 0.0, "fuel_cents": 0, "wage_cents": 0, "tractor_cents": 0, "operator": "Ada",
            "tractor": "Grey", "tool": "Roller", "began": 0.0, "ended": math.fsum(seconds.values()),
        } | {k: v for k, v in more.items() if k in StintAccount.__dataclass_fields__}  # fmt: skip
        spent = dict.fromkeys(KINDS, 0.0) | seconds
        made = StintAccount(
            "stint", width=width, open=False, seconds=spent, covered=pass_area, pass_area=pass_area,
            working_m=working_m, days=[], **line,
        )  # fmt: skip
        return Account(
            "job", "stem", "Square", None, "rolling", 2026, 1, made.began, made.ended,
            more.get("field_area", pass_area), 0.0, pass_area, pass_area, pass_area, {"1": pass_area},
            more.get("avoidable", 0.0), 0.0, more.get("avoidable_passes", 0.0), None, [made],
        )  # fmt: skip

    return make


def cell(table, row, column=1):
    return next(r[column] for r in table.rows if r[0] == row)


@pytest.mark.parametrize("width, speed, efficiency, printed", PRINTED)
def test_output_and_efficiency_are_the_handbook_s(one_job, width, speed, efficiency, printed):
    """A job that works the handbook's share of its hour says the handbook's acres an hour.

    43 560 / 5 280 = 8.25 turns mph and ft into acres an hour; to the tables' last digit.
    """
    lost = 3600 * (1 - efficiency)
    one = one_job(
        {"working": 3600 - lost, "turning": lost * 0.6, "waiting": lost * 0.4, "travelling": 900, "broken": 500},
        working_m=speed * 1609.344 * efficiency, width=width * 0.3048,
        pass_area=width * speed * efficiency / 8.25 * 4046.8564224,
    )  # fmt: skip
    table = work_table(one, US)
    assert float(cell(table, "output in the field").split()[0]) == pytest.approx(printed, abs=0.0601)
    assert cell(table, "field efficiency") == f"{100 * efficiency:.0f} %"
    assert cell(table, "speed at work") == f"{speed:.1f} mph"


def test_a_breakdown_or_the_road_costs_no_efficiency(one_job):
    """AgDM A3-24: turns and waiting count against field efficiency, road and repair do not."""
    worked = {"working": 3000.0, "turning": 400.0, "waiting": 200.0}
    plain = rates(one_job(worked).stints)
    away = rates(one_job(worked | {"travelling": 4000.0, "broken": 9000.0}).stints)
    later = rates(one_job(worked | {"waiting": 4200.0}).stints)
    assert away.efficiency == plain.efficiency and later.efficiency < plain.efficiency / 2


def test_a_stint_that_only_waited_has_no_rates(one_job):
    """Without a metre at work, or without time in the field, no rate is known; nothing is divided by zero."""
    for seconds in ({"waiting": 600.0}, {"travelling": 600.0}):
        found = rates(one_job(seconds, working_m=0.0, pass_area=0.0).stints)
        assert found == job_account.Rates(None, None, None, None, None, None)


def test_lap_is_lost_output(one_job):
    """Ground covered beyond the target is no useful output: a tenth too much is a tenth less."""
    one = one_job({"working": 3600.0}, pass_area=11000.0)
    one.by_count = {"1": 9000.0, "2": 1000.0}
    full = rates(one.stints).effective
    assert rates(one.stints, job_account.useful(one)).effective == pytest.approx(full * 10 / 11)


def test_fuel_money_is_the_printed_one(one_job):
    """Purdue (Dobbins 2006): 2.02 gal/ac at $3.00 is $6.06 an acre. R. Hoy, Nebraska Tractor Test
    Lab: 200 hp at 17 and at 18 hp h/gal over 500 h at $4 differ by 1 307."""
    acre = one_job({"working": 360.0}, pass_area=ACRE, litres=2.02 * GALLON,
                   fuel_cents=hundredths(2.02 * GALLON * (3.00 / GALLON)))  # fmt: skip
    table = work_table(acre, US)
    assert cell(table, "fuel put in", 2) == "2.02 gal/ac of pass area"
    assert cell(table, "cost", 2).startswith("6.06/ac of field, 6.06/ac of pass area")
    worse, better = (hundredths(200 / each * 500 * GALLON * (4 / GALLON)) for each in (17, 18))
    assert round((worse - better) / 100) == 1307


def test_avoidable_re_covering_costs_its_share_to_the_hundredth(one_job):
    """A quarter of all passes could have been spared, so a quarter of the cost could."""
    one = one_job({"working": 3600.0}, pass_area=40000.0, wage_cents=2450, tractor_cents=9000,
                  fuel_cents=1551, avoidable=8000.0, avoidable_passes=10000.0)  # fmt: skip
    assert avoidable_cents(one) == 3250  # 130.01 / 4 = 32.5025
    assert cell(work_table(one, US), "re-covering that could have been spared", 2).startswith("cost 32.50")


def test_what_is_not_known_is_not_guessed(one_job):
    """Without a wage the cost is said to be without it; without any rate no cost is said."""
    some = one_job({"working": 3600.0}, wage_cents=None, tractor_cents=100)
    assert cell(work_table(some, US), "wages") == "–" and cell(work_table(some, US), "cost") == "1.00"
    page = ledger_page([some], 2026, US, "Farm", 0.0)
    assert "Cost is without fuel, rate of Ada: not in this logbook." in page
    assert cell(work_table(some, US), "fuel") == "–"
    bare = one_job({"working": 3600.0}, wage_cents=None, tractor_cents=None, fuel_cents=None)
    assert cell(work_table(bare, US), "cost") == "–"


DST = [  # tzdata: America/Denver leaves summer time at 2026-11-01 08:00Z, enters it 2026-03-08 09:00Z
    ("2026-10-31 22:00", "2026-11-01 06:00", 9, [("2026-10-31", 2), ("2026-11-01", 7)]),
    ("2026-03-07 22:00", "2026-03-08 06:00", 7, [("2026-03-07", 2), ("2026-03-08", 5)]),
    ("2026-05-14 22:00", "2026-05-15 06:00", 8, [("2026-05-14", 2), ("2026-05-15", 6)]),
]


@pytest.mark.parametrize("began, ended, elapsed, by_day", DST)
def test_hours_are_those_that_passed(one_job, began, ended, elapsed, by_day):
    """A shift over the change of the clock is paid for the hours that passed, not the wall's."""
    zone = ZoneInfo("America/Denver")
    a, b = (datetime.fromisoformat(said).replace(tzinfo=zone).timestamp() for said in (began, ended))
    hours = split(a, b, [(a, b)], [], np.empty(0), np.empty((0, 2)), 10.0)[0]
    assert hours.seconds()["working"] == elapsed * 3600
    assert [(day, (y - x) / 3600) for day, x, y in days(a, b, zone)] == by_day
    one = one_job({"working": b - a}, wage_cents=job_account.by_the_hour(b - a, 20.0), began=a, ended=b)
    one.stints[0].days = [
        {"day": d, "began": x, "ended": y, "seconds": hours.seconds(x, y)} for d, x, y in days(a, b, zone)
    ]
    one.began, one.ended = a, b
    assert stint_table(one, US).totals[0][9] == f"{elapsed}.00"
    assert one.stints[0].wage_cents == elapsed * 2000
    assert f"{elapsed}.00 h in all" in day_book([one], US, "Farm", b)


def test_hours_are_split_as_they_were_driven():
    """Two passes with a round end between, a stop, a drive for fuel and a breakdown, second by second."""
    speed, legs, t, at = 3.0, [], 0.0, np.array([0.0, 0.0])

    def go(vector, seconds):
        nonlocal t, at
        for _ in range(seconds):
            legs.append((t, *at))
            at, t = at + vector, t + 1.0

    go(np.array([speed, 0]), 200)  # a pass
    for k in range(21):  # a half circle of 20 m radius: 63 m in 21 s
        angle = math.pi * (k + 0.5) / 21
        go(speed * np.array([math.cos(angle), math.sin(angle)]), 1)
    go(np.array([-speed, 0]), 200)  # the pass back
    go(np.zeros(2), 60)  # stands with the tool down
    stop = t
    go(np.zeros(2), 100)  # stopped
    go(np.array([0, 5.0]), 120)  # off for fuel
    again = t
    go(np.array([speed, 0]), 100)
    broken = t
    go(np.array([0, 5.0]), 50)  # for a part: still broken
    go(np.zeros(2), 400)
    fixes = np.array(legs)
    work = [(0.0, stop), (again, broken)]
    idle = [(stop, again, "fuel"), (broken, t, "broken")]
    spent = split(0.0, t, work, idle, fixes[:, 0], fixes[:, 1:], 14.0)[0].seconds()
    wanted = {"working": 500, "turning": 21, "waiting": 160, "travelling": 120, "broken": 450}
    assert math.fsum(spent.values()) == pytest.approx(t)
    for kind, seconds in wanted.items():
        assert spent[kind] == pytest.approx(seconds, abs=9), kind


def test_every_way_of_adding_up_gives_the_same_money(one_job):
    """By field, tool, tractor and operator the ledger's totals agree to the hundredth."""
    import lxml.html

    jobs = [
        one_job({"working": 1000.0 + k}, wage_cents=333 + k, tractor_cents=77 * k, fuel_cents=19,
                operator="Ada" if k % 2 else "Bo", tractor=f"T{k % 3}", tool=f"R{k % 2}")
        for k in range(7)
    ]  # fmt: skip
    page = lxml.html.fromstring(ledger_page(jobs, 2026, US, "Farm", 0.0))
    wanted = f"{sum(one.stints[0].cents for one in jobs) / 100:.2f}"
    for table in page.xpath("//table"):
        heads = [th.text_content() for th in table.xpath(".//thead//th")]
        at = heads.index("cost")
        sums = [row.xpath("./*")[at].text_content() for row in table.xpath(".//tbody/tr")]
        assert sums[-1] == wanted
        assert sum(round(100 * float(s)) for s in sums[:-1]) == round(100 * float(wanted))


def test_acres_agree_with_geographiclib(small_log):
    """The field's acres on the page are the geodesic polygon's to four significant figures."""
    ring = small_log.field.boundary["coordinates"][0][:-1]
    polygon = Geodesic.WGS84.Polygon()
    for lon, lat in ring:
        polygon.AddPoint(lat, lon)
    acres = abs(polygon.Compute()[2]) / (43560 * FOOT**2)
    said = small_log.totals.field_area / ACRE
    assert float(f"{said:.4g}") == pytest.approx(float(f"{acres:.4g}"), rel=1e-4)


def test_an_account_has_all_its_figures():
    """Whatever an account can hold is given where accounts are made; a figure left out would be a dash on every page."""
    (call,) = (
        node for node in ast.walk(ast.parse(inspect.getsource(job_account.account_of)))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Account"
    )  # fmt: skip
    assert [one.arg for one in call.keywords if one.arg not in Account.__dataclass_fields__] == []
    assert set(Account.__dataclass_fields__) - {one.arg for one in call.keywords} == set()
