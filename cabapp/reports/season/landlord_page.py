"""The landlords' page: each field's work by parcel, ground and count."""

from collections import defaultdict

from cabapp.common.farm_format import FarmFormat
from cabapp.common.wording import times
from cabapp.reports.model.job_account import Account, per_area, sum_known
from cabapp.reports.model.parcel_split import ParcelShare
from cabapp.reports.render.html_tables import Link, Table, page

NOBODY = "in no parcel"


def landlords_page(accounts: list[Account], season: int, fmt: FarmFormat, farm: str, now: float) -> str:
    """Return the split of a season's work; at least one account has parcels."""
    shared = sorted(
        (account for account in accounts if account.parts),
        key=lambda account: (account.field.casefold(), account.began),
    )
    fields = list(dict.fromkeys(account.field for account in shared))
    tables = [by_landlord(shared, fmt)]
    for k, name in enumerate(fields):
        rows = [row for account in shared if account.field == name for row in _rows(account, fmt)]
        tables.append(Table(name, _heads(fmt), rows, key=f"field-{k}"))
    return page(
        farm, "Landlords", fmt, now, tables, right=f"season {season}", wide=True,
        at=max(account.ended for account in shared),
        links=[Link("all jobs", "index.html"), Link(f"season {season}", f"season-{season}.html")],
        notes=[
            "Ground is measured where parcel and field lie over each other, passes as on the field's own "
            "map. What work on a parcel cost is the job's cost in proportion to pass area.",
            "Money is split only by what a lease says. A dash: no lease is written, or the cost is not known.",
            *_leases(shared),
            *_doubts(shared, fmt),
            *_without(accounts),
        ],
    )  # fmt: skip


def _heads(fmt: FarmFormat) -> list[tuple[str, str]]:
    return [
        ("work", ""), ("parcel", ""), ("landlord", ""), ("ground", "n"), ("never", "n"), ("unknown", "n"),
        ("once", "n"), ("twice", "n"), ("more", "n"), ("pass area", "n"), ("cost there", "n"), ("landlord bears", "n"),
        ("in money", "n"),
    ]  # fmt: skip


def _rows(account: Account, fmt: FarmFormat) -> list[list]:
    """Return a row for each parcel of a job."""
    work = Link(f"{account.operation}, {times(account.target)}", f"{account.stem}-job.html")
    return [
        [
            work, part.name, part.landlord or "–", fmt.area(part.area), *map(fmt.area, part.areas),
            fmt.area(part.pass_area), fmt.money(cost), lease(part), fmt.money(due),
        ]
        for part, cost, due in account.parcel_money()
    ]  # fmt: skip


def lease(part: ParcelShare) -> str:
    """Return the part of the cost the landlord bears."""
    if part.share is None:
        return "–"
    plain = {1 / 3: "1/3", 2 / 3: "2/3", 0.25: "1/4", 0.5: "1/2", 0.75: "3/4"}
    return plain.get(part.share, f"{100 * part.share:.4g} %")


def _leases(shared: list[Account]) -> list[str]:
    """Return the leases' own text."""
    rules = {(account.field, part.name): part for account in shared for part in account.parts if part.rule}
    said = [f"{field}, {name}: “{part.rule}”" for (field, name), part in rules.items()]
    return [f"Leases. {'; '.join(said)}."] if said else []


def by_landlord(accounts: list[Account], fmt: FarmFormat) -> Table:
    """Return each landlord's ground, passes and cost over a season, and the part of it the landlord bears."""
    groups = defaultdict(list)
    for account in accounts:
        for part, cost, due in account.parcel_money():
            groups[part.landlord or NOBODY].append((part.parcel or account.field, part, cost, due))
    rows, unit = [], fmt.units.unit("area")
    for who, own in sorted(groups.items(), key=lambda one: (one[0] == NOBODY, one[0].casefold())):
        parcels, parts, costs, dues = zip(*own, strict=True)
        ground = dict(zip(parcels, (part.area for part in parts), strict=True))
        over, passes = sum(part.area for part in parts), sum(part.pass_area for part in parts)
        cost = sum_known(costs)
        rows.append([
            who, fmt.area(sum(ground.values())), str(len(own)), fmt.area(passes), fmt.money(cost),
            *(fmt.money(per_area(cost, area, fmt.units)) for area in (over, passes)), fmt.money(sum_known(dues)),
        ])  # fmt: skip
    heads = [("landlord", ""), ("ground", "n"), ("jobs", "n"), ("pass area", "n"), ("cost there", "n"),
             (f"a field {unit}", "n"), (f"a pass {unit}", "n"), ("theirs to bear", "n")]  # fmt: skip
    return Table("By landlord", heads, rows, note="only fields with parcels", key="by-landlord")


def _doubts(shared: list[Account], fmt: FarmFormat) -> list[str]:
    said = []
    for name in dict.fromkeys(account.field for account in shared):
        account = next(account for account in shared if account.field == name)
        if account.overlap > 1.0:
            said.append(f"{name}: parcels lie over each other on {fmt.area(account.overlap)}; that ground is in both.")
        if account.unread:
            said.append(f"{name}: the outline of {', '.join(account.unread)} is no area, so it is left out.")
    return said


def _without(accounts: list[Account]) -> list[str]:
    names = list(dict.fromkeys(account.field for account in accounts if not account.parts))
    return [f"Without parcels, so not split: {', '.join(names)}."] if names else []
