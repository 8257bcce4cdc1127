"""`rollbook edit`: the office's names, targets, rates, prices and leases; they travel back by bundles."""

import argparse
import json
import math
import re
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from cabapp.common import paths
from cabapp.common.units import ACRE, HECTARE
from cabapp.planning.emergence import with_own
from cabapp.planning.go_rules import own_rules
from store import models, open_store
from store.errors import Refused

NAME = "edit"
HELP = "Show or change names, targets, hourly rates, the fuel price, leases and agreed areas."
EXAMPLE = (
    'rollbook edit operator "Tam Willet" rate_per_h=31.50\nor: rollbook edit farm fuel_price_per_l=0.95 currency=$\n'
    'or: rollbook edit parcel "East half" share=1/3\nor: rollbook edit job "Heron Flat" agreed_area_m2=61ac'
)
KINDS = {"farm": models.Farm, "operator": models.Operator, "tractor": models.Tractor, "tool": models.Tool, "field": models.Field, "parcel": models.Parcel, "job": models.Job}  # fmt: skip
_RULES = {"closing_rules": with_own, "go_rules": own_rules}  # written as JSON, each checked by who reads it
_OF_FIELDS = ("parcel", "job")
_TEXT = {"name", "phone", "crop", "timezone", "units", "operation", "currency", "landlord", "rule"}
COLUMNS = {
    "farm": ("name", "timezone", "units", "fuel_price_per_l", "currency", "closing_rules", "go_rules"),
    "operator": ("name", "phone", "rate_per_h"),
    "tractor": ("name", "tank_l", "cost_per_h"),
    "tool": ("name", "operation", "grease_every_h"),
    "field": ("name", "crop", "target", "gate_lat", "gate_lon"),
    "parcel": ("name", "landlord", "share", "rule"),
    "job": ("target", "agreed_area_m2"),
}
"""What can be edited here; a tool's width belongs to its hitching, and is set in the cab."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("kind", choices=KINDS, help="what is edited")
    parser.add_argument("values", nargs="*", metavar="NAME COLUMN=VALUE", help="which one (not for the farm), and what it is to be; alone, all are shown")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print them as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it."""
    model, columns = KINDS[args.kind], COLUMNS[args.kind]
    values = list(args.values)
    with open_store(paths.existing_store(args)) as store:
        rows = store.all(model)
        called = _called(store, rows)
        if values:
            if args.kind != "farm":
                rows = _one(rows, args.kind, values.pop(0), called)
            if not rows:
                raise Refused(f"This logbook has no {args.kind} yet.")
            said = dict(_said(one, args.kind, columns) for one in values)
            if said:
                _apart(store, model, rows[0], said)
                rows = [store.put(model, rows[0].id, **said)]
    shown = [{name: getattr(row, name) for name in columns} for row in rows]
    if args.kind in _OF_FIELDS:
        shown = [{"called": called[row.id], **one} for row, one in zip(rows, shown)]
    if args.json:
        print(json.dumps({args.kind: shown}))
    for row in [] if args.json else shown:
        print(", ".join(f"{name} {'–' if value is None else value}" for name, value in row.items()))
    return 0


def _called(store, rows: list) -> dict[str, str]:
    """What each row is called, by its id; what belongs to a field begins with the field's name."""
    fields = {row.id: row.name for row in store.all(models.Field)}
    own = {row.id: f"{row.operation} {row.season}" if isinstance(row, models.Job) else row.name for row in rows}
    return {
        row.id: f"{fields.get(row.field_id, '?')} {own[row.id]}" if hasattr(row, "field_id") else own[row.id]
        for row in rows
    }


def _one(rows: list, kind: str, name: str, called: dict) -> list:
    found = [row for row in rows if called[row.id].casefold() == name.casefold()]
    if kind in _OF_FIELDS and not found:  # the field's name alone, or its own, where that tells it
        said = f" {name.casefold()} "
        found = [row for row in rows if said in f" {called[row.id].casefold()} "]
    if len(found) != 1:
        known = ", ".join(sorted(called[row.id] for row in rows)) or "none yet"
        raise Refused(f"There is no one {kind} called {name!r}. Known: {known}.")
    return found


def _apart(store, model, row, said: dict) -> None:
    """Refuse a name that another row has: nobody could name either afterwards."""
    name = said.get("name", "").casefold()
    others = store.all(model, **({"field_id": row.field_id} if model is models.Parcel else {}))
    if name and any(one.id != row.id and one.name.casefold() == name for one in others):
        raise Refused(f"Another {model.__tablename__} is called {said['name']!r} already.")


def _said(one: str, kind: str, columns: tuple) -> tuple:
    name, equals, value = one.partition("=")
    if not equals or name not in columns:
        raise Refused(f"{one!r} changes nothing. Say COLUMN=VALUE with one of: {', '.join(columns)}.")
    value = value.strip()
    if not value and name not in ("name", "timezone", "units", "target", "operation", "landlord"):
        return name, None
    if name in _RULES:
        return name, _rules(name, value)
    if name in _TEXT:
        _check_text(name, value)
        return name, value
    number = _number(name, value)
    if name == "target":
        if number not in range(1, 10):
            raise Refused(f"A target is 1 to 9 passes, not {value}.")
        return name, int(number)
    low, high = _WITHIN.get(name, (0, 1e6))
    if not (math.isfinite(number) and low <= number <= high):
        raise Refused(f"{name} cannot be {value}.")
    return name, number


_WITHIN = {"gate_lat": (-90, 90), "gate_lon": (-180, 180), "share": (0, 1), "agreed_area_m2": (1, 1e10)}


def _number(name: str, value: str) -> float:
    """A number as people write it: a share as 1/3 or 33 %, an area with ac or ha behind it."""
    met = re.fullmatch(r"([0-9.]+)\s*/\s*([0-9.]+)|(.*?)\s*(%|ac|ha)?", value)
    unit = met[4] or ("/" if met[1] else "")
    if unit not in {"share": ("", "/", "%"), "agreed_area_m2": ("", "ac", "ha")}.get(name, ("",)):
        raise Refused(f"{name} is a number, not {value!r}.")
    try:
        if unit == "/":
            return float(met[1]) / float(met[2])
        return float(met[3]) * {"%": 0.01, "ac": ACRE, "ha": HECTARE}.get(unit, 1.0)
    except (ValueError, ZeroDivisionError) as fault:
        raise Refused(f"{name} is a number, not {value!r}.") from fault


def _rules(name: str, value: str) -> dict:
    """Return the farm's own rules; the empty value before this takes them away."""
    try:
        said = json.loads(value)
    except ValueError as fault:
        raise Refused(f"{name} are written as JSON, in braces; {value!r} is none.") from fault
    try:
        if not isinstance(said, dict):
            raise ValueError("it is no object in braces")
        _RULES[name](said)
    except ValueError as fault:
        raise Refused(f"{name} cannot be that: {fault}.") from fault
    return said


def _check_text(name: str, value: str) -> None:
    if name == "currency" and len(value) > 4:
        raise Refused(f"A currency is a sign or a word of up to four letters, not {value!r}.")
    if name in ("name", "operation", "landlord") and not value:
        raise Refused(f"The {name} cannot be empty.")
    if name == "units" and value not in ("us", "metric"):
        raise Refused(f"Units are us or metric, not {value!r}.")
    if name == "timezone":
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError) as fault:
            raise Refused(f"{value!r} is no time zone. Write it as America/Chicago.") from fault
