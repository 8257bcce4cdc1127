"""The custom-work page: the agreed area, the work done, and a map."""

from cabapp.common.shares import shares
from cabapp.common.wording import times, verb
from cabapp.jobs.records.time_split import worked
from cabapp.reports.model.job_account import Account
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import page_elements
from cabapp.reports.render.html_tables import Link, Table, hours, page, together


def custom_page(record: JobRecord, account: Account, now: float) -> str:
    """Return the custom-work page of a job, written at `now`, POSIX s."""
    fmt, done = record.format, verb(account.operation).lower()
    figures = [
        ("agreed", "not written" if account.agreed is None else fmt.area(account.agreed), "agreed beforehand"),
        ("net", fmt.area(account.covered) if account.seen else page_elements.NOT_KNOWN, f"{done} at least once, net"),
        (
            "pass_area",
            fmt.area(account.pass_area) if account.seen else page_elements.NOT_KNOWN,
            "pass area, every pass",
        ),
        ("field", fmt.area(account.field_area), "inside the boundary"),
    ]
    areas = {page_elements.passes_text(int(n), account.operation): area for n, area in account.by_count.items()}
    if page_elements.shows(account.unknown, fmt):
        areas = {f"position unknown, perhaps {done}": account.unknown} | areas
    if not account.seen:
        areas = {f"position unknown, perhaps {done}": account.field_area}
    elif account.none is not None:
        areas = {page_elements.passes_text(0, account.operation): account.none} | areas
    percents = shares([*areas.values()], account.field_area)
    rows = [[text, fmt.area(area), percent] for (text, area), percent in zip(areas.items(), percents, strict=True)]
    by_day = {}
    for stint in account.stints:
        for day in stint.days:
            key = day["day"], stint.operator, f"{stint.tractor}, {stint.tool}"
            by_day.setdefault(key, []).append(day["seconds"])
    spent = {key: together(some) for key, some in sorted(by_day.items())}
    days = [[*key, hours(worked(some)), hours(some["unknown"])] for key, some in spent.items()]
    blanks = [*(["Area agreed:"] if account.agreed is None else []), "For whom:", "Rate agreed:"]
    return page(
        f"{record.farm.name if record.farm else ''} · custom work", account.field, fmt, now,
        [
            Table("Ground by passes", [("passes", ""), ("area", "n"), ("of field", "n")], rows, key="passes"),
            Table("Days", [("day", ""), ("operator", ""), ("with", ""), ("working and turning, h", "n"), ("position unknown, h", "n")], days, key="days"),
        ],
        right=f"{account.operation}, {times(account.target)}, {account.season}",
        figures=figures,
        figure=page_elements.map_of(record, f"{account.field}, {account.operation}", tallest=400),
        blanks=blanks, at=account.ended,
        links=[Link("field log", f"{account.stem}.html"), Link("job page", f"{account.stem}-job.html")],
        notes=[
            "Net area is ground, once. Pass area counts ground again each time it was covered; "
            "it is no area to be paid for unless that was agreed.",
            "Hours at work without a position stand apart: whether it worked, turned or stood there is not known.",
            "This page is a record of work, not an invoice.",
        ],
    )  # fmt: skip
