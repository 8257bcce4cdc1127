"""The office's home page: every job in one line, and all pages and files that lie beside it."""

from cabapp.pages.account import Account
from cabapp.pages.figures import Words, share
from cabapp.pages.tables import Link, Table, hours, page
from cabapp.session.words import times

_HEADS = [
    ("field", ""), ("work", ""), ("last work", "t"), ("field area", "n"), ("at target", "n"),
    ("never", "n"), ("pass area", "n"), ("working, h", "n"), ("job", ""), ("harvest", ""),
    ("custom", ""),
]  # fmt: skip


def home_page(
    accounts: list[Account], words: Words, farm: str, now: float, seasons: list[int], made: list[Link]
) -> str:  # fmt: skip
    """Write the home page.

    Parameters
    ----------
    accounts : list of Account
        Not empty.
    words : Words
    farm : str
    now : float
        When the page is written, POSIX s.
    seasons : list of int
        Those with a ledger.
    made : list of Link
        Further files.
    """
    newest = sorted(accounts, key=lambda one: -one.ended)
    widest = max((len(one.sheets) for one in accounts), default=0)
    heads = _HEADS + [(f"hand-over {k}", "") for k in range(1, widest + 1)]
    rows = [_row(one, words, len(heads)) for one in newest]
    links = [Link("day book", "day-book.html"), Link("season plan", "plan.html")]
    for season in seasons:
        links.append(Link(f"season {season}", f"season-{season}.html"))
        if any(one.parts for one in accounts if one.season == season):
            links.append(Link(f"landlords {season}", f"landlords-{season}.html"))
    return page(
        "office copy", farm, words, now,
        [Table("", heads, rows, key="jobs")],
        right=f"{len(accounts)} {'job' if len(accounts) == 1 else 'jobs'}",
        links=[*links, *made], at=newest[0].ended,
        notes=["Field area is ground, once; pass area is the sum over all passes. Open a field for its log."],
    )  # fmt: skip


def _row(one: Account, words: Words, wide: int) -> list:
    done = sum(line.seconds["working"] + line.seconds["turning"] for line in one.lines)
    row = [
        Link(one.field, f"{one.stem}.html"), f"{one.operation}, {times(one.target)}, {one.season}",
        words.when(one.ended), words.area(one.field_area), share(one.reached, one.field_area),
        words.area(one.none), words.area(one.pass_area), hours(done),
        Link("page", f"{one.stem}-job.html"), Link("sheet", f"{one.stem}-harvest.html"),
        Link("page", f"{one.stem}-custom.html"),
        *[Link("sheet", name) for k, name in enumerate(one.sheets, 1)],
    ]  # fmt: skip
    return row + [""] * (wide - len(row))
