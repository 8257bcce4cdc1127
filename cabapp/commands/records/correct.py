"""Correct what was written: the first writing stays, the correction lies on top and says who and why."""

import argparse
import json
import re
import time
from typing import Any

from cabapp.commands.records.row_lookup import row_called
from cabapp.common import paths
from cabapp.common.quantities import ClockSecond, Length, Volume
from cabapp.common.typed_number import read_number
from cabapp.jobs.records.corrections import COLUMNS, ID, PEOPLE, SECTIONS, TEXT, Corrections
from cabapp.jobs.records.dating.stint_rows import brought_in
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.new_stint import job_in_season
from cabapp.jobs.records.tap_log import taps_of
from cabapp.jobs.records.tool_parts import read_sections, widths_of
from cabapp.position.recordings.machine_split import repeated
from store import Store, models, open_store
from store.errors import Refused
from store.facts.timestamp import has_zone, read_time
from store.values.value_judge import check

EXAMPLE = 'rollbook correct stint 3f2a width_m=45ft --reason "took the other roller" --by "Tam Willet"'
SEASON = "season"
KINDS = {"stint": models.Stint, "tap": models.Tap, "fuel": models.FuelEntry, "mark": models.Mark}  # fmt: skip
VOIDABLE = ("fuel", "mark", "stint")
WORDS = {"void": True, "restore": False}


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", choices=KINDS, help="what is wrong")
    parser.add_argument("id", nargs="?", help="which one, by the beginning of its id; without it, they are listed")
    parser.add_argument("value", nargs="*", metavar="COLUMN=VALUE", help="what is right: 45ft, 20gal, or a name; void takes fuel, a mark or a stint that was brought in back, restore undoes that")  # fmt: skip
    parser.add_argument("--reason", help="why, in a few words")
    parser.add_argument("--by", metavar="NAME", help="who corrects it")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    model = KINDS[args.kind]
    with open_store(paths.existing_store(args)) as store:
        if args.id is None:
            return _list(store, model)
        row = _row(store, args.kind, model, args.id)
        if not args.reason or not args.reason.strip():
            raise Refused("A correction says why. Add --reason with a few words.")
        by = row_called(store.all(models.Operator), "operator", args.by).id if args.by else None
        if len(args.value) == 1 and args.value[0] in WORDS:
            detail = {"void": WORDS[args.value[0]]}
            _check_void(store, args.kind, row, detail["void"])
        else:
            detail = _detail(store, model, row, args.value)
        corrects = model.__tablename__
        made = store.add(
            models.Correction(
                corrects_table=corrects, corrects_id=row.id, operator_id=by, at=time.time(),
                reason=args.reason.strip(), detail=detail,
            )
        )  # fmt: skip
    said = ", ".join(args.value)
    print(json.dumps({"correction": made.id, "detail": detail}) if args.json else f"Corrected {args.kind} {row.id[:8]}: {said}")  # fmt: skip
    return 0


def _row(store: Store, kind: str, model: type, start: str) -> Any:
    found = [row for row in store.all(model) if row.id.startswith(start)]
    if len(found) != 1:
        raise Refused(
            "The id of one {kind} has to begin with {start!r}; {n} do. 'rollbook correct {kind}' lists them.",
            kind=kind, start=start, n=len(found),
        )  # fmt: skip
    return found[0]


def _check_void(store: Store, kind: str, row: Any, void: bool) -> None:
    """Refuse to take back, or to restore, what cannot be."""
    if kind not in VOIDABLE:
        raise Refused(
            "A {kind} cannot be taken back, only corrected; fuel, marks and stints that were brought in can. "
            "Say COLUMN=VALUE.", kind=kind,
        )  # fmt: skip
    corrections = Corrections(store)
    if row.id in corrections.twice:
        raise Refused("Its recording was brought in twice, and this one does not count.")
    gone = row.id in corrections.void
    if void and gone:
        raise Refused("It is taken back already.")
    if not void and not gone:
        raise Refused("It is not taken back, so there is nothing to restore.")
    if kind != "stint":
        return
    if not brought_in(store, row):
        raise Refused(
            "A stint that was recorded in the cab cannot be taken back, only corrected; one that was brought in from "
            "a recording can. Say COLUMN=VALUE."
        )  # fmt: skip
    if void:
        return
    trace = store.read_trace(row.id)
    for other in corrections.standing(store.all(models.Stint, job_id=row.job_id)):
        there = store.read_trace(other.id)
        had = repeated(there.t, there.lat, there.lon, trace.t, trace.lat, trace.lon)
        if had is not None and had.any():
            raise Refused(
                "The work of this stint is in the logbook again, as stint {id}. Take that one back first.",
                id=other.id[:8],
            )


def _sections(store: Store, stint: models.Stint, text: str) -> str | None:
    """Return widths of sections as they are kept: as wide together as the stint's tool, and as many as its taps switch."""
    kept = read_sections(text, stint.width_m)
    taps = [tap.detail or {} for tap in taps_of(store, stint.id) if tap.kind == "sections"]
    counts = {len(str(detail.get("on", ""))) for detail in taps}
    if counts and counts != {len(widths_of(kept)) or 3}:
        raise Refused(
            "The taps of this stint switch {count} sections. Type the width of each, from the left.",
            count=", ".join(map(str, sorted(counts))),
        )
    return kept


def _detail(store: Store, model: type, row: Any, typed: list[str]) -> dict:
    """Return the right values by column, and under "was" those so far."""
    allowed = {name: of for name, of in COLUMNS[model.__tablename__].items() if name != "job_id"}
    if model is models.Stint:
        allowed["season"] = SEASON
    names = ", ".join(allowed)
    detail, was = {}, {}
    corrected = Corrections(store)
    now = corrected.apply(row)
    for one in typed:
        name, equals, value = one.partition("=")
        if not equals or name not in allowed:
            raise Refused("{one!r} corrects nothing. Say COLUMN=VALUE with one of: {names}.", one=one, names=names)
        if allowed[name] == SEASON:
            name, value = "job_id", _job(store, now, value)
            detail[name] = value
        elif allowed[name] == ID:
            detail[name] = row_called(store.all(PEOPLE[name]), name.removesuffix("_id"), value).id
        elif allowed[name] == SECTIONS:
            detail[name] = _sections(store, now, value)
        elif allowed[name] == TEXT:
            detail[name] = value
        else:
            detail[name] = _number(name, value, allowed[name])
        check(model.__tablename__, {name: detail[name]})
        was[name] = getattr(now, name, None) if hasattr(now, name) else corrected.said(row.id).get(name)
    if not detail:
        raise Refused("Say what is right: COLUMN=VALUE with one of: {names}.", names=names)
    return detail | {"was": was}


def _job(store: Store, stint: models.Stint, year: str) -> str:
    """Return the id of the same work in another season, its job written if it is new."""
    job = store.get(models.Job, stint.job_id)
    if job is None or not re.fullmatch(r"20\d\d", year, re.ASCII):
        raise Refused("{year!r} is no season. Write its year: 2026.", year=year)
    return job_in_season(store, job, int(year)).id


def _number(name: str, text: str, measured: object) -> float:
    if measured is ClockSecond:
        try:
            if not has_zone(text):
                raise ValueError("no zone")
            return read_time(text, zone_needed=False)
        except ValueError as fault:
            raise Refused(
                "{text!r} is no time. Write it with its zone: 2026-05-14T13:45:00-05:00.", text=text
            ) from fault
    units = {Length: ("ft", "m"), Volume: ("gal", "l")}.get(measured, ())
    try:
        value = read_number(text, *units)
    except ValueError as fault:
        behind = f", with {' or '.join(units)} behind it if you like" if units else ""
        raise Refused(
            "{text!r} is not what {name} can be. Write a number{behind}.", text=text, name=name, behind=behind
        ) from fault
    return value


def _list(store: Store, model: type) -> int:
    farm = FarmSettings(store).format
    fields = {row.id: row.name for row in store.all(models.Field)}
    names = {row.id: row.name for of in PEOPLE.values() for row in store.all(of)}
    corrections = Corrections(store)
    for row in store.all(model):
        what = getattr(row, "kind", "")
        if hasattr(row, "litres"):
            what = farm.units.volume(row.litres)
        if hasattr(row, "operator_id"):
            what = f"{names.get(row.operator_id, '?')}, {names.get(row.tool_id, '?')}"
        if getattr(row, "field_id", None):
            what += f", {fields.get(row.field_id, '?')}"
        what += (
            " (brought in twice)"
            if row.id in corrections.twice
            else " (taken back)"
            if row.id in corrections.void
            else ""
        )
        print(f"{row.id[:8]}  {farm.when(row.at)}  {what}".rstrip())
    return 0
