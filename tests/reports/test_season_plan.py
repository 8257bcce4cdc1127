"""The season plan: order, figures and the worth of the second pass, on a farm of known areas."""

import lxml.html
import numpy as np
import pytest

from cabapp.common.units import ACRE
from cabapp.geometry.plane import Plane
from cabapp.planning.emergence import CROPS, closes
from cabapp.reports.model.job_account import account_of, rates
from cabapp.reports.model.job_record import read_job
from cabapp.reports.season.season_plan import plan_page
from store import models

LAT, LON = 47.64, -87.46
START = 1778780400.0
DAY = 86400.0


def square(side, north):
    plane = Plane(LAT, LON)
    lat, lon = plane.to_latlon(np.array([(0, 0), (side, 0), (side, side), (0, side), (0, 0)]) + np.array([0, north]))
    return {"type": "Polygon", "coordinates": [np.column_stack([lon, lat]).tolist()]}


@pytest.fixture
def farm(write_small, page_names, tmp_path):
    """The small job, and beside it chickpea and lentil seeded on one day, and a field without map."""
    made = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    book = made.book
    for name, crop, side in (("Chick", "chickpea", 400), ("Lent", "lentil", 300)):
        land = book.put(models.Field, name=name, crop=crop, target=2, boundary=square(side, 1000 + side))
        job = book.put(models.Job, field_id=land.id, operation="seeding", season=2026, target=1)
        stint = book.add(
            models.Stint(
                job_id=job.id, operator_id=made.first.operator_id, tractor_id=made.first.tractor_id,
                tool_id=made.first.tool_id, width_m=10.0, at=START - DAY,
            )
        )  # fmt: skip
        book.add(models.Tap(stint_id=stint.id, kind="start", at=START - DAY))
        book.add(models.Tap(stint_id=stint.id, kind="finish", at=START - DAY + 3600))
    book.put(models.Field, name="Bare", crop="wheat", target=1)
    yield made
    book.close()


@pytest.fixture
def planned(farm):
    def plan(now=START + 7200):
        log = read_job(farm.book, farm.job)
        one = account_of(farm.book, log, "square")
        page = plan_page(farm.book, [one], 2026, log.format, "Test Farm", now)
        return one, lxml.html.fromstring(page)

    return plan


def cells(page, key):
    rows = page.xpath(f'//table[@data-table="{key}"]/tbody/tr')
    return [[cell.text_content().strip() for cell in row] for row in rows]


def figure(page, key):
    return page.xpath(f'//*[@data-figure="{key}"]')[0].text_content().strip()


def test_what_closes_first_comes_first(planned):
    """Lentil closes before chickpea seeded the same day; what nothing closes comes last."""
    rows = cells(planned()[1], "plan")
    assert [row[0] for row in rows] == ["Lent", "Chick", "Square"]
    assert closes(START - DAY, CROPS["lentil"]) < closes(START - DAY, CROPS["chickpea"])
    assert rows[0][4] != "–" and rows[2][4] == "–"
    assert rows[0][10] == "again once up, until the 4th node" and rows[1][10] == "not once it is up"


def test_what_is_lacking_is_passes_not_ground(planned):
    """Untouched, 300 and 400 m squares lack twice their area; the worked field lacks its target less
    what was rolled there; all of it is backlog but the one that was not seeded."""
    one, page = planned()
    rows = {row[0]: row for row in cells(page, "plan")}
    square_left = sum(max(0, 2 - int(n)) * a for n, a in one.by_count.items()) + 2 * one.none
    assert rows["Lent"][5] == f"{2 * 300**2 / ACRE:.1f} ac"
    assert rows["Chick"][5] == f"{2 * 400**2 / ACRE:.1f} ac"
    assert rows["Square"][5] == f"{square_left / ACRE:.2f} ac"
    lent_and_chick = 2 * (300**2 + 400**2)
    assert figure(page, "left") == f"{(lent_and_chick + square_left) / ACRE:.1f} ac"
    assert figure(page, "backlog") == f"{lent_and_chick / ACRE:.1f} ac"


def test_hours_follow_from_the_pace_so_far(planned):
    """What a field needs is what it lacks over the pass area an hour of all who rolled; who did is
    listed with their own pace."""
    one, page = planned()
    pace = rates(one.stints).effective
    rows = {row[0]: row for row in cells(page, "plan")}
    assert rows["Chick"][6] == f"{2 * 400**2 / pace / 3600:.1f}"
    assert [row[0] for row in cells(page, "people")] == ["Ada Stone", "Bo Reed"]
    assert "Without a boundary, so not reckoned: Bare." in page.text_content()


def test_ground_that_closes_before_its_turn_says_how_late(planned):
    """On the day the lentils close, some of their hours come too late."""
    due = closes(START - DAY, CROPS["lentil"])
    rows = {row[0]: row for row in cells(planned(due - 600)[1], "plan")}
    assert float(rows["Lent"][8]) > 0 and rows["Square"][8] == "–"


def test_the_edge_strip_is_half_a_tool_all_round(planned):
    """A 400 m square with 10 m: 1600 m times 5 m cannot be exactly twice."""
    rows = {row[0]: row for row in cells(planned()[1], "plan")}
    assert rows["Chick"][9] == f"{8000 / ACRE:.2f} ac"


def test_stones_at_harvest_say_whether_twice_was_worth_it(farm, planned):
    """Two stones on once-rolled ground are not enough to tell; twelve against none are, and a stone
    taken back is not counted."""
    assert "Was twice worth it?" not in planned()[1].text_content()
    plane = Plane(LAT, LON)

    def stone(x, y):
        lat, lon = (float(v[0]) for v in plane.to_latlon([[x, y]]))
        return farm.book.add(
            models.Mark(field_id=farm.field.id, kind="stone hit", lat=lat, lon=lon, at=START + 90 * DAY)
        )

    stone(-50, -28), stone(-40, -28)
    void = stone(-30, -28)
    farm.book.add(
        models.Correction(
            corrects_table="mark", corrects_id=void.id, operator_id=farm.first.operator_id,
            at=START + 91 * DAY, reason="undone", detail={"void": True},
        )
    )  # fmt: skip
    said = planned()[1].text_content()
    assert "Stones met at harvest: 2 on" in said and "not enough hits to tell" in said
    for k in range(10):
        stone(-60 + 5 * k, -27.5)
    said = planned()[1].text_content()
    assert "Stones met at harvest: 12 on" in said and "rolled once, 0 on" in said
    assert "more on the same area; by chance alone 1 time in" in said


def test_a_field_harvested_without_a_hit_counts_too(farm, planned):
    """Combined from end to end and no stone met: its ground is in the comparison, with no hits on it."""
    job = farm.book.put(models.Job, field_id=farm.field.id, operation="combining", season=2026, target=1)
    farm.book.add(
        models.Stint(
            job_id=job.id, operator_id=farm.first.operator_id, tractor_id=farm.first.tractor_id,
            tool_id=farm.first.tool_id, width_m=10.0, at=START + 90 * DAY,
        )
    )  # fmt: skip
    said = planned()[1].text_content()
    assert "Stones met at harvest: 0 on" in said and "not enough hits to tell" in said
