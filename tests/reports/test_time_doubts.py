"""Times that cannot be right are said beside the hours and the pay, on every page that has them, and by `log`."""

import pytest

from cabapp.common.farm_format import words_of
from cabapp.jobs.records.dating.doubtful_times import AHEAD_S, Worked, ahead, twice_at_work
from cabapp.reports.job.field_log import field_log
from cabapp.reports.job.job_page import job_page
from cabapp.reports.model.job_account import account_of
from cabapp.reports.model.job_record import read_job
from cabapp.reports.model.time_doubts import MOST_SAID, time_doubts
from cabapp.reports.season.day_book import day_book
from cabapp.reports.season.season_ledger import ledger_page
from store import open_store
from store.models import Farm, Field, Job, Operator, Stint, Tap, Tool, Tractor

BEGAN = 1_778_780_400.0


def write_stint(store, job, who, tractor, tool, began, minutes):
    """Write a stint of some minutes."""
    stint = store.add(
        Stint(job_id=job.id, operator_id=who.id, tractor_id=tractor.id, tool_id=tool.id, width_m=10.0, at=began)
    )
    store.add(Tap(stint_id=stint.id, kind="finish", at=began + 60 * minutes))


@pytest.fixture
def pages(tmp_path):
    """Return what writes all pages of a logbook with three minutes in which Ida and Ox are in two stints, at a time."""
    with open_store(tmp_path / "two.sqlite") as store:
        farm = store.put(Farm, name="Hill Farm", timezone="America/Chicago", units="us")
        ida, tam = (store.put(Operator, name=name, rate_per_h=20.0) for name in ("Ida", "Tam"))
        ox, elk = (store.put(Tractor, name=name, cost_per_h=40.0) for name in ("Ox", "Elk"))
        tool = store.put(Tool, name="Roller", operation="rolling", width_m=10.0)
        field = store.put(Field, name="North")
        job = store.put(Job, field_id=field.id, operation="rolling", season=2026, target=2)
        write_stint(store, job, ida, ox, tool, BEGAN, 10)
        write_stint(store, job, ida, ox, tool, BEGAN + 420, 10)
        write_stint(store, job, tam, elk, tool, BEGAN, 15)

        def written(now):
            record = read_job(store, job)
            account, fmt = account_of(store, record, "north"), words_of(farm)
            return [
                job_page(record, account, now), field_log(record, now), day_book([account], fmt, "Hill Farm", now),
                ledger_page([account], 2026, fmt, "Hill Farm", now),
            ]  # fmt: skip

        yield written


def test_an_operator_in_two_stints_is_said_on_every_page(pages):
    """The names, the very minutes and that they count twice stand on job page, field log, day book and ledger."""
    for page in pages(BEGAN + 86_400.0):
        assert "Ida and Ox cannot be in two stints at once: 14 May 12:47 to 14 May 12:50" in page, page[-3000:]
        assert "count twice" in page and "Tam" not in page.partition("cannot be in two")[2][:300]
        assert "The clocks differ" not in page


def test_work_ahead_of_the_page_is_said_on_every_page(pages):
    """A stint that ends two hours after the page was written is said with both times."""
    for page in pages(BEGAN - 7_200.0):
        assert page.count("ends after this page was written") == 3 and "Look which clock is wrong" in page


def test_one_after_the_other_is_nothing_to_say():
    """Stints that meet, or that others than these had at the same time, and clocks that differ by minutes, are right."""
    day = [
        Worked("a", "Ida", "Ox", "North", 0, 60),
        Worked("b", "Ida", "Ox", "North", 61, 90),
        Worked("c", "Tam", "Elk", "N", 0, 90),
    ]
    assert twice_at_work(day) == [] and ahead(day, 90 - AHEAD_S) == [] and len(ahead(day, 89 - AHEAD_S)) == 2


def test_many_doubts_make_no_endless_page():
    """A thousand stints at the same time give a page of bounded length that says how many there are."""
    day = [Worked(f"{n:04}", "Ida", f"Ox {n}", "North", 0, 3600) for n in range(1000)]
    said = time_doubts(day, words_of(None), 1e9)
    assert len(said) == MOST_SAID + 1 and said[-1] == f"There are {999 - MOST_SAID} more such times."
