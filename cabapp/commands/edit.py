"""`rollbook edit`: the office's names, targets, rates and prices; they travel back by bundles."""

import argparse
import json
import math
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from cabapp import places
from store import models, open_store
from store.errors import Refused

NAME = "edit"
HELP = "Show or change names, targets, hourly rates and the fuel price."
EXAMPLE = 'rollbook edit operator "Tam Willet" rate_per_h=31.50\nor: rollbook edit farm fuel_price_per_l=0.95'
KINDS = {"farm": models.Farm, "operator": models.Operator, "tractor": models.Tractor, "tool": models.Tool, "field": models.Field}  # fmt: skip
_TEXT = {"name", "phone", "crop", "timezone", "units", "operation"}
COLUMNS = {
    "farm": ("name", "timezone", "units", "fuel_price_per_l"),
    "operator": ("name", "phone", "rate_per_h"),
    "tractor": ("name", "tank_l", "cost_per_h"),
    "tool": ("name", "operation", "grease_every_h"),
    "field": ("name", "crop", "target", "gate_lat", "gate_lon"),
}
"""What can be edited here; a tool's width belongs to its hitching, and is set in the cab."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("kind", choices=KINDS, help="what is edited")
    parser.add_argument("values", nargs="*", metavar="NAME COLUMN=VALUE", help="which one (not for the farm), and what it is to be; alone, all are shown")  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print them as JSON")
    places.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it."""
    model, columns = KINDS[args.kind], COLUMNS[args.kind]
    values = list(args.values)
    with open_store(places.existing_store(args)) as store:
        rows = store.all(model)
        if values:
            if args.kind != "farm":
                rows = _one(rows, args.kind, values.pop(0))
            if not rows:
                raise Refused(f"This logbook has no {args.kind} yet.")
            said = dict(_said(one, args.kind, columns) for one in values)
            if said:
                _apart(store, model, rows[0], said)
                rows = [store.put(model, rows[0].id, **said)]
    shown = [{name: getattr(row, name) for name in columns} for row in rows]
    if args.json:
        print(json.dumps({args.kind: shown}))
    for row in [] if args.json else shown:
        print(", ".join(f"{name} {'–' if value is None else value}" for name, value in row.items()))
    return 0


def _one(rows: list, kind: str, name: str) -> list:
    found = [row for row in rows if row.name.casefold() == name.casefold()]
    if len(found) != 1:
        known = ", ".join(sorted(row.name for row in rows)) or "none yet"
        raise Refused(f"There is no one {kind} called {name!r}. Known: {known}.")
    return found


def _apart(store, model, row, said: dict) -> None:
    """Refuse a name that another row has: nobody could name either afterwards."""
    name = said.get("name", "").casefold()
    if name and any(one.id != row.id and one.name.casefold() == name for one in store.all(model)):
        raise Refused(f"Another {model.__tablename__} is called {said['name']!r} already.")


def _said(one: str, kind: str, columns: tuple) -> tuple:
    name, equals, value = one.partition("=")
    if not equals or name not in columns:
        raise Refused(f"{one!r} changes nothing. Say COLUMN=VALUE with one of: {', '.join(columns)}.")
    value = value.strip()
    if not value and name not in ("name", "timezone", "units", "target", "operation"):
        return name, None
    if name in _TEXT:
        _check_text(name, value)
        return name, value
    try:
        number = float(value)
    except ValueError as fault:
        raise Refused(f"{name} is a number, not {value!r}.") from fault
    if name == "target":
        if number not in range(1, 10):
            raise Refused(f"A target is 1 to 9 passes, not {value}.")
        return name, int(number)
    low, high = {"gate_lat": (-90, 90), "gate_lon": (-180, 180)}.get(name, (0, 1e6))
    if not (math.isfinite(number) and low <= number <= high):
        raise Refused(f"{name} cannot be {value}.")
    return name, number


def _check_text(name: str, value: str) -> None:
    if name in ("name", "operation") and not value:
        raise Refused(f"The {name} cannot be empty.")
    if name == "units" and value not in ("us", "metric"):
        raise Refused(f"Units are us or metric, not {value!r}.")
    if name == "timezone":
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError) as fault:
            raise Refused(f"{value!r} is no time zone. Write it as America/Chicago.") from fault
