"""The season ledger: fields by operation, and the cost an acre by field, tool, tractor and operator.

Every stint's money is rounded to the hundredth once, so that all tables add up alike.
"""

import math
from collections import defaultdict
from collections.abc import Callable

from cabapp.common.farm_format import FarmFormat, share
from cabapp.reports.model.fuel_record import Fill
from cabapp.reports.model.job_account import Account, known_cost, per_area, rates, sum_known, useful
from cabapp.reports.render.html_tables import Link, Table, hours, lacking, page
from cabapp.reports.season.landlord_page import by_landlord


def ledger_page(
    accounts: list[Account], season: int, words: FarmFormat, farm: str, now: float, fuel: list[Fill] = ()
) -> str:
    """Write the ledger of a season.

    Parameters
    ----------
    accounts : list of Account
        Of that season; not empty.
    season : int
    words : FarmFormat
    farm : str
    now : float
        When the page is written, POSIX s.
    fuel : list of Fill
        All fuel; that of this year which no stint has is listed apart.
    """
    tables = [_by_field(accounts, words)]
    for name in ("tool", "tractor", "operator"):
        tables.append(_by(accounts, name, lambda line, name=name: getattr(line, name), words))
    if any(one.parts for one in accounts):
        tables.append(by_landlord(accounts, words))
    loose = [f for f in fuel if not f.job and words.local(f.at).year == season]
    if loose:
        tables.append(_loose(loose, words))
    short = lacking([line for one in accounts for line in one.lines])
    return page(
        farm, f"Season {season}", words, now, tables, wide=True,
        right=f"{len(accounts)} {'job' if len(accounts) == 1 else 'jobs'}",
        at=max(one.ended for one in accounts), links=[Link("all jobs", "index.html"), Link("day book", "day-book.html")],
        notes=[
            "Field area is ground, once for every operation on it; pass area is the sum over all passes. "
            "Cost is wages for all hours, the tractor for all hours but broken, and the fuel put in.",
            *([short] if short else []),
        ],
    )  # fmt: skip


def _loose(fuel: list[Fill], words: FarmFormat) -> Table:
    """Fuel that no stint has, so that no job bears it."""
    heads = [("when", "t"), ("tractor", ""), ("fuel", "n"), ("cost", "n")]
    rows = [[words.when(f.at), f.tractor, words.units.volume(f.litres), words.money(f.cents)] for f in fuel]
    litres = words.units.volume(math.fsum(f.litres for f in fuel))
    total = ["all", "", litres, words.money(sum_known(f.cents for f in fuel))]
    return Table("Fuel of no job", heads, rows, [total], "put in beside the work, so in no cost above", "loose-fuel")


def _money_heads(words: FarmFormat) -> list[tuple[str, str]]:
    unit = words.units.unit("area")
    return [("cost", "n"), (f"a field {unit}", "n"), (f"a pass {unit}", "n")]


def _by_field(accounts: list[Account], words: FarmFormat) -> Table:
    heads = [("field", ""), ("operation", ""), ("field area", "n"), ("at target", "n"),
             ("never", "n"), ("pass area", "n"), ("in all, h", "n"), ("efficiency", "n"),
             *_money_heads(words)]  # fmt: skip
    rows = []
    for one in sorted(accounts, key=lambda a: (a.field.casefold(), a.began)):
        ground = one.field_area if one.field_area is not None else one.covered
        went, cents = rates(one.lines, useful(one)), known_cost(one.lines)
        efficiency = "–" if went.efficiency is None else f"{100 * went.efficiency:.0f} %"
        rows.append([
            Link(one.field, f"{one.stem}-job.html"), one.operation, words.area(one.field_area),
            share(one.reached, ground), words.area(one.none), words.area(one.pass_area),
            hours(_all(one.lines)), efficiency, words.money(cents), words.money(per_area(cents, ground, words.units)),
            words.money(per_area(cents, one.pass_area, words.units)),
        ])  # fmt: skip
    lines = [line for one in accounts for line in one.lines]
    pass_area = math.fsum(one.pass_area for one in accounts)
    grounds = [one.field_area for one in accounts]
    ground = math.fsum(grounds) if None not in grounds else None
    cents = sum_known(known_cost(one.lines) for one in accounts)
    total = ["all", "", words.area(ground), "", words.area(_some(one.none for one in accounts)),
             words.area(pass_area), hours(_all(lines)), "", words.money(cents),
             words.money(per_area(cents, ground, words.units)), words.money(per_area(cents, pass_area, words.units))]  # fmt: skip
    return Table("Fields by operation", heads, rows, [total], key="fields")


def _by(accounts: list[Account], name: str, key: Callable, words: FarmFormat) -> Table:
    groups = defaultdict(list)
    for one in accounts:
        for line in one.lines:
            groups[key(line)].append(line)
    heads = [(name, ""), ("stints", "n"), ("pass area", "n"), ("in all, h", "n"), ("output in the field", "n"),
             ("fuel", "n"), ("cost", "n"), (f"a pass {words.units.unit('area')}", "n")]  # fmt: skip
    every = [line for lines in groups.values() for line in lines]
    rows = [_group(who, lines, words) for who, lines in sorted(groups.items())]
    return Table(f"By {name}", heads, rows, [_group("all", every, words)], key=f"by-{name}")


def _group(who: str, lines: list, words: FarmFormat) -> list:
    went, pass_area = rates(lines), math.fsum(line.pass_area for line in lines)
    litres = math.fsum(line.litres for line in lines)
    cents = known_cost(lines)
    return [
        who, str(len(lines)), words.area(pass_area), hours(_all(lines)),
        words.units.area_rate(went.effective), words.units.volume(litres) if litres else "–",
        words.money(cents), words.money(per_area(cents, pass_area, words.units)),
    ]  # fmt: skip


def _all(lines) -> float:
    return math.fsum(math.fsum(line.seconds.values()) for line in lines)


def _some(areas) -> float | None:
    areas = list(areas)
    return None if None in areas else math.fsum(areas)
