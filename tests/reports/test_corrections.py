"""Corrections of the office: one truth in the cab's count and on every page, the first writing kept."""

import lxml.html
import numpy as np
import pytest

from cabapp.jobs.pass_counts.assembler import assemble
from cabapp.jobs.pass_counts.live_count import LiveCount
from cabapp.jobs.records.stint_reader import state_of
from cabapp.jobs.records.tap_log import taps_of
from cabapp.reports.job.field_log import field_log
from cabapp.reports.model.job_record import read_job
from store import models


@pytest.fixture
def made(write_small, page_names, tmp_path):
    """The small logbook, written anew, for corrections."""
    job = write_small(tmp_path / "logbook.sqlite", names=page_names.plain)
    yield job
    job.book.close()


def correct(made, table, row, **detail):
    made.book.add(
        models.Correction(
            corrects_table=table, corrects_id=row.id, operator_id=made.first.operator_id, at=row.at + 9000,
            reason="seen later", detail=detail,
        )
    )  # fmt: skip


def cab_s_count(made):
    """Counts as the cab has them at the end of the second stint, which is the one in hand."""
    book = made.book
    earlier = assemble(book, made.job, without=made.second.id)
    count = LiveCount(book, made.second, earlier, state_of(book, made.second).switches).count
    count.end()
    return count.grid.counts.copy()


def test_cab_and_pages_count_alike(made):
    """A corrected width and a corrected stop change the cab's count as they change the pages'."""
    before = cab_s_count(made)
    assert np.array_equal(before, read_job(made.book, made.job).count.grid.counts)
    correct(made, "stint", made.first, width_m=6.0)
    narrow = cab_s_count(made)
    assert narrow.sum() < 0.85 * before.sum()
    assert np.array_equal(narrow, read_job(made.book, made.job).count.grid.counts)
    stop = [tap for tap in taps_of(made.book, made.first.id) if tap.kind == "stop"][-1]
    correct(made, "tap", stop, at=stop.at - 40)
    shorter = cab_s_count(made)
    assert shorter.sum() < narrow.sum()
    assert np.array_equal(shorter, read_job(made.book, made.job).count.grid.counts)


def test_a_corrected_tap_says_what_it_was(made):
    """The list of taps and the corrections show the time and reason now, and those first written."""
    stop = [tap for tap in taps_of(made.book, made.first.id) if tap.kind == "stop"][-1]
    correct(made, "tap", stop, at=stop.at - 40, reason="rain", was={"at": stop.at, "reason": "fuel"})
    log = read_job(made.book, made.job)
    words = lxml.html.fromstring(field_log(log, 0.0)).text_content()
    now, was = (log.format.second(t) for t in (stop.at - 40, stop.at))
    assert f"Stopped: rain (corrected; written at {was} as “Stopped: fuel”)" in words
    assert f"time: {now} (was {was})" in words and "reason: rain (was fuel)" in words
    assert log.stints[0].stopped["rain"] > 40


def test_a_correction_that_upsets_the_order_is_not_followed_and_said(made):
    """A start moved behind its stop changes no figure anywhere, and the page says that it does not."""
    before, hours = cab_s_count(made), read_job(made.book, made.job).stints[0].working_s
    start = next(tap for tap in taps_of(made.book, made.first.id) if tap.kind == "start")
    correct(made, "tap", start, at=start.at + 5000)
    log = read_job(made.book, made.job)
    assert np.array_equal(cab_s_count(made), before) and log.stints[0].working_s == hours
    words = lxml.html.fromstring(field_log(log, 0.0)).text_content()
    assert "not followed: it would upset the order of the taps" in words


def test_the_newest_word_on_what_is_taken_back_counts(made):
    """Void, restored and void again: each time the count and the pages follow, and the page says so."""
    whole = cab_s_count(made)
    for void in (True, False, True):
        correct(made, "stint", made.first, void=void)
        counts = cab_s_count(made)
        assert np.array_equal(counts, whole) is not void
        log = read_job(made.book, made.job)
        assert np.array_equal(counts, log.count.grid.counts) and len(log.stints) == 2 - void
    words = lxml.html.fromstring(field_log(log, 0.0)).text_content()
    assert "stint, taken back" in words and "stint, restored" in words
