"""Show or change names, targets, sections of tools, hourly rates, the fuel price, leases and agreed areas."""

import argparse
import json
from typing import Any

from cabapp.commands.records.row_lookup import row_called
from cabapp.common import paths
from cabapp.common.typed_number import read_number
from cabapp.jobs.records.tool_parts import read_sections
from cabapp.planning.emergence import with_own
from cabapp.planning.go_rules import own_rules
from store import Store, models, open_store
from store.errors import Refused
from store.values.value_judge import NumberRule, check, rule_of

EXAMPLE = (
    'rollbook edit operator "Tam Willet" rate_per_h=31.50\nor: rollbook edit farm fuel_price_per_l=0.95 currency=$\n'
    'or: rollbook edit parcel "East half" share=1/3\nor: rollbook edit job "Heron Flat" agreed_area_m2=61ac\n'
    'or: rollbook edit tool "60 ft boom" "sections=20ft,10ft,10ft,20ft"'
)
KINDS = {"farm": models.Farm, "operator": models.Operator, "tractor": models.Tractor, "tool": models.Tool, "field": models.Field, "parcel": models.Parcel, "job": models.Job}  # fmt: skip
_RULES = {"closing_rules": with_own, "go_rules": own_rules}  # written as JSON, each checked by its reader
_OF_FIELDS = ("parcel", "job")
COLUMNS = {
    "farm": ("name", "timezone", "units", "fuel_price_per_l", "currency", "closing_rules", "go_rules"),
    "operator": ("name", "phone", "rate_per_h"),
    "tractor": ("name", "tank_l", "cost_per_h"),
    "tool": ("name", "operation", "grease_every_h", "sections"),
    "field": ("name", "crop", "target", "gate_lat", "gate_lon"),
    "parcel": ("name", "landlord", "share", "rule"),
    "job": ("target", "agreed_area_m2"),
}
"""What can be edited here; a tool's width belongs to its hitching, and is set in the cab."""


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", choices=KINDS, help="what is edited")
    parser.add_argument("values", nargs="*", metavar="NAME COLUMN=VALUE", help="which one (not for the farm), and what it is to be; alone, all are shown")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print them as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    model, columns = KINDS[args.kind], COLUMNS[args.kind]
    values = list(args.values)
    with open_store(paths.existing_store(args)) as store:
        rows = store.all(model)
        called = _names(store, rows)
        if values:
            if args.kind != "farm":
                rows = _one(rows, args.kind, values.pop(0), called)
            if not rows:
                raise Refused("This logbook has no {kind} yet.", kind=args.kind)
            new = dict(_column_value(one, columns, rows[0]) for one in values)
            if new:
                _refuse_same_name(store, model, rows[0], new)
                rows = [store.put(model, rows[0].id, **new)]
    shown = [{name: getattr(row, name) for name in columns} for row in rows]
    if args.kind in _OF_FIELDS:
        shown = [{"called": called[row.id], **one} for row, one in zip(rows, shown)]
    if args.json:
        print(json.dumps({args.kind: shown}))
    for row in [] if args.json else shown:
        print(", ".join(f"{name} {'–' if value is None else value}" for name, value in row.items()))
    return 0


def _names(store: Store, rows: list) -> dict[str, str]:
    """Return the name of each row by its id; a parcel's or job's begins with the field's name."""
    fields = {row.id: row.name for row in store.all(models.Field)}
    own = {row.id: f"{row.operation} {row.season}" if isinstance(row, models.Job) else row.name for row in rows}
    return {
        row.id: f"{fields.get(row.field_id, '?')} {own[row.id]}" if hasattr(row, "field_id") else own[row.id]
        for row in rows
    }


def _one(rows: list, kind: str, name: str, called: dict) -> list:
    if kind in _OF_FIELDS and name.casefold() not in map(str.casefold, called.values()):
        # the field's name alone, or the row's own, where only one row has it
        found = [row for row in rows if f" {name.casefold()} " in f" {called[row.id].casefold()} "]
        if len(found) == 1:
            return found
    return [row_called(rows, kind, name, called)]


def _refuse_same_name(store: Store, model: type, row: Any, new: dict) -> None:
    """Raise `Refused` for a name that another row has already."""
    name = new.get("name", "").casefold()
    others = store.all(model, **({"field_id": row.field_id} if model is models.Parcel else {}))
    if name and any(one.id != row.id and one.name.casefold() == name for one in others):
        raise Refused("Another {kind} is called {name!r} already.", kind=model.__tablename__, name=new["name"])


def _column_value(one: str, columns: tuple[str, ...], row: Any) -> tuple[str, Any]:
    name, equals, value = one.partition("=")
    if not equals or name not in columns:
        raise Refused(
            "{one!r} changes nothing. Say COLUMN=VALUE with one of: {names}.", one=one, names=", ".join(columns)
        )
    value = value.strip()
    if not value and name not in ("name", "timezone", "units", "target", "operation", "landlord"):
        return name, None
    if name == "sections":
        return name, read_sections(value, row.width_m)
    if name in _RULES:
        return name, _rules(name, value)
    table = row.__tablename__
    if isinstance(rule := rule_of(table, name), NumberRule):
        value = _number(name, value)
        value = int(value) if rule.whole and value.is_integer() else value
    check(table, {name: value})
    return name, value


def _number(name: str, value: str) -> float:
    try:
        return read_number(value, *_UNITS.get(name, ()))
    except ValueError as fault:
        raise Refused("{name} is a number, not {value!r}.", name=name, value=value) from fault


_UNITS = {"share": ("%", "/"), "agreed_area_m2": ("ac", "ha")}


def _rules(name: str, value: str) -> dict:
    """Return the farm's own rules."""
    try:
        rules = json.loads(value)
    except ValueError as fault:
        raise Refused("{name} are written as JSON, in braces; {value!r} is none.", name=name, value=value) from fault
    try:
        if not isinstance(rules, dict):
            raise ValueError("it is no object in braces")
        _RULES[name](rules)
    except ValueError as fault:
        raise Refused("{name} cannot be that: {fault}.", name=name, fault=fault) from fault
    return rules
