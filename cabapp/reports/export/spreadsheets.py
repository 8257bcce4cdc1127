"""All work as CSV and XLSX tables with real dates and numbers.

Units stand in the columns' names; areas are in hectares and acres.
"""

import csv
import io
from datetime import date, datetime
from pathlib import Path

import openpyxl
from openpyxl.styles import Font

from cabapp.common.farm_format import FarmFormat
from cabapp.common.units import ACRE, HECTARE
from cabapp.jobs.records.time_split import KINDS
from cabapp.reports.export.output_file import write_output
from cabapp.reports.model.day_entries import day_entries
from cabapp.reports.model.fuel_record import Fill
from cabapp.reports.model.job_account import Account, avoidable_cents, known_cost, rates, useful
from cabapp.reports.render.html_tables import Link
from store.facts.timestamp import write_time

BOOK = "rollbook.xlsx"
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""What a spreadsheet would take a text for a formula by (OWASP, CSV injection)."""


def tables(accounts: list[Account], fmt: FarmFormat, fuel: list[Fill] = ()) -> dict[str, list[list]]:
    """Return the tables by name, each with its heads in the first row.

    Cells are str, int, float, date, datetime (the farm's clock, no zone) or None for what is not
    known; instants stand beside in UTC.
    """
    found = {"jobs": _jobs(accounts, fmt), "stints": _stints(accounts, fmt), "days": _days(accounts, fmt)}  # fmt: skip
    found["fuel"] = _fuel(accounts, fmt, fuel)
    if any(one.parts for one in accounts):
        found["parcels"] = _parcels(accounts)
    return found


def _jobs(accounts: list[Account], fmt: FarmFormat) -> list[list]:
    heads = ["job_id", "field", "crop", "operation", "season", "target_passes", "began", "ended", "began_utc",
             "field_area_ha", "field_area_ac", "covered_net_ha", "covered_net_ac", "at_target_ha", "never_ha", "position_unknown_ha",
             "pass_area_ha", "pass_area_ac", "avoidable_ha", "unavoidable_ha", "agreed_ha", "speed_m_s",
             "field_efficiency", "fuel_l", "cost", "avoidable_cost", "currency"]  # fmt: skip
    rows = [heads]
    for one in accounts:
        went, cents = rates(one.stints, useful(one)), known_cost(one.stints)
        rows.append([
            one.job, one.field, one.crop, one.operation, one.season, one.target, _local(one.began, fmt),
            _local(one.ended, fmt), write_time(one.began, "seconds"), _in(one.field_area, HECTARE), _in(one.field_area, ACRE),
            *(
                _in(one.known(area), unit)
                for area, unit in (
                    (one.covered, HECTARE), (one.covered, ACRE), (one.reached, HECTARE), (one.none, HECTARE),
                    (one.unknown, HECTARE), (one.pass_area, HECTARE), (one.pass_area, ACRE), (one.avoidable, HECTARE),
                    (one.unavoidable, HECTARE),
                )
            ),
            _in(one.agreed, HECTARE), _in(went.speed, 1.0), _in(went.efficiency, 1.0),
            round(sum(stint.litres for stint in one.stints), 3), _money(cents),
            _money(avoidable_cents(one) if cents is not None else None), fmt.currency or None,
        ])  # fmt: skip
    return rows


def _stints(accounts: list[Account], fmt: FarmFormat) -> list[list]:
    rows = [["stint_id", "job_id", "field", "operation", "operator", "tractor", "tool", "width_m", "began", "ended",
             "began_utc", "ended_utc", "still_open", *(f"{kind}_h" for kind in KINDS), "all_h", "covered_net_ha",
             "pass_area_ha", "fuel_l", "fuel_cost", "wage_cost", "tractor_cost", "corrections"]]  # fmt: skip
    for one in accounts:
        rows += [
            [
                stint.stint, one.job, one.field, one.operation, stint.operator, stint.tractor, stint.tool, stint.width,
                _local(stint.began, fmt), _local(stint.ended, fmt), write_time(stint.began, "seconds"), write_time(stint.ended, "seconds"),
                "yes" if stint.open else "no", *_hours(stint.seconds), _in(one.known(stint.covered), HECTARE),
                _in(one.known(stint.pass_area), HECTARE), stint.litres, _money(stint.fuel_cents), _money(stint.wage_cents),
                _money(stint.tractor_cents), stint.corrections,
            ]
            for stint in one.stints
        ]  # fmt: skip
    return rows


def _days(accounts: list[Account], fmt: FarmFormat) -> list[list]:
    rows = [["day", "operator", "field", "operation", "tractor", "tool", "from", "to", "from_utc",
             *(f"{kind}_h" for kind in KINDS), "all_h", "stint_id"]]  # fmt: skip
    for entry in day_entries(accounts):
        one, stint = entry.account, entry.stint
        rows.append([
            date.fromisoformat(entry.day), stint.operator, one.field, one.operation, stint.tractor, stint.tool,
            _local(entry.began, fmt), _local(entry.ended, fmt), write_time(entry.began, "seconds"),
            *_hours(entry.seconds), stint.stint,
        ])  # fmt: skip
    return rows


def _fuel(accounts: list[Account], fmt: FarmFormat, fuel: list[Fill]) -> list[list]:
    rows = [["at", "at_utc", "tractor", "job_id", "field", "fuel_l", "price_per_l", "cost"]]
    fields = {one.job: one.field for one in accounts}
    for fill in fuel:
        rows.append([
            _local(fill.at, fmt), write_time(fill.at, "seconds"), fill.tractor, fill.job or None, fields.get(fill.job),
            fill.litres, fill.price, _money(fill.cents),
        ])  # fmt: skip
    return rows


def _parcels(accounts: list[Account]) -> list[list]:
    rows = [["job_id", "field", "operation", "season", "parcel", "landlord", "ground_ha", "never_ha",
             "position_unknown_ha", "once_ha", "twice_ha", "more_ha", "pass_area_ha", "cost_there", "landlord_share", "landlord_bears", "lease"]]  # fmt: skip
    for one in accounts:
        rows += [
            [
                one.job, one.field, one.operation, one.season, part.name, part.landlord or None,
                *(_in(area, HECTARE) for area in (part.area, *part.areas, part.pass_area)),
                _money(cost), part.share, _money(due), part.rule or None,
            ]
            for part, cost, due in one.parcel_money()
        ]  # fmt: skip
    return rows


def _hours(seconds: dict[str, float]) -> list[float]:
    return [round(seconds[kind] / 3600, 6) for kind in KINDS] + [round(sum(seconds.values()) / 3600, 6)]  # fmt: skip


def _in(value: float | None, unit: float) -> float | None:
    return None if value is None else round(value / unit, 6)


def _money(cents: int | None) -> float | None:
    return None if cents is None else cents / 100


def _local(t: float, fmt: FarmFormat) -> datetime:
    return fmt.local(t).replace(tzinfo=None, microsecond=0)


def write_all(accounts: list[Account], fmt: FarmFormat, directory: Path, fuel: list[Fill]) -> list[Link]:
    """Write ``<table>.csv`` and one XLSX with a sheet for each table; return links to them."""
    found = tables(accounts, fmt, fuel)
    write_output(directory, BOOK, xlsx(found))
    for name, rows in found.items():
        write_output(directory, f"{name}.csv", csv_text(rows))
    return [Link(BOOK, BOOK), *(Link(f"{name}.csv", f"{name}.csv") for name in found)]


def csv_text(rows: list[list]) -> str:
    """A table as CSV (RFC 4180): comma, CRLF, dates as ISO 8601, nothing for what is not known.

    A text that a spreadsheet would run as a formula gets an apostrophe before it.

    >>> csv_text([["name", "n"], ["=1+1", 2], [None, 0.5]])
    "name,n\\r\\n'=1+1,2\\r\\n,0.5\\r\\n"
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return out.getvalue()


def _cell(value):
    if isinstance(value, datetime):
        return value.isoformat(" ")
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return value


def xlsx(found: dict[str, list[list]]) -> bytes:
    """Tables as an XLSX workbook, one sheet each; text is always text, never a formula."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in found.items():
        sheet = book.create_sheet(name)
        for r, row in enumerate(rows, 1):
            for c, value in enumerate(row, 1):
                if value is None:
                    continue
                cell = sheet.cell(r, c)
                if isinstance(value, str):
                    cell.value = openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE.sub("", value)
                    cell.data_type = "s"
                else:
                    cell.value = value
                if r == 1:
                    cell.font = Font(bold=True)
        for column in sheet.columns:
            long = max(len(str(cell.value or "")) for cell in column[:200])
            sheet.column_dimensions[column[0].column_letter].width = min(max(long + 2, 8), 40)
        sheet.freeze_panes = "A2"
        sheet.auto_filter.ref = sheet.dimensions
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()
