"""The day book: who worked where, when and with what, day by day, with hours by kind."""

import math
from collections import defaultdict
from datetime import date

from cabapp.common.farm_format import FarmFormat
from cabapp.reports.model.day_entries import DayEntry, day_entries
from cabapp.reports.model.job_account import Account
from cabapp.reports.model.time_doubts import doubts_of_all
from cabapp.reports.render.html_tables import Link, Table, page, split_cells, split_heads, together

_HEADS = [
    ("operator", ""), ("field", ""), ("work", ""), ("tractor and tool", ""),
    ("from, to", "t"), *split_heads(), ("pass area", "n"),
]  # fmt: skip


def day_book(accounts: list[Account], fmt: FarmFormat, farm: str, now: float) -> str:
    """Return the day book over all accounts, at least one, the newest day first."""
    entries = day_entries(accounts)
    tables = [_totals(entries, "operator", "By person"), _totals(entries, "tractor", "By tractor")]
    by_day = defaultdict(list)
    for entry in entries:
        by_day[entry.day].append(entry)
    for day, of_day in sorted(by_day.items(), reverse=True):
        rows = [_row(entry, fmt) for entry in of_day]
        total = ["all", "", "", "", "", *split_cells(together(e.seconds for e in of_day)),
                 fmt.swept(math.fsum(e.pass_area or 0.0 for e in of_day))]  # fmt: skip
        here = date.fromisoformat(day)
        tables.append(
            Table(f"{here:%A} {here.day} {here:%B %Y}", _HEADS, rows, [total], "hours, each line", key=f"day-{day}")
        )
    hours = math.fsum(math.fsum(e.seconds.values()) for e in entries) / 3600
    return page(
        farm, "Day book", fmt, now, tables, wide=True, right=f"{hours:.2f} h in all",
        at=max(one.ended for one in accounts), links=[Link("all jobs", "index.html")],
        warned=doubts_of_all(accounts, fmt, now),
        notes=[
            "Hours are elapsed time: in the night the clocks go back a shift is an hour longer than "
            "the wall clock says. A stint over midnight has a line on either day; its pass area "
            "stands where it ended.",
            "Working, with the tool down; turning, on a way bent tighter than one and a half tool widths; "
            "waiting, standing; travelling, moving while stopped; broken, stopped for a breakdown; "
            "unknown, at work without a position: whether it worked, turned or stood is not known.",
        ],
    )  # fmt: skip


def _row(entry: DayEntry, fmt: FarmFormat) -> list:
    one, stint = entry.account, entry.stint
    began = fmt.time(entry.began) if entry.began == stint.began else "…"
    last = entry.pass_area is not None
    ended = fmt.time(entry.ended) + (" (still open)" if stint.open else "") if last else "…"
    corrected = " (corrected)" if stint.corrections else ""
    return [
        stint.operator + corrected, Link(one.field, f"{one.stem}-job.html"), one.operation,
        f"{stint.tractor}, {stint.tool}", f"{began} – {ended}", *split_cells(entry.seconds),
        fmt.swept(entry.pass_area) if last else "",
    ]  # fmt: skip


def _totals(entries: list[DayEntry], by: str, name: str) -> Table:
    groups = defaultdict(list)
    for entry in entries:
        groups[getattr(entry.stint, by)].append(entry)
    rows = [
        [who, str(len({e.day for e in of})), *split_cells(together(e.seconds for e in of))]
        for who, of in sorted(groups.items())
    ]
    total = ["all", str(len({e.day for e in entries})),
             *split_cells(together(e.seconds for e in entries))]  # fmt: skip
    heads = [(by, ""), ("days", "n"), *split_heads()]
    return Table(name, heads, rows, [total], "hours", key=f"by-{by}")
