"""The season ledger: fields by operation; cost an acre by field, tool, tractor and operator.

Each stint's money is rounded to the hundredth once, so that all tables add up.
"""

import math
from collections import defaultdict

from cabapp.common.farm_format import FarmFormat
from cabapp.common.shares import share
from cabapp.reports.model.fuel_record import Fill
from cabapp.reports.model.job_account import Account, known_cost, per_area, rates, sum_known, useful
from cabapp.reports.model.time_doubts import doubts_of_all
from cabapp.reports.render.html_tables import Link, Table, cost_lacks, hours, jobs_text, page
from cabapp.reports.season.landlord_page import by_landlord


def ledger_page(
    accounts: list[Account], season: int, fmt: FarmFormat, farm: str, now: float, fuel: list[Fill] = ()
) -> str:
    """Return the ledger of a season; of `fuel`, that of this year without a stint is listed apart."""
    tables = [_by_field(accounts, fmt)]
    for name in ("tool", "tractor", "operator"):
        tables.append(_by(accounts, name, fmt))
    if any(account.parts for account in accounts):
        tables.append(by_landlord(accounts, fmt))
    loose = [f for f in fuel if not f.job and fmt.local(f.at).year == season]
    if loose:
        tables.append(_loose(loose, fmt))
    short = cost_lacks([stint for account in accounts for stint in account.stints])
    return page(
        farm, f"Season {season}", fmt, now, tables, wide=True,
        right=jobs_text(accounts),
        at=max(account.ended for account in accounts), links=[Link("all jobs", "index.html"), Link("day book", "day-book.html")],
        warned=doubts_of_all(accounts, fmt, now),
        notes=[
            "Field area is ground, once for every operation on it; pass area is the sum over all passes. "
            "Cost is wages for all hours, the tractor for all hours but broken, and the fuel put in.",
            *([short] if short else []),
        ],
    )  # fmt: skip


def _loose(fuel: list[Fill], fmt: FarmFormat) -> Table:
    """Fuel that no stint has, so that no job bears it."""
    heads = [("when", "t"), ("tractor", ""), ("fuel", "n"), ("cost", "n")]
    rows = [[fmt.when(f.at), f.tractor, fmt.units.volume(f.litres), fmt.money(f.cents)] for f in fuel]
    litres = fmt.units.volume(math.fsum(f.litres for f in fuel))
    total = ["all", "", litres, fmt.money(sum_known(f.cents for f in fuel))]
    return Table("Fuel of no job", heads, rows, [total], "put in beside the work, so in no cost above", "loose-fuel")


def _money_heads(fmt: FarmFormat) -> list[tuple[str, str]]:
    unit = fmt.units.unit("area")
    return [("cost", "n"), (f"a field {unit}", "n"), (f"a pass {unit}", "n")]


def _by_field(accounts: list[Account], fmt: FarmFormat) -> Table:
    heads = [("field", ""), ("operation", ""), ("field area", "n"), ("at target", "n"),
             ("never", "n"), ("pass area", "n"), ("in all, h", "n"), ("efficiency", "n"),
             *_money_heads(fmt)]  # fmt: skip
    rows = []
    for account in sorted(accounts, key=lambda a: (a.field.casefold(), a.began)):
        went, cents = rates(account.stints, useful(account)), known_cost(account.stints)
        efficiency = "–" if went.efficiency is None else f"{100 * went.efficiency:.0f} %"
        rows.append([
            Link(account.field, f"{account.stem}-job.html"), account.operation, fmt.area(account.field_area),
            share(account.known(account.reached), account.ground), fmt.area(account.known(account.none)),
            fmt.swept(account.pass_area),
            hours(_all(account.stints)), efficiency, fmt.money(cents), fmt.money(per_area(cents, account.ground, fmt.units)),
            fmt.money(per_area(cents, account.pass_area, fmt.units)),
        ])  # fmt: skip
    stints = [stint for account in accounts for stint in account.stints]
    pass_area = math.fsum(account.pass_area for account in accounts)
    grounds = [account.field_area for account in accounts]
    ground = math.fsum(grounds) if None not in grounds else None
    cents = sum_known(known_cost(account.stints) for account in accounts)
    total = ["all", "", fmt.area(ground), "", fmt.area(_some(account.known(account.none) for account in accounts)),
             fmt.swept(pass_area), hours(_all(stints)), "", fmt.money(cents),
             fmt.money(per_area(cents, ground, fmt.units)), fmt.money(per_area(cents, pass_area, fmt.units))]  # fmt: skip
    return Table("Fields by operation", heads, rows, [total], key="fields")


def _by(accounts: list[Account], name: str, fmt: FarmFormat) -> Table:
    groups = defaultdict(list)
    for account in accounts:
        for stint in account.stints:
            groups[getattr(stint, name)].append(stint)
    heads = [(name, ""), ("stints", "n"), ("pass area", "n"), ("in all, h", "n"), ("output in the field", "n"),
             ("fuel", "n"), ("cost", "n"), (f"a pass {fmt.units.unit('area')}", "n")]  # fmt: skip
    every = [stint for stints in groups.values() for stint in stints]
    rows = [_group(who, stints, fmt) for who, stints in sorted(groups.items())]
    return Table(f"By {name}", heads, rows, [_group("all", every, fmt)], key=f"by-{name}")


def _group(who: str, stints: list, fmt: FarmFormat) -> list:
    went, pass_area = rates(stints), math.fsum(stint.pass_area for stint in stints)
    litres = math.fsum(stint.litres for stint in stints)
    cents = known_cost(stints)
    return [
        who, str(len(stints)), fmt.swept(pass_area), hours(_all(stints)),
        fmt.units.area_rate(went.effective), fmt.units.volume(litres) if litres else "–",
        fmt.money(cents), fmt.money(per_area(cents, pass_area, fmt.units)),
    ]  # fmt: skip


def _all(stints) -> float:
    return math.fsum(math.fsum(stint.seconds.values()) for stint in stints)


def _some(areas) -> float | None:
    areas = list(areas)
    return None if None in areas else math.fsum(areas)
