"""The custom-work page: what is agreed, what was done, and where, on one page; nothing is made up."""

import math

from cabapp.common.farm_format import share
from cabapp.common.wording import times, verb
from cabapp.reports.model.job_account import Account
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import page_elements
from cabapp.reports.render.html_tables import Link, Table, hours, page


def custom_page(log: JobRecord, one: Account, now: float) -> str:
    """Write the custom-work page of a job.

    Parameters
    ----------
    log : JobRecord
    one : Account
    now : float
        When the page is written, POSIX s.
    """
    words, done = log.words, verb(one.operation).lower()
    figures = [
        ("agreed", "not written" if one.agreed is None else words.area(one.agreed), "agreed beforehand"),
        ("net", words.area(one.covered), f"{done} at least once, net"),
        ("pass_area", words.area(one.pass_area), "pass area, every pass"),
        ("field", words.area(one.field_area), "inside the boundary"),
    ]
    rows = [
        [page_elements.passes(int(n), one.operation), words.area(area), share(area, one.field_area)]
        for n, area in one.by_count.items()
    ]
    if one.none is not None:
        rows.insert(0, [page_elements.passes(0, one.operation), words.area(one.none), share(one.none, one.field_area)])
    by_day = {}
    for line in one.lines:
        for day in line.days:
            spent = math.fsum(s for kind, s in day["seconds"].items() if kind in ("working", "turning"))
            by_day.setdefault((day["day"], line.operator, f"{line.tractor}, {line.tool}"), []).append(spent)
    worked = [[*key, hours(math.fsum(spent))] for key, spent in sorted(by_day.items())]
    lines = ["For whom:", "Rate agreed:"]
    if one.agreed is None:
        lines.insert(0, "Area agreed:")
    return page(
        f"{log.farm.name if log.farm else ''} · custom work", one.field, words, now,
        [
            Table("Ground by passes", [("passes", ""), ("area", "n"), ("of field", "n")], rows, key="passes"),
            Table("Days", [("day", ""), ("operator", ""), ("with", ""), ("working and turning, h", "n")], worked, key="days"),
        ],
        right=f"{one.operation}, {times(one.target)}, {one.season}",
        figures=[{"key": k, "value": v, "words": w} for k, v, w in figures],
        figure=page_elements.map_of(log, f"{one.field}, {one.operation}", tallest=400),
        lines=lines, at=one.ended,
        links=[Link("field log", f"{one.stem}.html"), Link("job page", f"{one.stem}-job.html")],
        notes=[
            "Net area is ground, once. Pass area counts ground again each time it was covered; "
            "it is no area to be paid for unless that was agreed.",
            "This page is a record of work, not an invoice.",
        ],
    )  # fmt: skip
