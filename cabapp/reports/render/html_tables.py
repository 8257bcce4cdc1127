"""Tables on the office's pages: rows of cells in, one template for all of them."""

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from markupsafe import Markup

from cabapp.common.farm_format import FarmFormat
from cabapp.jobs.records.time_split import KINDS
from cabapp.reports.model.job_account import StintAccount
from cabapp.reports.render import page_elements


@dataclass
class Table:
    """One table.

    Attributes
    ----------
    name, note : str
        Heading, and what is said beside it.
    heads : list of tuple
        ``(words, kind)``: kind "n" for figures, "t" for what is not broken over lines, else "";
        the first column heads its row.
    rows, totals : list of list
        Cells: text, a `Link` or several, or trusted Markup.
    key : str
        For tests and scripts; unique on the page.
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
    """Five cells for five kinds of time, and their sum."""
    return [hours(seconds[kind]) for kind in KINDS] + [hours(math.fsum(seconds.values()))]


def split_heads(operation: str = "working") -> list[tuple[str, str]]:
    """Heads of `split_cells`: hours."""
    return [(word, "n") for word in (operation, *KINDS[1:], "all")]


def together(spent: Iterable[dict[str, float]]) -> dict[str, float]:
    """Seconds by kind over many."""
    spent = list(spent)
    return {kind: math.fsum(one[kind] for one in spent) for kind in KINDS}


def lacking(lines: Iterable[StintAccount]) -> str:
    """What the cost of these lines leaves out, as a sentence; empty when nothing."""
    lines = list(lines)
    names = sorted({name for line in lines for name in line.lacking})
    if not any(line.litres for line in lines):
        names.insert(0, "fuel")
    return f"Cost is without {', '.join(names)}: not in this logbook." if names else ""


def page(
    kicker: str, title: str, fmt: FarmFormat, now: float, tables: list[Table], *,
    right: str = "", figures: list[page_elements.Figure] = (), figure: Markup = "", script_data: dict | None = None, before: Markup = "", notes: list[str] = (),
    links: list[Link] = (), ways: list[Link] = (), wide: bool = False, blanks: list[str] = (), at: float | None = None,
) -> str:  # fmt: skip
    """Write a page of tables.

    Parameters
    ----------
    kicker, title, right : str
        Words over, in and beside the heading.
    fmt : FarmFormat
    now : float
        When the page is written, POSIX s.
    tables : list of Table
    figures : list of Figure
        Large figures.
    figure : Markup
        A map.
    before : Markup
        Drawn before the tables: what they refer to.
    script_data : dict, optional
        Of `page_elements.script_data`.
    notes, blanks : list of str
        Sentences at the foot; labels of ruled lines to fill in by hand.
    links : list of Link
        Pages that belong to this one.
    ways : list of Link
        Where most go from here, on top.
    wide : bool
        Lies across on paper, for tables of many columns.
    at : float, optional
        The time whose zone is named at the foot; the default is now.
    """
    return page_elements.TEMPLATES.get_template("tables.html").render(
        kicker=kicker, title=title, right=right, figures=figures, map=figure, before=before, script_data=script_data, tables=tables,
        notes=notes, links=links, ways=ways, wide=wide, blanks=blanks, zone=fmt.zone_words(now if at is None else at),
        written=f"{fmt.when(now)} ({fmt.zone_words(now)})",
    )  # fmt: skip
