"""The job page: ground, passes, speed, output, fuel and cost of one job, for the office."""

import math

from cabapp.common.farm_format import FarmFormat, share
from cabapp.common.wording import times, verb
from cabapp.reports.job.amendments import correction_words
from cabapp.reports.job.pass_table import passes_table
from cabapp.reports.model.job_account import Account, avoidable_cents, known_cost, per_area, rates, sum_known, useful
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import page_elements
from cabapp.reports.render.html_tables import (
    Link,
    Table,
    hours,
    lacking,
    page,
    split_cells,
    split_heads,
    together,
)  # fmt: skip

NOT_KNOWN = "not known"


def job_page(log: JobRecord, one: Account, now: float) -> str:
    """Write the job page.

    Parameters
    ----------
    log : JobRecord
    one : Account
        Of the same job.
    now : float
        When the page is written, POSIX s.
    """
    words = log.words
    proof = log.proof
    certain = NOT_KNOWN if proof is None or not log.seen else f"{100 * proof.low:.0f} to {100 * proof.high:.0f} %"
    whole = one.field_area if one.field_area is not None else one.covered
    figures = [
        ("field", words.area(whole), "field area" if one.field_area is not None else "covered, net"),
        ("pass_area", words.area(one.pass_area) if log.seen else NOT_KNOWN, "pass area, every pass"),
        ("proof", certain, f"proven {verb(one.operation).lower()} {times(one.target)}, 9 times in 10"),
        ("cost", words.money(known_cost(one.lines)), "cost, as far as it is known"),
    ]
    notes = [
        "Field area is ground, once; pass area is the sum over all passes. They are never added.",
        "Field efficiency: useful pass area over width, speed and the time working, turning and "
        "waiting in the field; travelling and breakdowns are left out.",
    ]
    drawn = page_elements.map_of(log, f"{one.field}, {one.operation}", tallest=560, parcels=True)
    short = lacking(one.lines)
    links = [
        Link("field log", f"{one.stem}.html"), Link("harvest sheet", f"{one.stem}-harvest.html"),
        Link("custom work", f"{one.stem}-custom.html"), Link("all jobs", "index.html"),
    ]  # fmt: skip
    return page(
        f"{log.farm.name if log.farm else ''} · job", one.field, words, now,
        [work_table(one, words, log.seen), stint_table(one, words), *filter(None, [passes_table(log)]), *correction_tables(log)],
        right=f"{one.operation}, {times(one.target)}, {one.season}",
        figures=[{"key": k, "value": v, "words": w} for k, v, w in figures],
        figure=drawn, living=page_elements.living(log, drawn),
        notes=notes + ([short] if short else []), links=links, at=one.ended,
    )  # fmt: skip


def work_table(one: Account, words: FarmFormat, seen: bool = True) -> Table:
    """How the work went, and what it cost; without any position (not `seen`) hours and money only."""
    units = words.units
    went, spent = rates(one.lines, useful(one)), together(line.seconds for line in one.lines)
    cents, litres = known_cost(one.lines), math.fsum(line.litres for line in one.lines)
    ground = one.field_area if one.field_area is not None else one.covered
    spared = avoidable_cents(one) if cents else None
    efficiency = "–" if went.efficiency is None else f"{100 * went.efficiency:.0f} %"
    ground_rows = [
        ("covered at least once", words.area(one.covered), share(one.covered, one.field_area)),
        (f"{verb(one.operation).lower()} {times(one.target)} or more", words.area(one.reached), share(one.reached, ground)),
        ("never covered", words.area(one.none), share(one.none, one.field_area)),
        ("speed at work", units.speed(went.speed), f"over {hours(spent['working'])} h"),
        ("output: width times speed", units.area_rate(went.theoretical), "theoretical"),
        ("output in the field", units.area_rate(went.effective), "useful pass area an hour"),
        ("field efficiency", efficiency, ""),
    ]  # fmt: skip
    paid_rows = [
        ("fuel put in", units.volume(litres) if litres else "none written", units.volume_per_area(went.fuel) + " of pass area" if litres else ""),
        ("fuel", words.money(sum_known(line.fuel_cents for line in one.lines) if litres else None), ""),
        ("wages", words.money(sum_known(line.wage_cents for line in one.lines)), "all hours"),
        ("tractor", words.money(sum_known(line.tractor_cents for line in one.lines)), "all hours but broken"),
        ("cost", words.money(cents), money_per_area(cents, ground, words) + " of field, "
         + money_per_area(cents, one.pass_area, words) + " of pass area"),
    ]  # fmt: skip
    over_rows = [
        ("re-covering that could have been spared", words.area(one.avoidable),
         f"cost {words.money(spared)}, in proportion: {share(one.avoidable_passes, one.pass_area)} of all passes"),
        ("re-covering along the edge", words.area(one.unavoidable), "a half-lap cannot help it"),
    ]  # fmt: skip
    if not seen:
        ground_rows, over_rows = [("ground covered", NOT_KNOWN, "no position of this work was known")], []
    rows = [list(row) for row in (*ground_rows, *paid_rows, *over_rows)]
    return Table("How it went", [("what", ""), ("how much", "n"), ("remark", "")], rows, key="work")


def money_per_area(cents: int | None, area: float | None, words: FarmFormat) -> str:
    """Return money for an acre or a hectare, with its unit."""
    each = per_area(cents, area, words.units)
    return "–" if each is None else f"{words.money(each)}/{words.units.unit('area')}"


def stint_table(one: Account, words: FarmFormat) -> Table:
    """A line for every stint."""
    heads = [("operator", ""), ("tractor and tool", ""), ("from, to", ""),
             *split_heads(one.operation), ("pass area", "n"), ("cost", "n")]  # fmt: skip
    rows = [
        [
            line.operator, f"{line.tractor}, {line.tool}", _span(line, words),
            *split_cells(line.seconds), words.swept(line.pass_area), words.money(line.cents),
        ]
        for line in one.lines
    ]  # fmt: skip
    total = [
        "all", "", "", *split_cells(together(line.seconds for line in one.lines)),
        words.swept(math.fsum(line.pass_area for line in one.lines)), words.money(known_cost(one.lines)),
    ]  # fmt: skip
    return Table("Who worked", heads, rows, [total], "hours that passed, whatever the clocks did", "stints")


def _span(line, words: FarmFormat) -> str:
    same = words.local(line.began).date() == words.local(line.ended).date()
    last = words.time(line.ended) if same else words.when(line.ended)
    return f"{words.when(line.began)} – {last}" + (" (open)" if line.open else "")


def correction_tables(log: JobRecord) -> list[Table]:
    """Corrections, if there are any; what was first written stays beside its mending."""
    if not log.corrections:
        return []
    rows = [
        [row["at"], row["who"], row["what"], row["why"]] for row in (correction_words(c, log) for c in log.corrections)
    ]
    heads = [("when", ""), ("who", ""), ("what", ""), ("why", "")]
    return [Table("Corrections", heads, rows, note="laid on top; what was first written stays", key="corrections")]  # fmt: skip
