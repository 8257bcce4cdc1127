"""Straightness on the job page: each pass in its order across the field, nobody's name beside it."""

import math

import lxml.html
import numpy as np
import pytest

from cabapp.reports.job.job_page import job_page
from cabapp.reports.job.pass_table import across_the_field, passes_table
from cabapp.reports.model.job_account import account_of


def test_the_passes_of_the_small_job_stand_on_its_page(small_job, small_log):
    """The small job was driven along straight lanes: every line is straight to an inch or so of a foot,
    and no operator's name stands in the table."""
    table = passes_table(small_log)
    assert len(table.rows) >= 3
    page = job_page(small_log, account_of(small_job.book, small_log, "small"), 1778900000.0)
    text = lxml.html.fromstring(page).text_content()
    assert "How straight" in text and "from the pass beside it" in text
    said = " ".join(cell for row in table.rows for cell in row)
    people = list(small_log.names.values())
    assert not any(name in said for name in people)


def test_a_crooked_pass_shows_its_sideways_error(small_log):
    """The sideways error is the root mean square against the line of best fit: a wave of 1 m has 0.7 m."""
    from cabapp.counting.spacing import fit_pass

    x = np.arange(0.0, 400.0, 4.0)
    wave = np.column_stack([x, np.sin(x / 10)])
    assert fit_pass(wave).rms == pytest.approx(1 / math.sqrt(2), abs=0.03)


def test_passes_are_ordered_by_place_and_not_by_time(small_log):
    """Driven in any order, there or back, they stand as they lie across the field."""
    from cabapp.counting.spacing import fit_pass

    t = np.arange(30.0)
    lines = {y: np.column_stack([np.arange(30.0) * 4, np.full(30, y)]) for y in (0.0, 12.0, 6.0, 18.0)}
    passes = tuple(
        fit_pass(line[:: (-1) ** k], t[0] + 100 * k, t[-1] + 100 * k) for k, line in enumerate(lines.values())
    )
    assert [round(one.y) for one in across_the_field(passes)] == [0, 6, 12, 18]
