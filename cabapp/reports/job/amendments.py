"""Taps and corrections as text: the present value, the first one, who changed it and why."""

import itertools
from collections import Counter

from cabapp.common.wording import times
from cabapp.jobs.records.corrections import CLOCK, COLUMNS, ID, SECTIONS
from cabapp.jobs.records.stint_reader import StintRecord
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from cabapp.jobs.records.tool_parts import PART_KINDS, widths_of
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import page_elements
from cabapp.reports.render.html_tables import Table
from store.facts.timestamp import write_time
from store.models import Correction

MOST_PARTS = 20
"""Switches of sections that the log of a stint lists."""


def correction_tables(record: JobRecord) -> list[Table]:
    """Return a table of the corrections, if there are any."""
    heads = [("when", ""), ("who", ""), ("what", ""), ("why", "")]
    clocked = [row for row in record.corrections if CLOCK in (row.detail or {})]
    rows = [_correction(row, record) for row in record.corrections if row not in clocked]
    for reason, of in itertools.groupby(clocked, key=lambda row: row.reason):
        same = list(of)
        rows.append([record.format.when(same[0].at), "–", f"dated again {times(len(same))}", reason])
    note = "laid on top; what was first written stays"
    return [Table("Corrections", heads, rows, note=note, key="corrections")] if rows else []


def _correction(row: Correction, record: JobRecord) -> list[str]:
    detail = dict(row.detail or {})
    parts = {True: ["taken back"], False: ["restored"]}.get(detail.pop("void", None), [])
    was = detail.pop("was", {})
    was = was if isinstance(was, dict) else {}
    for key, value in detail.items():
        old = f" (was {_value(key, was[key], row, record)})" if key in was else ""
        parts.append(f"{_COLUMN.get(key, key.replace('_', ' '))}: {_value(key, value, row, record)}{old}")
    if any(row.corrects_id in s.passed_over for s in record.stints):
        parts.append("not followed: it would upset the order of the taps")
    return [
        record.format.when(row.at), record.names.get(row.operator_id, "–"),
        ", ".join([row.corrects_table.replace("_", " "), *parts]), row.reason,
    ]  # fmt: skip


_COLUMN = {
    "operator_id": "operator", "tractor_id": "tractor", "tool_id": "tool", "width_m": "width",
    "job_id": "season", "litres": "fuel", "at": "time", "price_per_l": "price a litre",
}  # fmt: skip


def _value(key: str, value, row: Correction, record: JobRecord) -> str:
    """Return a corrected value as text."""
    kind = COLUMNS.get(row.corrects_table, {}).get(key)
    if value is None:
        return "nothing"
    if kind == SECTIONS:
        return ", ".join(record.format.units.length(one) for one in widths_of(value)) or "?"
    if key == "job_id":
        return str(record.job.season) if value == record.job.id else "another"
    if kind == ID:
        return record.names.get(value, "?")
    if isinstance(kind, type) and isinstance(value, (int, float)) and not isinstance(value, bool):
        return kind(value).text(record.format)
    return str(value)


def taps_of_stint(s: StintRecord, record: JobRecord) -> dict:
    """Return a stint's taps as text, each as it counts now, and its warnings."""
    shown = [tap for tap in s.taps if tap.kind not in TAP_KINDS or TAP_KINDS[tap.kind].listed]
    # a recording may switch sections each second
    parts = [tap for tap in shown if tap.kind in PART_KINDS]
    hidden = {tap.id for tap in parts[MOST_PARTS:]}
    shown = [tap for tap in shown if tap.id not in hidden]
    more = f" Sections were switched {len(parts):,} times; the first {MOST_PARTS} are listed." if hidden else ""
    return {
        "operator": f"{s.operator}, {record.format.when(s.row.at)}",
        "warned": _warned(s) + more,
        "taps": [
            {
                "at": record.format.second(tap.at), "instant": write_time(tap.at, "seconds"),
                "text": page_elements.tap_text(tap, record) + _mended(s.mended.get(tap.id), record),
                "undone": tap.id in s.undone,
            }
            for tap in shown
        ],
    }  # fmt: skip


def _mended(old, record: JobRecord) -> str:
    """What a corrected tap was before."""
    if old is None:
        return ""
    return f" (corrected; written at {record.format.second(old.at)} as “{page_elements.tap_text(old, record)}”)"


def _warned(s: StintRecord) -> str:
    """Warnings as numbers, without what came of them: a log is not there to blame."""
    about = Counter(page_elements.warning_text(tap) for tap in s.taps if tap.kind == "warned")
    said = [f"{what} {times(n)}" for what, n in about.most_common()]
    known = sum(tap.kind == "i_know" for tap in s.taps)
    said += [f"“I know” {times(known)}"] if known else []
    return f"Warned: {', '.join(said)}." if said else "No warnings."
