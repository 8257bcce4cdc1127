"""The job page: ground, passes, speed, output, fuel and cost of one job, for the office."""

import math

from cabapp.common.farm_format import FarmFormat
from cabapp.common.rendering import render
from cabapp.common.shares import share, shares
from cabapp.common.wording import times, verb
from cabapp.reports.job.amendments import correction_tables
from cabapp.reports.job.pass_table import passes_table
from cabapp.reports.model.job_account import Account, avoidable_cents, known_cost, per_area, rates, sum_known, useful
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.model.time_doubts import doubts_of_job
from cabapp.reports.render import page_elements
from cabapp.reports.render.html_tables import (
    Link,
    Table,
    cost_lacks,
    hours,
    page,
    split_cells,
    split_heads,
    together,
)  # fmt: skip


def job_page(record: JobRecord, account: Account, now: float) -> str:
    """Return the job page, written at `now`, POSIX s."""
    fmt = record.format
    proof = record.proof
    certain = (
        page_elements.NOT_KNOWN
        if proof is None or not record.seen
        else f"{100 * proof.low:.0f} to {100 * proof.high:.0f} %"
    )
    figures = [
        ("field", fmt.area(account.ground), "field area" if account.field_area is not None else "covered, net"),
        ("pass_area", fmt.area(account.pass_area) if record.seen else page_elements.NOT_KNOWN, "pass area, every pass"),
        ("proof", certain, f"proven {verb(account.operation).lower()} {times(account.target)}, 9 times in 10"),
        ("cost", fmt.money(known_cost(account.stints)), "cost, as far as it is known"),
    ]
    notes = [*(render(said, farm=record.format) for said in record.held), *record.remarks]
    notes += [
        "Field area is ground, once; pass area is the sum over all passes. They are never added.",
        "Field efficiency: useful pass area over width, speed and the time working, turning and "
        "waiting in the field; travelling, breakdowns and time without a position are left out.",
    ]
    drawn = page_elements.map_of(record, f"{account.field}, {account.operation}", tallest=560, parcels=True)
    short = cost_lacks(account.stints)
    links = [
        Link("field log", f"{account.stem}.html"), Link("harvest sheet", f"{account.stem}-harvest.html"),
        Link("custom work", f"{account.stem}-custom.html"), Link("all jobs", "index.html"),
    ]  # fmt: skip
    return page(
        f"{record.farm.name if record.farm else ''} · job", account.field, fmt, now,
        [work_table(account, fmt), stint_table(account, fmt), *filter(None, [passes_table(record)]), *correction_tables(record)],
        right=f"{account.operation}, {times(account.target)}, {account.season}",
        figures=figures, warned=doubts_of_job(record, now),
        figure=drawn, script_data=page_elements.script_data(record, drawn),
        notes=notes + ([short] if short else []), links=links, at=account.ended,
    )  # fmt: skip


def work_table(account: Account, fmt: FarmFormat) -> Table:
    """How the work went, and what it cost; without any position hours and money only."""
    units = fmt.units
    went, spent = rates(account.stints, useful(account)), together(stint.seconds for stint in account.stints)
    cents, litres = known_cost(account.stints), math.fsum(stint.litres for stint in account.stints)
    spared = avoidable_cents(account) if cents else None
    efficiency = "–" if went.efficiency is None else f"{100 * went.efficiency:.0f} %"
    classes = [account.covered, account.none or 0.0, account.unknown or 0.0]
    covered, never, unknown = shares(classes, account.field_area)
    ground_rows = [
        ("covered at least once", fmt.area(account.covered), covered),
        (f"{verb(account.operation).lower()} {times(account.target)} or more", fmt.area(account.reached), share(account.reached, account.ground)),
        ("never covered", fmt.area(account.none), never),
        *([("position unknown, perhaps covered", fmt.area(account.unknown), unknown)] if page_elements.shows(account.unknown, fmt) else []),
        ("speed at work", units.speed(went.speed), f"over {hours(spent['working'])} h"),
        ("output: width times speed", units.area_rate(went.theoretical), "theoretical"),
        ("output in the field", units.area_rate(went.effective), "useful pass area an hour"),
        ("field efficiency", efficiency, ""),
    ]  # fmt: skip
    paid_rows = [
        ("fuel put in", units.volume(litres) if litres else "none written", units.volume_per_area(went.fuel) + " of pass area" if litres else ""),
        ("fuel", fmt.money(sum_known(stint.fuel_cents for stint in account.stints) if litres else None), ""),
        ("wages", fmt.money(sum_known(stint.wage_cents for stint in account.stints)), "all hours"),
        ("tractor", fmt.money(sum_known(stint.tractor_cents for stint in account.stints)), "all hours but broken"),
        ("cost", fmt.money(cents), money_per_area(cents, account.ground, fmt) + " of field, "
         + money_per_area(cents, account.pass_area, fmt) + " of pass area"),
    ]  # fmt: skip
    over_rows = [
        ("re-covering that could have been spared", fmt.area(account.avoidable),
         f"cost {fmt.money(spared)}, in proportion: {share(account.avoidable_passes, account.pass_area)} of all passes"),
        ("re-covering along the edge", fmt.area(account.unavoidable), "a half-lap cannot help it"),
    ]  # fmt: skip
    if not account.seen:
        ground_rows, over_rows = [("ground covered", page_elements.NOT_KNOWN, "no position of this work was known")], []
    rows = [list(row) for row in (*ground_rows, *paid_rows, *over_rows)]
    return Table("How it went", [("what", ""), ("how much", "n"), ("remark", "")], rows, key="work")


def money_per_area(cents: int | None, area: float | None, fmt: FarmFormat) -> str:
    """Return money for an acre or a hectare, with its unit."""
    each = per_area(cents, area, fmt.units)
    return "–" if each is None else f"{fmt.money(each)}/{fmt.units.unit('area')}"


def stint_table(account: Account, fmt: FarmFormat) -> Table:
    """A line for every stint."""
    heads = [("operator", ""), ("tractor and tool", ""), ("from, to", ""),
             *split_heads(account.operation), ("pass area", "n"), ("cost", "n")]  # fmt: skip
    rows = [
        [
            stint.operator, f"{stint.tractor}, {stint.tool}", _span(stint, fmt),
            *split_cells(stint.seconds), fmt.swept(stint.pass_area), fmt.money(stint.cents),
        ]
        for stint in account.stints
    ]  # fmt: skip
    total = [
        "all", "", "", *split_cells(together(stint.seconds for stint in account.stints)),
        fmt.swept(math.fsum(stint.pass_area for stint in account.stints)), fmt.money(known_cost(account.stints)),
    ]  # fmt: skip
    return Table("Who worked", heads, rows, [total], "hours that passed, whatever the clocks did", "stints")


def _span(stint, fmt: FarmFormat) -> str:
    same = fmt.local(stint.began).date() == fmt.local(stint.ended).date()
    last = fmt.time(stint.ended) if same else fmt.when(stint.ended)
    return f"{fmt.when(stint.began)} – {last}" + (" (open)" if stint.open else "")
