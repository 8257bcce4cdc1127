"""The office's home page: every job in one line, and all pages and files that lie beside it."""

import math

from markupsafe import Markup

from cabapp.common.farm_format import FarmFormat, share
from cabapp.common.wording import times
from cabapp.reports.model.job_account import Account
from cabapp.reports.render import page_elements
from cabapp.reports.render.html_tables import Link, Table, hours, page

_HEADS = [
    ("field", ""), ("work", ""), ("ground by passes, as on the map", ""), ("at target", "n"), ("never", "n"),
    ("field area", "n"), ("pass area", "n"), ("working, h", "n"), ("last work", "t"), ("pages", ""),
]  # fmt: skip


def home_page(
    accounts: list[Account], words: FarmFormat, farm: str, now: float, seasons: list[int], made: list[Link]
) -> str:  # fmt: skip
    """Write the home page.

    Parameters
    ----------
    accounts : list of Account
        Not empty.
    words : FarmFormat
    farm : str
    now : float
        When the page is written, POSIX s.
    seasons : list of int
        Those with a ledger, the newest first.
    made : list of Link
        Further files.
    """
    ways = [Link("Day book", "day-book.html"), Link("What comes first", "plan.html")]
    tables = []
    for season in seasons:
        ways.append(Link(f"Season {season}", f"season-{season}.html"))
        of = sorted((one for one in accounts if one.season == season), key=lambda one: -one.ended)
        if any(one.parts for one in of):
            ways.append(Link(f"Landlords {season}", f"landlords-{season}.html"))
        rows = [_row(one, words) for one in of]
        jobs = f"{len(of)} {'job' if len(of) == 1 else 'jobs'}"
        tables.append(Table(f"Season {season}", _HEADS, rows, note=jobs, key=f"jobs-{season}"))
    newest = [one for one in accounts if one.season == seasons[0]]
    return page(
        "office copy", farm, words, now, tables, wide=True, ways=ways, figures=_figures(newest, words),
        before=page_elements.bar_patterns(), links=made, at=max(one.ended for one in accounts),
        right=f"{len(accounts)} {'job' if len(accounts) == 1 else 'jobs'}",
        notes=[
            "Field area is ground, once; pass area is the sum over all passes. Open a field for its log. "
            "The large figures are those of the newest season.",
        ],
    )  # fmt: skip


def _figures(accounts: list[Account], words: FarmFormat) -> list[dict]:
    """What a season comes to, over fields with a boundary."""
    known = [one for one in accounts if one.field_area]
    ground = math.fsum(one.field_area for one in known)
    worked = math.fsum(_worked(one) for one in accounts)
    found = [
        ("field", words.area(ground or None), "field area, every job"),
        ("reached", share(math.fsum(one.reached for one in known), ground), "of it at target"),
        ("none", words.area(math.fsum(one.none for one in known) if known else None), "never covered"),
        ("hours", f"{hours(worked)} h", "working and turning"),
    ]
    return [{"key": key, "value": value, "words": said} for key, value, said in found]


def _worked(one: Account) -> float:
    return sum(line.seconds["working"] + line.seconds["turning"] for line in one.lines)


def _row(one: Account, words: FarmFormat) -> list:
    whole = one.field_area or one.covered
    counts = {int(n): area for n, area in one.by_count.items()}
    drawn = page_elements.bar(counts, whole, one.target) if whole else Markup("–")
    pages = [
        Link("job", f"{one.stem}-job.html"), Link("harvest", f"{one.stem}-harvest.html"),
        Link("custom work", f"{one.stem}-custom.html"),
        *(Link(f"hand-over {k}" if len(one.sheets) > 1 else "hand-over", name) for k, name in enumerate(one.sheets, 1)),
    ]  # fmt: skip
    return [
        Link(one.field, f"{one.stem}.html"), f"{one.operation}, {times(one.target)}", drawn,
        share(one.reached, one.field_area), words.area(one.none), words.area(one.field_area),
        words.area(one.pass_area), hours(_worked(one)), words.when(one.ended), pages,
    ]  # fmt: skip
