"""The office's home page: a line for each job, and links to all pages and files."""

import math

from markupsafe import Markup

from cabapp.common.farm_format import FarmFormat
from cabapp.common.shares import share
from cabapp.common.wording import times
from cabapp.jobs.records.time_split import worked
from cabapp.reports.model.job_account import Account
from cabapp.reports.render import page_elements
from cabapp.reports.render.html_tables import Link, Table, hours, jobs_text, page

_HEADS = [
    ("field", ""), ("work", ""), ("ground by passes, as on the map", ""), ("at target", "n"), ("never", "n"),
    ("field area", "n"), ("pass area", "n"), ("working, h", "n"), ("last work", "t"), ("pages", ""),
]  # fmt: skip


def home_page(
    accounts: list[Account], fmt: FarmFormat, farm: str, now: float, seasons: list[int], made: list[Link]
) -> str:  # fmt: skip
    """Return the home page; `seasons` are those with a ledger, newest first, `made` further files."""
    ways = [Link("Day book", "day-book.html"), Link("What comes first", "plan.html")]
    tables = []
    for season in seasons:
        ways.append(Link(f"Season {season}", f"season-{season}.html"))
        of = sorted((account for account in accounts if account.season == season), key=lambda account: -account.ended)
        if any(account.parts for account in of):
            ways.append(Link(f"Landlords {season}", f"landlords-{season}.html"))
        rows = [_row(account, fmt) for account in of]
        tables.append(Table(f"Season {season}", _HEADS, rows, note=jobs_text(of), key=f"jobs-{season}"))
    newest = [account for account in accounts if account.season == seasons[0]]
    return page(
        "office copy", farm, fmt, now, tables, wide=True, ways=ways, figures=_figures(newest, fmt),
        before=page_elements.bar_patterns(), links=made, at=max(account.ended for account in accounts),
        right=jobs_text(accounts),
        notes=[
            "Field area is ground, once; pass area is the sum over all passes. Open a field for its log. "
            "The large figures are those of the newest season.",
        ],
    )  # fmt: skip


def _figures(accounts: list[Account], fmt: FarmFormat) -> list[tuple[str, str, str]]:
    """Return the large figures of a season, over fields with a boundary."""
    bounded = [account for account in accounts if account.field_area]
    known = [account for account in bounded if account.seen]
    seen = math.fsum(account.field_area for account in known)
    spent = math.fsum(_worked(account) for account in accounts)
    return [
        ("field", fmt.area(math.fsum(account.field_area for account in bounded) or None), "field area, every job"),
        (
            "reached",
            share(math.fsum(account.reached for account in known), seen),
            "of it at target" if known == bounded else "at target, where positions were known",
        ),
        ("none", fmt.area(math.fsum(account.none for account in known) if known else None), "never covered"),
        ("hours", f"{hours(spent)} h", "working and turning"),
    ]


def _worked(account: Account) -> float:
    return sum(worked(stint.seconds) for stint in account.stints)


def _row(account: Account, fmt: FarmFormat) -> list:
    whole = account.field_area or account.covered
    counts = {int(n): area for n, area in account.by_count.items()}
    drawn = page_elements.bar(counts, whole, account.target) if whole else Markup("–")
    pages = [
        Link("job", f"{account.stem}-job.html"), Link("harvest", f"{account.stem}-harvest.html"),
        Link("custom work", f"{account.stem}-custom.html"),
        *(Link(f"hand-over {k}" if len(account.sheets) > 1 else "hand-over", name) for k, name in enumerate(account.sheets, 1)),
    ]  # fmt: skip
    return [
        Link(account.field, f"{account.stem}.html"), f"{account.operation}, {times(account.target)}", drawn,
        share(account.known(account.reached), account.field_area), fmt.area(account.known(account.none)),
        fmt.area(account.field_area), fmt.swept(account.pass_area), hours(_worked(account)), fmt.when(account.ended), pages,
    ]  # fmt: skip
