"""Add landlords' parcels of a field from GeoJSON, KML, a shapefile or GeoPackage; what the lease says goes by 'rollbook edit parcel'."""

import argparse
import json
from pathlib import Path

import shapely
from shapely.geometry import mapping, shape
from shapely.geometry.base import BaseGeometry

from cabapp.commands.records.row_lookup import row_called
from cabapp.common import paths
from cabapp.common.units import Units
from cabapp.geometry.field_ground import polygons_of
from cabapp.geometry.plane import Plane
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.position.boundaries.boundary_judge import kept_boundary, kept_part
from cabapp.position.boundaries.field_files import FieldFound, read_fields
from cabapp.reports.model.parcel_split import SLIVER
from store import Store, models, open_store
from store.errors import Refused

EXAMPLE = 'rollbook parcels halves.kml --field "Heron Flat" --landlord "Ida Marsh"\nthen: rollbook edit parcel "East half" share=1/3'
OVERLAP = 0.02
"""Up to this share of a parcel may lie in another and is cut away: one line drawn twice (our own choice)."""


def arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", nargs="?", type=Path, metavar="FILE", help="the parcels; without it, those known are listed")  # fmt: skip
    parser.add_argument("--field", metavar="NAME", help="the field they lie in")
    parser.add_argument("--landlord", metavar="NAME", help="whose they are (default: the parcel's own name)")
    parser.add_argument("--remove", metavar="PARCEL", help="take a parcel of the field away")
    parser.add_argument("--json", action="store_true", help="print what was done as JSON")
    paths.store_option(parser)


def run(args: argparse.Namespace) -> int:
    found = read_fields(args.file) if args.file else []
    with open_store(paths.existing_store(args)) as store:
        if found or args.remove:
            land, units = row_called(store.all(models.Field), "field", args.field), FarmSettings(store).units
            done = [_remove(store, land, args.remove)] if args.remove else []
            done += [_write(store, land, one, args.landlord, units) for one in found]
        else:
            fields = {row.id: row.name for row in store.all(models.Field)}
            done = [_described(row, fields.get(row.field_id, "?"), "") for row in store.all(models.Parcel)]
    text = "\n".join(one["words"] for one in done) or "No parcels yet."
    print(json.dumps({"parcels": done}) if args.json else text)
    return 0


def _remove(store: Store, land: models.Field, name: str) -> dict:
    row = row_called(store.all(models.Parcel, field_id=land.id), f"parcel of {land.name}", name)
    store.remove(models.Parcel, row.id)
    return _described(row, land.name, "taken away")


def _write(store: Store, land: models.Field, one: FieldFound, landlord: str | None, units: Units) -> dict:
    rows = store.all(models.Parcel, field_id=land.id)
    old = next((row for row in rows if row.name.casefold() == one.name.casefold()), None)
    form, cut = _without_others(one, land, [row for row in rows if row is not old])
    columns = {"boundary": json.loads(json.dumps(mapping(form)))}
    if landlord or old is None:
        columns["landlord"] = (landlord or one.name).strip()
    name = old.name if old else one.name
    row = store.put(models.Parcel, old.id if old else None, field_id=land.id, name=name, **columns)
    done = [units.area(one.area), "new boundary" if old else "added"]
    done += [f"mended: {one.repaired}"] if one.repaired else []
    done += [f"cut back by {units.area(cut)} where another parcel lies"] if cut > SLIVER else []
    return _described(row, land.name, ", ".join(done))


def _without_others(one: FieldFound, land: models.Field, others: list) -> tuple[BaseGeometry, float]:
    """Return a parcel without what lies in others, and how much that was, m2.

    Raises Refused: it lies outside the field, or with more than `OVERLAP` of its ground in another.
    """
    form = shape(one.geometry)
    plane = Plane.of_field(one.geometry)

    def area(geometry) -> float:
        return shapely.transform(geometry, lambda c: plane.to_xy(c[:, 1], c[:, 0])).area

    boundary = kept_boundary(land.boundary)
    if boundary is not None and not area(shapely.intersection(form, shape(boundary))):
        raise Refused(
            "{name} lies nowhere in {field}. Look whether it is the right field.", name=one.name, field=land.name
        )
    whole = area(form)
    for other in others:
        kept = kept_part(other.boundary)
        theirs = shape(kept) if kept else shapely.Polygon()
        cut = area(shapely.intersection(form, theirs))
        if cut > OVERLAP * min(whole, area(theirs)):
            share = f"{100 * cut / whole:.0f} %"
            raise Refused(
                "{name} lies with {share} of its ground in {other}. "
                "Correct the boundaries, or take {other} away first.",
                name=one.name, share=share, other=other.name,
            )  # fmt: skip
        if cut:
            form = polygons_of(shapely.difference(form, theirs))
    return form, whole - area(form)


def _described(row: models.Parcel, field: str, what: str) -> dict:
    lease = "no lease written" if row.share is None else f"landlord bears {100 * row.share:.4g} %"
    words = f"{field}, {row.name}: {row.landlord}, {lease}" + (f"; {what}" if what else "")
    return {"field": field, "name": row.name, "landlord": row.landlord, "share": row.share,
            "rule": row.rule, "words": words}  # fmt: skip
