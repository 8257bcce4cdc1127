"""Field boundaries in files a farm has: GeoJSON, KML and GPX, on the tablet or on a stick. No Kivy."""

from pathlib import Path
from xml.etree import ElementTree

from cabapp.position.boundaries import check_boundary, read_boundary
from store.errors import BoundaryRefused

SUFFIXES = (".geojson", ".json", ".kml", ".gpx")
STICKS = ("/media", "/run/media", "/mnt")
MOST = 60
LARGEST = 16 << 20


def boundary_files(own: Path, sticks=STICKS) -> list[Path]:
    """Return files that may hold a boundary: in the tablet's own folder, then on sticks."""
    folders = [own, *(Path(stick) for stick in sticks)]
    found = []
    for folder in folders:
        for deep in ("*", "*/*", "*/*/*") if folder != own else ("*",):
            try:
                found += sorted(p for p in folder.glob(deep) if p.suffix.lower() in SUFFIXES and p.is_file())
            except OSError:
                continue
    return found[:MOST]


def boundary_of(path: Path) -> dict:
    """Read a boundary from a GeoJSON, KML or GPX file.

    Returns
    -------
    dict
        RFC 7946 geometry, as `read_boundary` gives it.

    Raises
    ------
    BoundaryRefused
        The file cannot be read or holds no ring that can be a field.

    Notes
    -----
    KML: all Polygons of the file (OGC 12-007r2, KML 2.3). GPX 1.1: the first track, else the first
    route, closed into a ring.
    """
    suffix = path.suffix.lower()
    if suffix not in (".kml", ".gpx"):
        return read_boundary(path)
    try:
        if path.stat().st_size > LARGEST:
            raise BoundaryRefused(f"{path.name} is larger than {LARGEST >> 20} MB, which no boundary is.")
        text = path.read_bytes()
        if b"<!DOCTYPE" in text:
            raise BoundaryRefused(f"{path.name} has a document type, which a boundary does not need. Export it again.")
        root = ElementTree.fromstring(text)
    except OSError as fault:
        raise BoundaryRefused(f"{path.name} cannot be read ({fault.strerror}).") from fault
    except ElementTree.ParseError as fault:
        raise BoundaryRefused(f"{path.name} is damaged at line {fault.position[0]}. Export it again.") from fault
    try:
        polygons = _kml(root) if suffix == ".kml" else _gpx(root)
    except (ValueError, TypeError) as fault:
        raise BoundaryRefused(f"{path.name} has a place that is no pair of figures. Export it again.") from fault
    if not polygons:
        raise BoundaryRefused(f"{path.name} holds no outline of a field.")
    return check_boundary({"type": "MultiPolygon", "coordinates": polygons}, path.name)


def _kml(root):
    polygons = []
    for polygon in root.findall(".//{*}Polygon"):
        rings = [
            _ring(tuple(float(v) for v in point.split(",")[:2]) for point in (ring.text or "").split())
            for place in ("outerBoundaryIs", "innerBoundaryIs")
            for ring in polygon.findall(f"{{*}}{place}/{{*}}LinearRing/{{*}}coordinates")
        ]
        if rings:
            polygons.append(rings)
    return polygons


def _gpx(root):
    for line, point in (("trk", "trkpt"), ("rte", "rtept")):
        for one in root.findall(f".//{{*}}{line}"):
            places = [(float(p.get("lon")), float(p.get("lat"))) for p in one.findall(f".//{{*}}{point}")]
            if len(places) > 2:
                return [[_ring(places)]]
    return []


def _ring(places):
    ring = [list(place) for place in places]
    return ring if not ring or ring[0] == ring[-1] else [*ring, ring[0]]
