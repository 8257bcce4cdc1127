"""Add fields from GeoJSON, GPX, KML, a shapefile or GeoPackage, or give a known field its new boundary."""

import argparse
import json
from pathlib import Path

from cabapp.commands.records.row_lookup import row_called
from cabapp.common import paths
from cabapp.common.units import Units
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.position.boundaries.field_files import FieldFound, read_fields
from store import Store, models, open_store
from store.errors import Refused

EXAMPLE = 'rollbook fields boundaries.kml --target 2\nor: rollbook fields --rename "North" "Home North"'


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the fields; without it, those known are listed")  # fmt: skip
    parser.add_argument("--name", help="the field's name, when the file holds one field")
    parser.add_argument("--target", type=int, default=None, metavar="N", help="passes wanted (default: 2)")
    parser.add_argument("--crop", help="what grows there")
    parser.add_argument("--rename", nargs=2, metavar=("OLD", "NEW"), help="give a field another name")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    if args.target is not None and not 1 <= args.target <= 9:
        raise Refused("A target is 1 to 9 passes, not {target}.", target=args.target)
    found = read_fields(args.file) if args.file else []
    if args.name and len(found) != 1:
        raise Refused("--name is for a file with one field; this one holds {n}.", n=len(found))
    with open_store(paths.existing_store(args)) as store:
        rows = store.all(models.Field)
        if args.rename:
            done = [_rename(store, rows, *args.rename)]
        elif found:
            units = FarmSettings(store).units
            done = [_write(store, rows, one, args, units) for one in found]
        else:
            done = [{"name": row.name, "id": row.id, "words": f"{row.name}: {row.target} pass{'' if row.target == 1 else 'es'}, {row.crop or 'no crop'}"} for row in rows]  # fmt: skip
    print(json.dumps({"fields": done}) if args.json else "\n".join(one["words"] for one in done) or "No fields yet.")  # fmt: skip
    return 0


def _rename(store: Store, rows: list, old: str, new: str) -> dict:
    row, new = row_called(rows, "field", old), new.strip()
    if not new or any(new.casefold() == one.name.casefold() for one in rows if one is not row):
        raise Refused("{new!r} cannot be its name: it is empty or another field has it.", new=new)
    store.put(models.Field, row.id, name=new)
    return {"name": new, "id": row.id, "words": f"{old} is now called {new}."}


def _write(store: Store, rows: list, one: FieldFound, args: argparse.Namespace, units: Units) -> dict:
    name = args.name or one.name
    old = next((row for row in rows if row.name.casefold() == name.casefold()), None)
    columns = {"boundary": one.geometry}
    if args.crop is not None or old is None:
        columns["crop"] = args.crop
    if args.target is not None or old is None:
        columns["target"] = args.target or 2
    row = store.put(models.Field, old.id if old else None, name=old.name if old else name, **columns)
    text = f"{row.name}: {units.area(one.area)}, " + ("new boundary" if old else "added")
    text += f"; mended: {one.repaired}" if one.repaired else ""
    return {"name": row.name, "id": row.id, "area_m2": round(one.area, 2), "added": old is None,
            "mended": str(one.repaired or ""), "words": text}  # fmt: skip
