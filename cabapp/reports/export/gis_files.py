"""A job for a GIS: pass counts as a georeferenced PNG, and a GeoPackage.

Notes: ISO 11783-10 task data are not written: a pass count has no data dictionary entity, and no terminal was at hand
to prove a file against. GeoPackage and GeoJSON carry the same ground.
"""

import sqlite3
import struct
import time
from contextlib import closing
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
import shapely
from pyproj import CRS
from shapely.geometry import shape

from cabapp.reports.export.output_file import replacing, write_output
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render.map_png import png
from store.facts.timestamp import write_time

OUTSIDE = 255
"""Value of a picture's cells that lie outside the field."""

_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563,AUTHORITY["EPSG","7030"]],'
    'AUTHORITY["EPSG","6326"]],PRIMEM["Greenwich",0,AUTHORITY["EPSG","8901"]],'
    'UNIT["degree",0.0174532925199433,AUTHORITY["EPSG","9122"]],AUTHORITY["EPSG","4326"]]'
)
_SCHEMA = """
CREATE TABLE gpkg_spatial_ref_sys (srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE,
  description TEXT DEFAULT '', last_change DATETIME NOT NULL, min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE,
  srs_id INTEGER, CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL,
  srs_id INTEGER NOT NULL, z TINYINT NOT NULL, m TINYINT NOT NULL, CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name), CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""
LAYERS = {
    "field": ("MULTIPOLYGON", {"name": "TEXT", "crop": "TEXT", "operation": "TEXT", "season": "INTEGER",
              "target": "INTEGER", "field_area_m2": "REAL", "none_m2": "REAL", "covered_m2": "REAL", "pass_area_m2": "REAL"}),
    "gap": ("POLYGON", {"passes": "TEXT", "area_m2": "REAL", "width_m": "REAL", "certainty": "TEXT"}),
    "mark": ("POINT", {"mark": "TEXT", "note": "TEXT"}),
    "swath": ("MULTIPOLYGON", {"operator": "TEXT", "tractor": "TEXT", "tool": "TEXT", "covered_m2": "REAL",
              "pass_area_m2": "REAL", "sections_m": "TEXT"}),
    "trace": ("MULTILINESTRING", {"operator": "TEXT", "tractor": "TEXT", "tool": "TEXT"}),
}  # fmt: skip
"""Layers of the GeoPackage, their geometry and their columns."""


def counts(record: JobRecord, directory: Path, stem: str) -> list[Path]:
    """Write a job's counts as PNG with world file and spatial reference; return the paths."""
    name = f"{stem}-counts.png"
    grid = record.count.grid
    values = np.minimum(grid.counts, OUTSIDE - 1).astype(np.uint8)
    x0, y0 = grid.origin
    rows, columns = values.shape
    if record.count.field is not None:
        shapely.prepare(record.count.field.polygon)
        x = x0 + (np.arange(columns) + 0.5) * grid.cell
        y = y0 + (np.arange(rows) + 0.5) * grid.cell
        values[~shapely.contains_xy(record.count.field.polygon, *np.meshgrid(x, y))] = OUTSIDE
    # A world file names the middle of the upper left cell, as GIS programs agree.
    north = y0 + (rows - 0.5) * grid.cell
    world = [grid.cell, 0.0, 0.0, -grid.cell, x0 + grid.cell / 2, north]
    plane = record.count.plane
    crs = CRS.from_proj4(f"+proj=laea +lat_0={plane.lat0!r} +lon_0={plane.lon0!r} +ellps=WGS84 +units=m +type=crs")
    note = (
        f'<PAMDataset><SRS>{escape(crs.to_wkt("WKT2_2019"))}</SRS><PAMRasterBand band="1">'
        f"<NoDataValue>{OUTSIDE}</NoDataValue></PAMRasterBand></PAMDataset>\n"
    )
    return [
        write_output(directory, name, png(values[::-1])),
        write_output(directory, f"{stem}-counts.pgw", "".join(f"{value:.12g}\n" for value in world)),
        write_output(directory, f"{name}.aux.xml", note),
    ]


def geopackage(features: list[dict], path: Path) -> Path:
    """Write features of `job_export.job_geojson` as a GeoPackage, a layer for each ``kind``.

    Notes: OGC 12-128r18, GeoPackage 1.3: sections 1.1.1 (file), 1.1.2 (reference systems), 2.1 (features).
    """
    with replacing(path) as part, closing(sqlite3.connect(part)) as database, database:
        _fill(database, features)
    return path


def _fill(database: sqlite3.Connection, features: list[dict]) -> None:
    database.execute(f"PRAGMA application_id = {0x47504B47}")
    database.execute("PRAGMA user_version = 10300")
    database.executescript(_SCHEMA)
    database.executemany(
        "INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)",
        [
            ("Undefined cartesian", -1, "NONE", -1, "undefined", None),
            ("Undefined geographic", 0, "NONE", 0, "undefined", None),
            ("WGS 84 geodetic", 4326, "EPSG", 4326, _WGS84, "longitude, latitude in degrees"),
        ],
    )
    for name, (kind, columns) in LAYERS.items():
        rows = [one for one in features if one["properties"]["kind"] == name]
        if rows:
            _layer(database, name, kind, columns, rows)


def _layer(database, name: str, kind: str, columns: dict[str, str], rows: list[dict]) -> None:
    forms = [_as(kind, shape(row["geometry"])) for row in rows]
    bounds = shapely.total_bounds(forms).tolist()
    now = write_time(time.time())
    definitions = ", ".join(f'"{column}" {of}' for column, of in columns.items())
    database.execute(f'CREATE TABLE "{name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {kind}, {definitions})')  # fmt: skip
    database.execute(
        "INSERT INTO gpkg_contents VALUES (?, 'features', ?, '', ?, ?, ?, ?, ?, 4326)", (name, name, now, *bounds)
    )
    database.execute("INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, 4326, 0, 0)", (name, kind))
    marks = ", ".join("?" * (len(columns) + 1))
    named = ", ".join(f'"{column}"' for column in columns)
    database.executemany(
        f'INSERT INTO "{name}" (geom, {named}) VALUES ({marks})',
        [
            (_binary(form), *(row["properties"].get(column) for column in columns))
            for form, row in zip(forms, rows, strict=True)
        ],
    )


def _as(kind: str, form):
    """A geometry in its layer's kind: a polygon in a layer of several is one of one."""
    if kind == "MULTIPOLYGON" and form.geom_type == "Polygon":
        return shapely.MultiPolygon([form])
    return form


def _binary(form) -> bytes:
    """A geometry as GeoPackage keeps it: magic, version, flags (little endian, box x and y), then WKB."""
    west, south, east, north = form.bounds
    head = struct.pack("<2sBBi4d", b"GP", 0, 0b011, 4326, west, east, south, north)
    return head + shapely.to_wkb(form, byte_order=1)
