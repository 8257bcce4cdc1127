"""`rollbook fields`: fields from a file into the logbook; names and boundaries travel by bundles."""

import argparse
import json
from pathlib import Path

from cabapp.common import paths
from cabapp.common.units import Units
from cabapp.position.boundaries.field_files import read_fields
from store import models, open_store
from store.errors import Refused

NAME = "fields"
HELP = "Add fields from GeoJSON, GPX, KML, a shapefile or GeoPackage, or give a known field its new boundary."
EXAMPLE = 'rollbook fields boundaries.kml --target 2\nor: rollbook fields --rename "North" "Home North"'


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the fields; without it, those known are listed")  # fmt: skip
    parser.add_argument("--name", help="the field's name, when the file holds one field")
    parser.add_argument("--target", type=int, default=None, metavar="N", help="passes wanted (default: 2)")
    parser.add_argument("--crop", help="what grows there")
    parser.add_argument("--rename", nargs=2, metavar=("OLD", "NEW"), help="give a field another name")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it."""
    if args.target is not None and not 1 <= args.target <= 9:
        raise Refused(f"A target is 1 to 9 passes, not {args.target}.")
    found = read_fields(args.file) if args.file else []
    if args.name and len(found) != 1:
        raise Refused(f"--name is for a file with one field; this one holds {len(found)}.")
    with open_store(paths.existing_store(args)) as store:
        farms = store.all(models.Farm)
        units = Units(farms[0].units if farms else "us")
        known = {row.name.casefold(): row for row in store.all(models.Field)}
        if args.rename:
            done = [_rename(store, known, *args.rename)]
        elif found:
            done = [_put(store, known, one, args, units) for one in found]
        else:
            done = [{"name": row.name, "id": row.id, "words": f"{row.name}: {row.target} pass{'' if row.target == 1 else 'es'}, {row.crop or 'no crop'}"} for row in known.values()]  # fmt: skip
    print(json.dumps({"fields": done}) if args.json else "\n".join(one["words"] for one in done) or "No fields yet.")  # fmt: skip
    return 0


def _rename(store, known: dict, old: str, new: str) -> dict:
    if old.casefold() not in known:
        names = ", ".join(sorted(row.name for row in known.values())) or "none yet"
        raise Refused(f"There is no field called {old!r} in this logbook. Its fields: {names}.")
    if not new.strip() or (new.casefold() in known and new.casefold() != old.casefold()):
        raise Refused(f"{new!r} cannot be its name: it is empty or another field has it.")
    row = store.put(models.Field, known[old.casefold()].id, name=new.strip())
    return {"name": row.name, "id": row.id, "words": f"{old} is now called {row.name}."}


def _put(store, known: dict, one, args, units: Units) -> dict:
    name = args.name or one.name
    old = known.get(name.casefold())
    columns = {"boundary": one.geometry}
    if args.crop is not None or old is None:
        columns["crop"] = args.crop
    if args.target is not None or old is None:
        columns["target"] = args.target or 2
    row = store.put(models.Field, old.id if old else None, name=old.name if old else name, **columns)
    told = f"{row.name}: {units.area(one.area)}, " + ("new boundary" if old else "added")
    if one.mended:
        told += f"; mended: {one.mended}"
    return {"name": row.name, "id": row.id, "area_m2": round(one.area, 2), "added": old is None,
            "mended": one.mended, "words": told}  # fmt: skip
