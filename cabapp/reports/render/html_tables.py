"""Tables on the office's pages; one template draws them all."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from markupsafe import Markup

from cabapp.common.farm_format import FarmFormat
from cabapp.jobs.records.time_split import KINDS
from cabapp.reports.model.job_account import Account, StintAccount
from cabapp.reports.render import page_elements


@dataclass
class Table:
    """One table; `key` marks it in the page.

    `heads` are ``(text, kind)``: "n" for figures, "t" for text not broken over lines, else "". Cells
    are text, a `Link` or several, or trusted Markup; a row's first cell heads it.
    """

    name: str
    heads: list[tuple[str, str]]
    rows: list[list]
    totals: list[list] = field(default_factory=list)
    note: str = ""
    key: str = ""


@dataclass(frozen=True)
class Link:
    """A cell that leads to a page beside this one."""

    text: str
    href: str


def hours(seconds: float | None) -> str:
    """Hours to a hundredth, as they are paid.

    >>> hours(9 * 3600), hours(0), hours(100), hours(17)
    ('9.00', '–', '0.03', '–')
    """
    return f"{seconds / 3600:.2f}" if seconds and seconds >= 18 else "–"


def split_cells(seconds: dict[str, float]) -> list[str]:
    """A cell for each kind of time, and their sum."""
    return [hours(seconds[kind]) for kind in KINDS] + [hours(math.fsum(seconds.values()))]


def split_heads(operation: str = "working") -> list[tuple[str, str]]:
    """Heads of `split_cells`: hours."""
    return [(word, "n") for word in (operation, *KINDS[1:], "all")]


def together(spent: Iterable[dict[str, float]]) -> dict[str, float]:
    """Seconds by kind over many."""
    spent = list(spent)
    return {kind: math.fsum(one[kind] for one in spent) for kind in KINDS}


def jobs_text(accounts: list[Account]) -> str:
    """Return the number of jobs: "1 job", "2 jobs"."""
    return f"{len(accounts)} {'job' if len(accounts) == 1 else 'jobs'}"


def cost_lacks(lines: Iterable[StintAccount]) -> str:
    """What the cost of these lines leaves out, as a sentence; empty when nothing."""
    lines = list(lines)
    names = sorted({name for line in lines for name in line.lacking})
    if not any(line.litres for line in lines):
        names.insert(0, "fuel")
    return f"Cost is without {', '.join(names)}: not in this logbook." if names else ""


def page(
    kicker: str, title: str, fmt: FarmFormat, now: float, tables: list[Table], *,
    right: str = "", figures: list[tuple[str, str, str]] = (), figure: Markup = "", script_data: dict | None = None, before: Markup = "", notes: list[str] = (),
    links: list[Link] = (), ways: list[Link] = (), wide: bool = False, blanks: list[str] = (), at: float | None = None, warned: list[str] = (),
) -> str:  # fmt: skip
    """Return a page of tables.

    `kicker`, `title` and `right` stand over, in and beside the heading; `figure` is a map, `before`
    stands before the tables, `ways` are links on top, `links` at the foot, `blanks` ruled lines to
    fill in by hand; `warned` are sentences right below the figures; `wide` is for landscape paper. The zone named is that at `at`, by default `now`.
    """
    return page_elements.TEMPLATES.get_template("tables.html").render(
        kicker=kicker, title=title, right=right, figures=[page_elements.LargeFigure(*one) for one in figures], map=figure, before=before, script_data=script_data, tables=tables,
        notes=notes, links=links, ways=ways, wide=wide, warned=warned, blanks=blanks, zone=fmt.zone_words(now if at is None else at),
        written=f"{fmt.when(now)} ({fmt.zone_words(now)})",
    )  # fmt: skip
