"""The map of a job as inline SVG: hatching, boundary, gaps, marks, next pass.

Metres on the plane in, trusted SVG out; text from outside is escaped here.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import shapely
from markupsafe import Markup, escape

from cabapp.reports.render import hatching

WIDE = 1000
"""Width of the drawing in its own units."""
MOST_COLUMNS = 1000
"""Cells across the map; a whole field on a sheet of paper shows no more."""
MANY_CORNERS = 40_000
"""From so many on corners are drawn on whole units, half a pixel apart, to keep the page small."""
NARROWEST = 420
MARGIN, FOOT = 16, 26
GLYPHS = {
    "rock": "M-7 5L-3-5 2-1 4-4 8 5Z",
    "rock pile": "M-10 6L-5-5-1 0 4-8 10 6Z",
    "pole": "M0 8V-9M-6-5H6M-6-5V-2M6-5V-2",
    "well": "M-6-6H6V6H-6ZM-6-6L6 6M6-6L-6 6",
    "slough": "M-9 2q3-5 6 0t6 0 6 0M-9-3q3-5 6 0t6 0 6 0",
    "soft ground": "M-9 1q3-5 6 0t6 0 6 0",
    "power line": "M2-9L-4 1H2L-2 9",
    "gate": "M-9 6V-6M9 6V-6M-9-3H9M-9 2H9",
}
_AROUND = ((0, -1), (0, 1), (1, 0), (-1, 0), (1, -1), (-1, 1), (1, 1), (-1, -1))
OTHER = "M0-7V7M-7 0H7"


@dataclass
class Drawing:
    """What a map shows; places are (x, y), m, on the job's plane.

    `counts`, `unknown`: shape (rows, columns); cells; row 0 is the southernmost.
    `origin`: South-west corner of the cells, m.
    `wanted`: passes wanted at places, shape (n, 2), m, where not `target` everywhere.
    `gaps`, `marks`: ``(label, x, y)`` and ``(kind, x, y)``.
    `machine`: ``(x, y, heading)`` of the parked tool, rad counter-clockwise from east.
    `scale_m`, `scale_words`: length of the scale bar, m, and its label.
    `tallest`: greatest height, in units of which the page is 1000 wide.
    `outlines`: of `outlined`, the slow part.
    `parcels`: ``(name, polygon)``.
    """

    title: str
    description: str
    counts: np.ndarray
    unknown: np.ndarray
    origin: tuple[float, float]
    cell: float
    target: int
    wanted: Callable | None = None
    outline: object = None
    gaps: list = field(default_factory=list)
    marks: list = field(default_factory=list)
    gate: tuple | None = None
    machine: tuple | None = None
    next_pass: tuple | None = None
    scale_m: float = 200.0
    scale_words: str = "200 m"
    tallest: float = 740.0
    outlines: tuple | None = None
    parcels: list = field(default_factory=list)


def draw(drawing: Drawing, prefix: str = "map") -> Markup:
    """Return a map as one ``<svg>`` element; `prefix` begins the ids in it."""
    west, south, east, north = _bounds(drawing)
    scale = min((WIDE - 2 * MARGIN) / (east - west), (drawing.tallest - 2 * MARGIN - FOOT) / (north - south))
    tall = round((north - south) * scale + 2 * MARGIN + FOOT, 1)
    # A slender field has a narrow drawing, never smaller letters.
    wide = round(max((east - west) * scale + 2 * MARGIN, NARROWEST), 1)
    spare = (wide - 2 * MARGIN - (east - west) * scale) / 2

    def at(x, y):
        return round((x - west) * scale + MARGIN + spare, 1), round((north - y) * scale + MARGIN, 1)

    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" class="map" viewBox="0 0 {wide} {tall}" '
        f'style="width:{wide / WIDE * 100:.1f}%" role="img" '
        # where the plane lies in the drawing, for the page's script: west, north, scale, left, top
        f'data-plane="{west:.3f} {north:.3f} {scale:.6g} {MARGIN + spare:.1f} {MARGIN}" '
        f'aria-labelledby="{prefix}-title {prefix}-desc">',
        f'<title id="{prefix}-title">{escape(drawing.title)}</title>',
        f'<desc id="{prefix}-desc">{escape(drawing.description)}</desc>',
        f"<defs>{hatching.pattern_defs(prefix)}",
    ]
    ground = _outline_path(drawing.outline, at)
    if ground:
        parts.append(f'<clipPath id="{prefix}-field"><path d="{ground}" clip-rule="evenodd"/></clipPath>')
    parts.append("</defs>")
    parts.append(_hatched(drawing, prefix, at, scale, bool(ground)))
    if ground:
        parts.append(
            f'<path d="{ground}" fill="none" stroke="{hatching.INK}" stroke-width="2.6" stroke-linejoin="round"/>'
        )
    if drawing.parcels:
        lines = [_parcel(name, form, drawing.outline, at) for name, form in drawing.parcels]
        parts += ['<g data-layer="parcels">', *lines, "</g>"]
    parts.append('<g data-layer="marks">')
    parts += [_mark(kind, *at(x, y)) for kind, x, y in drawing.marks]
    if drawing.gate:
        parts.append(_mark("gate", *at(*drawing.gate), small=False))
    parts.append("</g>")
    if drawing.machine:
        parts.append(_machine(*at(*drawing.machine[:2]), drawing.machine[2]))
    if drawing.next_pass:
        parts.append(_next_pass(*at(*drawing.next_pass), wide))
    places = [(label, *at(x, y)) for label, x, y in drawing.gaps]
    tags = _numbers(places, wide, tall, [at(x, y) for _, x, y in drawing.marks])
    parts += ['<g data-layer="gaps">', *tags, "</g>"] if tags else []
    parts.append(_scale(drawing, scale, wide, tall))
    parts.append("</svg>")
    return Markup("\n".join(part for part in parts if part))


def _bounds(drawing: Drawing) -> tuple[float, float, float, float]:
    if drawing.outline is not None:
        west, south, east, north = drawing.outline.bounds
        return west, south, max(east, west + 1), max(north, south + 1)
    rows, columns = np.nonzero((drawing.counts > 0) | drawing.unknown)
    x0, y0 = drawing.origin
    if not len(rows):
        return x0, y0, x0 + 100, y0 + 100
    c = drawing.cell
    return (
        x0 + (columns.min() - 8) * c, y0 + (rows.min() - 8) * c,
        x0 + (columns.max() + 9) * c, y0 + (rows.max() + 9) * c,
    )  # fmt: skip


def outlined(drawing: Drawing) -> tuple[int, dict]:
    """Return how many cells stand for one on the map, and the rings round each class of them."""
    every = max(1, -(-drawing.counts.shape[1] // MOST_COLUMNS))
    middle = every // 2
    counts = drawing.counts[middle::every, middle::every]
    target = drawing.target
    if drawing.wanted is not None:
        rows, columns = np.indices(counts.shape)
        cells = np.column_stack([columns.ravel(), rows.ravel()]) * every + middle + 0.5
        target = drawing.wanted(np.array(drawing.origin) + cells * drawing.cell)
        target = np.maximum(target, 1).reshape(counts.shape)
    kinds = hatching.cell_classes(counts, drawing.unknown[middle::every, middle::every], target)
    return every, hatching.outlines(kinds)


def _hatched(drawing: Drawing, prefix: str, at, scale: float, clipped: bool) -> str:
    every, outlines = drawing.outlines or outlined(drawing)
    x, y = at(*drawing.origin)
    size = drawing.cell * every * scale
    clip = f' clip-path="url(#{prefix}-field)"' if clipped else ""
    step = 10 if sum(map(len, (r for rings in outlines.values() for r in rings))) > MANY_CORNERS else 1
    parts = [f'<g data-layer="passes"{clip}>']
    for kind, rings in outlines.items():
        # Drawn in the map's own units, so that the strokes are equally fine at every size.
        rings = [np.column_stack([x + r[:, 0] * size, y - r[:, 1] * size]) for r in rings]
        name = hatching.PATTERNS[kind]
        parts.append(
            f'<path d="{hatching.path_data(rings, step)}" fill="url(#{prefix}-{name})" fill-rule="evenodd" '
            f'stroke="{hatching.INK}" stroke-width=".5" data-class="{name}"/>'
        )
    parts.append("</g>")
    return "\n".join(parts)


def _outline_path(outline, at) -> str:
    if outline is None:
        return ""
    polygons = getattr(outline, "geoms", [outline])
    rings = [ring for p in polygons for ring in (p.exterior, *p.interiors)]
    return "".join("M" + "L".join("{} {}".format(*at(x, y)) for x, y in ring.coords[:-1]) + "Z" for ring in rings)


def _parcel(name: str, form, outline, at) -> str:
    """A parcel's name and its edge, but for where that is the field's own."""
    edge = form.boundary if outline is None else form.boundary.difference(outline.boundary.buffer(1.0))
    path = "".join(
        "M" + "L".join("{} {}".format(*at(x, y)) for x, y in line.coords)
        for line in shapely.get_parts(edge) if line.geom_type in ("LineString", "LinearRing")
    )  # fmt: skip
    x, y = at(*form.representative_point().coords[0])
    wide = 14 + 8.8 * len(name)
    return (
        f'<path d="{path}" fill="none" stroke="{hatching.PAPER}" stroke-width="5.5"/>'
        f'<path d="{path}" fill="none" stroke="{hatching.INK}" stroke-width="2.2" stroke-dasharray="11 5"/>'
        f'<rect x="{x - wide / 2:.1f}" y="{y - 15:.1f}" width="{wide:.1f}" height="21" fill="{hatching.PAPER}"/>'
        f'<text x="{x}" y="{y}" text-anchor="middle" font-size="15" font-style="italic">{escape(name)}</text>'
    )


def _mark(kind: str, x: float, y: float, small: bool = True) -> str:
    path = GLYPHS.get(kind, OTHER)
    return (
        f'<g transform="translate({x} {y})"><title>{escape(kind)}</title>'
        f'<circle r="{14 if small else 15}" fill="{hatching.PAPER}" stroke="{hatching.INK}"/>'
        f'<path d="{path}" fill="none" stroke="{hatching.INK}" stroke-width="2" stroke-linejoin="round"/></g>'
    )


def _numbers(places: list, across: float, tall: float, marks: list) -> list[str]:
    """Number tags, moved aside with a thin line to their place where they would hide one another."""
    taken, parts = [(x, y, 28) for x, y in marks], []
    for label, x, y in places:
        wide = 11 + 4 * len(str(label))
        spots = [(x + dx * reach * 24, y + dy * reach * 24) for reach in range(5) for dx, dy in _AROUND]
        free = (
            (u, v) for u, v in spots
            if wide < u < across - wide and 12 < v < tall - 38
            and all(abs(u - a) > (wide + w) / 2 + 2 or abs(v - b) > 23 for a, b, w in taken)
        )  # fmt: skip
        u, v = next(free, (x, y))
        taken.append((u, v, wide))
        if (u, v) != (x, y):
            parts.insert(
                0,
                f'<path d="M{x} {y}L{u} {v}" stroke="{hatching.INK}" stroke-width="1.2"/><circle cx="{x}" cy="{y}" r="3" fill="{hatching.PAPER}" stroke="{hatching.INK}"/>',
            )
        parts.append(
            f'<g transform="translate({u:g} {v:g})"><rect x="{-wide / 2}" y="-10" width="{wide}" height="20" rx="3" '
            f'fill="{hatching.PAPER}" stroke="{hatching.INK}" stroke-width="1.4"/>'
            f'<text y="5" text-anchor="middle" font-size="14" font-weight="700">{escape(str(label))}</text></g>'
        )
    return parts


def _machine(x: float, y: float, heading: float) -> str:
    turn = -np.degrees(heading)
    return (
        f'<g transform="translate({x} {y}) rotate({turn:.1f})"><title>where the tool stands</title>'
        f'<path d="M-5-16H5V16H-5Z" fill="{hatching.PAPER}" stroke="{hatching.INK}" stroke-width="2.5"/>'
        f'<path d="M5 0H14M14-7H24L31 0 24 7H14Z" fill="{hatching.INK}" stroke="{hatching.INK}"/></g>'
    )


def _next_pass(x: float, y: float, wide: float) -> str:
    # Always inside the drawing: near the right edge the flag flies to the left.
    side, anchor = (-1, "end") if x > wide - 190 else (1, "start")
    return (
        f'<g transform="translate({x} {y})"><title>next pass begins here</title>'
        f'<circle r="9" fill="none" stroke="{hatching.INK}" stroke-width="3"/><circle r="2.5" fill="{hatching.INK}"/>'
        f'<path d="M0-9V-40" stroke="{hatching.INK}" stroke-width="2.5"/>'
        f'<rect x="{0 if side > 0 else -154}" y="-62" width="154" height="24" fill="{hatching.INK}"/>'
        f'<text x="{8 * side}" y="-45" text-anchor="{anchor}" font-size="15" font-weight="700" fill="{hatching.PAPER}">next pass begins</text></g>'
    )


def _scale(drawing: Drawing, scale: float, wide: float, tall: float) -> str:
    long, y = round(drawing.scale_m * scale, 1), tall - 10
    return (
        f'<g font-size="14"><path d="M{MARGIN} {y - 6}V{y}H{MARGIN + long}V{y - 6}" fill="none" '
        f'stroke="{hatching.INK}" stroke-width="1.6"/>'
        f'<text x="{MARGIN + long + 8}" y="{y + 1}">{escape(drawing.scale_words)}</text>'
        f'<g transform="translate({wide - MARGIN - 8} {y - 8})"><path d="M0 10V-8M-5-1L0-9 5-1" fill="none" '
        f'stroke="{hatching.INK}" stroke-width="2"/><text x="-12" y="6" text-anchor="end">north</text></g></g>'
    )
