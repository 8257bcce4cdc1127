"""`rollbook parcels`: whose ground lies in a field, from a file; pages split work and cost by it."""

import argparse
import json
from pathlib import Path

import shapely
from shapely.geometry import mapping, shape

from cabapp.common import paths
from cabapp.common.units import Units
from cabapp.geometry.plane import Plane
from cabapp.position.boundaries.field_files import read_fields
from cabapp.reports.model.parcel_split import SLIVER, polygons
from store import models, open_store
from store.errors import Refused

NAME = "parcels"
HELP = "Add landlords' parcels of a field from GeoJSON, KML, a shapefile or GeoPackage; what the lease says goes by 'rollbook edit parcel'."
EXAMPLE = 'rollbook parcels halves.kml --field "Heron Flat" --landlord "Ida Marsh"\nthen: rollbook edit parcel "East half" share=1/3'
OVERLAP = 0.02
"""Up to this share of a parcel may lie in another and is cut away: two people drew one line (our own choice)."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what the command takes."""
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the parcels; without it, those known are listed")  # fmt: skip
    parser.add_argument("--field", metavar="NAME", help="the field they lie in")
    parser.add_argument("--landlord", metavar="NAME", help="whose they are (default: the parcel's own name)")
    parser.add_argument("--remove", metavar="PARCEL", help="take a parcel of the field away")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    """Do it."""
    found = read_fields(args.file) if args.file else []
    with open_store(paths.existing_store(args)) as store:
        farms = store.all(models.Farm)
        units = Units(farms[0].units if farms else "us")
        if found or args.remove:
            land = _field(store, args.field)
            done = [_remove(store, land, args.remove)] if args.remove else []
            done += [_put(store, land, one, args.landlord, units) for one in found]
        else:
            fields = {row.id: row.name for row in store.all(models.Field)}
            done = [_said(row, fields.get(row.field_id, "?"), "") for row in store.all(models.Parcel)]
    words = "\n".join(one["words"] for one in done) or "No parcels yet."
    print(json.dumps({"parcels": done}) if args.json else words)
    return 0


def _field(store, name: str | None):
    rows = store.all(models.Field)
    found = [row for row in rows if name and row.name.casefold() == name.casefold()]
    if len(found) != 1:
        known = ", ".join(sorted(row.name for row in rows)) or "none yet"
        wrong = f"There is no field called {name!r}." if name else "Say with --field in which field they lie."
        raise Refused(f"{wrong} Fields of this logbook: {known}.")
    return found[0]


def _remove(store, land, name: str) -> dict:
    rows = store.all(models.Parcel, field_id=land.id)
    for row in rows:
        if row.name.casefold() == name.casefold():
            store.remove(models.Parcel, row.id)
            return _said(row, land.name, "taken away")
    known = ", ".join(sorted(row.name for row in rows)) or "none yet"
    raise Refused(f"{land.name} has no parcel called {name!r}. Its parcels: {known}.")


def _put(store, land, one, landlord: str | None, units: Units) -> dict:
    rows = store.all(models.Parcel, field_id=land.id)
    old = next((row for row in rows if row.name.casefold() == one.name.casefold()), None)
    form, cut = _apart(one, land, [row for row in rows if old is None or row.id != old.id])
    columns = {"boundary": json.loads(json.dumps(mapping(form)))}
    if landlord or old is None:
        columns["landlord"] = (landlord or one.name).strip()
    name = old.name if old else one.name
    row = store.put(models.Parcel, old.id if old else None, field_id=land.id, name=name, **columns)
    told = [units.area(one.area), "new boundary" if old else "added"]
    told += [f"mended: {one.mended}"] if one.mended else []
    told += [f"cut back by {units.area(cut)} where another parcel lies"] if cut > SLIVER else []
    return _said(row, land.name, ", ".join(told))


def _apart(one, land, others: list):
    """Return a parcel without what lies in others, and how much that was, m2.

    Raises
    ------
    Refused
        When it lies outside the field, or so deep in another that nobody can tell whose it is.
    """
    form = shape(one.geometry)
    plane = Plane.of_field(one.geometry)

    def area(geometry) -> float:
        return shapely.transform(geometry, lambda c: plane.to_xy(c[:, 1], c[:, 0])).area

    if land.boundary is not None and not area(shapely.intersection(form, shape(land.boundary))):
        raise Refused(f"{one.name} lies nowhere in {land.name}. Look whether it is the right field.")
    whole = area(form)
    for other in others:
        cut = area(shapely.intersection(form, shape(other.boundary)))
        if cut > OVERLAP * min(whole, area(shape(other.boundary))):
            share = f"{100 * cut / whole:.0f} %"
            raise Refused(f"{one.name} lies with {share} of its ground in {other.name}. Correct the boundaries, or take {other.name} away first.")  # fmt: skip
        if cut:
            form = polygons(shapely.difference(form, shape(other.boundary)))
    return form, whole - area(form)


def _said(row, field: str, what: str) -> dict:
    lease = "no lease written" if row.share is None else f"landlord bears {100 * row.share:.4g} %"
    words = f"{field}, {row.name}: {row.landlord}, {lease}" + (f"; {what}" if what else "")
    return {"field": field, "name": row.name, "landlord": row.landlord, "share": row.share,
            "rule": row.rule, "words": words}  # fmt: skip
