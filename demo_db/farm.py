"""The invented farm: its operators, machines and fields.

It lies in the middle of a great lake, and no name is that of a real person, farm or maker.
"""

import numpy as np
from pyproj import Proj
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

FARM = {
    "name": "Nine Kettle Farm",
    "timezone": "America/Chicago",
    "units": "us",
    "fuel_price_per_l": 0.96,
    "currency": "$",
}

OPERATORS = {
    "oda": {"name": "Oda Bracken", "phone": "555-0141", "rate_per_h": 26.0},
    "tam": {"name": "Tam Willet", "phone": "555-0172", "rate_per_h": 24.0},
    "perrin": {"name": "Perrin Loy", "phone": "555-0118", "rate_per_h": 0.0},
}

TRACTORS = {
    "badger": {"name": "Badger", "tank_l": 380.0, "cost_per_h": 88.0},
    "old_mule": {"name": "Old Mule", "tank_l": 290.0, "cost_per_h": 61.0},
}

TOOLS = {
    "roller": {"name": "42 ft roller", "operation": "rolling", "width_m": 12.8, "towed": True, "grease_every_h": 10.0},
    "harrow": {
        "name": "60 ft harrow",
        "operation": "harrowing",
        "width_m": 18.3,
        "towed": True,
        "grease_every_h": 50.0,
    },
    "drill": {"name": "40 ft drill", "operation": "seeding", "width_m": 12.2, "towed": True, "grease_every_h": 10.0},
}

HITCHINGS = [
    # tractor, tool, antenna to hitch, hitch to line, side, width (all m)
    ("badger", "roller", 2.6, 5.5, 0.0, 12.8),
    ("old_mule", "roller", 3.1, 5.5, 0.0, 12.8),
    ("badger", "harrow", 2.6, 4.2, 0.0, 18.3),
    ("old_mule", "drill", 3.1, 7.8, 0.0, 12.2),
]

ANTENNA_AHEAD_OF_AXLE = 1.6
"""Badger's antenna on the cab roof, ahead of the rear axle, m; the rest of
``antenna to hitch`` is the drawbar behind the axle."""

YEAR = 2026
SEEDING_S = 7.5 * 3600.0
"""How long the drill is at work in a field."""

CENTRE = (47.6400, -87.4600)
TILT = np.deg2rad(-8.0)
"""The lanes run this much off east, rad."""

# Corners in the farm's own frame: metres along the lanes, metres across them.
OUTLINES = {
    # the road runs slanted along the east end; the north-west corner is clipped by a ditch
    "heron": {
        "shell": [(0, 0), (520, -5), (1046, 0), (1020, 210), (989, 428), (430, 436), (128, 430), (-4, 338), (-9, 170)],
        "holes": [],
    },
    # a slough in the middle third
    "kettle": {
        "shell": [(1090, -20), (1720, -40), (1742, 300), (1705, 545), (1330, 560), (1064, 470), (1058, 210)],
        "holes": [
            [(1395, 215), (1440, 186), (1502, 197), (1531, 246), (1512, 301), (1455, 322), (1404, 296), (1381, 255)]
        ],
    },
    "thumb": {
        "shell": [(60, -300), (830, -322), (1046, -270), (1046, -62), (700, -40), (60, -62), (14, -170)],
        "holes": [],
    },
}

FIELDS = {
    "heron": {
        "name": "Heron Flat",
        "crop": "lentil, seeded 11 May",
        "seeded": (5, 11),
        "target": 2,
        "gate": (1041, 30),
    },
    "kettle": {
        "name": "Kettle Quarter",
        "crop": "field pea, seeded 13 May",
        "seeded": (5, 13),
        "target": 2,
        "gate": (1090, -14),
    },
    "thumb": {
        "name": "Long Thumb",
        "crop": "durum wheat, seeded 6 May",
        "seeded": (5, 6),
        "target": 1,
        "gate": (1040, -66),
    },
}

_PROJ = Proj(proj="laea", lat_0=CENTRE[0], lon_0=CENTRE[1], ellps="WGS84")


def to_latlon(uv) -> tuple[np.ndarray, np.ndarray]:
    """Return WGS 84 latitudes and longitudes, degrees, of places in the farm frame, m, shape (n, 2)."""
    uv = np.asarray(uv, dtype=float).reshape(-1, 2)
    x = uv[:, 0] * np.cos(TILT) - uv[:, 1] * np.sin(TILT)
    y = uv[:, 0] * np.sin(TILT) + uv[:, 1] * np.cos(TILT)
    lon, lat = _PROJ(x, y, inverse=True)
    return np.asarray(lat), np.asarray(lon)


def outline(key: str, along: float = 1.0) -> Polygon:
    """Return a field's polygon in the farm frame, m, counter-clockwise, `along` times its full length."""
    rings = [OUTLINES[key]["shell"], *OUTLINES[key]["holes"]]
    shell, *holes = [[(u * along, v) for u, v in ring] for ring in rings]
    return orient(Polygon(shell, holes))


def geometry(shape: Polygon) -> dict:
    """Return a polygon of the farm frame as a GeoJSON geometry with 7 decimals."""
    rings = []
    for ring in [shape.exterior, *shape.interiors]:
        lat, lon = to_latlon(ring.coords)
        rings.append([[round(float(a), 7), round(float(b), 7)] for a, b in zip(lon, lat)])
    return {"type": "Polygon", "coordinates": rings}
