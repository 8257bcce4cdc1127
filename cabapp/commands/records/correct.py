"""`rollbook correct`: a correction laid on top of what was written; nothing is ever altered."""

import argparse
import json
import math
import re
import time

from cabapp.common import paths
from cabapp.common.farm_format import words_of
from cabapp.common.units import FOOT, GALLON
from cabapp.jobs.records.corrections import COLUMNS, ID, NUMBER, Corrections
from store import models, open_store
from store.errors import Refused
from store.facts.timestamp import has_zone, read_time

NAME = "correct"
HELP = "Correct what was written: the first writing stays, the correction lies on top and says who and why."
EXAMPLE = 'rollbook correct stint 3f2a width_m=45ft --reason "took the other roller" --by "Tam Willet"'
KINDS = {"stint": models.Stint, "tap": models.Tap, "fuel": models.FuelEntry, "mark": models.Mark}  # fmt: skip
_LENGTHS, _VOLUMES = {"ft": FOOT, "m": 1.0}, {"gal": GALLON, "l": 1.0}
_PEOPLE = {"operator_id": models.Operator, "tractor_id": models.Tractor, "tool_id": models.Tool}


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("kind", choices=KINDS, help="what is wrong")
    parser.add_argument("id", nargs="?", help="which one, by the beginning of its id; without it, they are listed")
    parser.add_argument("value", nargs="*", metavar="COLUMN=VALUE", help="what is right: 45ft, 20gal, or a name; or the word void")  # fmt: skip
    parser.add_argument("--reason", help="why, in a few words")
    parser.add_argument("--by", metavar="NAME", help="who corrects it")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it."""
    model = KINDS[args.kind]
    with open_store(paths.existing_store(args)) as store:
        if args.id is None:
            return _list(store, args.kind, model)
        row = _row(store, args.kind, model, args.id)
        if not args.reason or not args.reason.strip():
            raise Refused("A correction says why. Add --reason with a few words.")
        by = _named(store, models.Operator, args.by).id if args.by else None
        if args.value == ["void"] and args.kind in ("fuel", "mark"):
            detail = {"void": True}
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


def _row(store, kind: str, model, start: str):
    found = [row for row in store.all(model) if row.id.startswith(start)]
    if len(found) != 1:
        how = "none does" if not found else f"{len(found)} do"
        raise Refused(f"One {kind} has to begin with {start!r}; {how}. 'rollbook correct {kind}' lists them.")
    return found[0]


def _detail(store, model, row, said: list[str]) -> dict:
    """What is right, by column, and what it was so far."""
    allowed = COLUMNS[model.__tablename__]
    names = ", ".join(allowed)
    detail, was = {}, {}
    corrected = Corrections(store)
    now = corrected.apply(row)
    for one in said:
        name, equals, value = one.partition("=")
        if not equals or name not in allowed:
            raise Refused(f"{one!r} corrects nothing. Say COLUMN=VALUE with one of: {names}.")
        if allowed[name] == NUMBER:
            detail[name] = _number(name, value)
        elif allowed[name] == ID:
            detail[name] = _named(store, _PEOPLE[name], value).id
        else:
            detail[name] = value
        was[name] = getattr(now, name, None) if hasattr(now, name) else corrected.said(row.id).get(name)
    if not detail:
        raise Refused(f"Say what is right: COLUMN=VALUE with one of: {names}.")
    return detail | {"was": was}


def _number(name: str, said: str) -> float:
    if name == "at":
        try:
            if not has_zone(said):
                raise ValueError("no zone")
            return read_time(said, zone_needed=False)
        except ValueError as fault:
            raise Refused(f"{said!r} is no time. Write it with its zone: 2026-05-14T13:45:00-05:00.") from fault
    units = _LENGTHS if name.endswith("_m") else _VOLUMES if name == "litres" else {}
    met = re.fullmatch(r"\s*(-?[0-9]*\.?[0-9]+)\s*([a-z0-9]*)\s*", said.lower())
    unit = met[2] if met else ""
    if not met or (unit and unit not in units):
        behind = f", with {' or '.join(units)} behind it if you like" if units else ""
        raise Refused(f"{said!r} is not what {name} can be. Write a number{behind}.")
    value = float(met[1]) * units.get(unit, 1.0)
    if not math.isfinite(value) or (value <= 0 and name == "width_m") or (value < 0 and name in ("litres", "price_per_l")):  # fmt: skip
        raise Refused(f"{name} cannot be {said}.")
    return value


def _named(store, model, name: str):
    rows = [row for row in store.all(model) if row.name.casefold() == name.casefold()]
    if len(rows) != 1:
        known = ", ".join(sorted(row.name for row in store.all(model))) or "none yet"
        raise Refused(f"There is no one {model.__tablename__} called {name!r}. Known: {known}.")
    return rows[0]


def _list(store, kind: str, model) -> int:
    farms = store.all(models.Farm)
    words = words_of(farms[0] if farms else None)
    fields = {row.id: row.name for row in store.all(models.Field)}
    names = {row.id: row.name for of in _PEOPLE.values() for row in store.all(of)}
    for row in store.all(model):
        what = getattr(row, "kind", "")
        if hasattr(row, "litres"):
            what = words.units.volume(row.litres)
        if hasattr(row, "operator_id"):
            what = f"{names.get(row.operator_id, '?')}, {names.get(row.tool_id, '?')}"
        if getattr(row, "field_id", None):
            what += f", {fields.get(row.field_id, '?')}"
        print(f"{row.id[:8]}  {words.when(row.at)}  {what}".rstrip())
    return 0
