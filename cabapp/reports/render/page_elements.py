"""Elements of several pages: a job's map, swatches, taps as text, the templates."""

import base64
import hashlib
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup, escape

from cabapp.common.farm_format import FarmFormat
from cabapp.common.rendering import render
from cabapp.common.shares import percents
from cabapp.common.wording import times, verb
from cabapp.jobs.records import tap_kinds
from cabapp.reports.model.cell_history import history
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render import hatching, map_svg

NOT_KNOWN = "not known"
"""What stands for an area where no position of the work was known."""

TEMPLATES = Environment(
    loader=PackageLoader("cabapp.reports.render", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)

SCRIPT = (Path(__file__).parent / "templates" / "map.js").read_text("utf-8")
SCRIPT_HASH = "sha256-" + base64.b64encode(hashlib.sha256(SCRIPT.encode()).digest()).decode()
"""Names the one script a page may run (Content Security Policy, level 3)."""
TEMPLATES.globals.update(script=Markup(SCRIPT), script_hash=SCRIPT_HASH)


@dataclass(frozen=True)
class LargeFigure:
    """One of a page's large figures; `key` marks it in the page."""

    key: str
    value: str
    text: str


MOST_GAPS = 10
"""Gaps given a number and a line; the rest are summed up."""

GAP_WORDS = {"none": "never", "unknown": "perhaps never", "short": "too few"}

NEVER_WEIGHS = 10.0
"""Ground never covered counts ten times ground covered too few times (our own choice)."""


def shows(area: float | None, fmt: FarmFormat) -> bool:
    """Return whether ground, m2, is printed as more than almost nothing."""
    return (fmt.units.area_value(area) or 0.0) >= 0.005


def ranked_gaps(record: JobRecord) -> list:
    """Return the gaps by worth of going back: sure before doubtful, bare before short."""
    doubt = {"sure": 0, "maybe": 1, "cannot tell": 2}

    def worth(gap):
        return doubt[gap.certainty], -gap.area * (1.0 if gap.kind == "short" else NEVER_WEIGHS)

    return sorted(record.gaps, key=worth)


_WARNED = {
    "recover": "ground already finished", "lost": "position lost", "danger": "a mark ahead", "away": "far from the field",
    "forgotten": "not recording, yet working?", "still": "recording, yet not working?", "seeder": "seeder close",
}  # fmt: skip


def swatch(kind: int | None, number: int) -> Markup:
    """A small sample of a hatching, for the legend."""
    fill = "none" if kind is None else f"url(#swatch{number}-{hatching.PATTERNS[kind]})"
    defs = "" if kind is None else f"<defs>{hatching.pattern_defs(f'swatch{number}')}</defs>"
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="swatch" viewBox="0 0 52 20" aria-hidden="true">'
        f'{defs}<rect width="52" height="20" fill="{fill}"/></svg>'
    )


def bar(counts: dict[int, float], whole: float, target: int) -> Markup:
    """Return a bar of the areas by passes, m2, in the map's hatchings; `whole` is the bar's area, m2."""
    drawn, x = [], 0.0
    for count, area in sorted(counts.items(), reverse=True):
        kind, long = class_of_count(count, target), 260 * area / whole
        drawn.append(f'<rect x="{x:.1f}" width="{long:.1f}" height="24" fill="url(#bar-{hatching.PATTERNS[kind]})"/>')
        x += long
    ranked = sorted(counts.items())
    percent = percents([area for _, area in ranked], whole)
    said = ", ".join(f"{times(n) if n else 'never'} {one:.0f} %" for (n, _), one in zip(ranked, percent, strict=True))
    return Markup(
        f'<svg xmlns="http://www.w3.org/2000/svg" class="bar" viewBox="0 0 260 25" preserveAspectRatio="none" role="img" '
        f'aria-label="{escape(said)}">{"".join(drawn)}<rect x=".7" y=".7" width="258.6" height="23.6" fill="none" '
        f'stroke="{hatching.INK}" stroke-width="1.4"/></svg>'
    )  # fmt: skip


def bar_patterns() -> Markup:
    """The hatchings that all bars of a page are filled with; once on each page that has some."""
    return Markup(
        f'<svg class="none" width="0" height="0" aria-hidden="true"><defs>{hatching.pattern_defs("bar")}</defs></svg>'
    )


def class_of_count(count: int, target: int) -> int | None:
    """The hatching of a count; None for bare paper."""
    kind = int(hatching.cell_classes(np.array([[count]]), np.zeros((1, 1), bool), target)[0, 0])
    return kind or None


def passes_text(count: int, operation: str) -> str:
    """How often ground was covered: "never", "rolled once", "rolled twice" ...

    >>> passes_text(0, "rolling"), passes_text(2, "rolling")
    ('never rolled', 'rolled twice')
    """
    done = verb(operation).lower()
    return f"never {done}" if count == 0 else f"{done} {times(count)}"


def tap_text(tap, record: JobRecord) -> str:
    """Return a tap as text, by its kind."""
    return render(tap_kinds.tap_words(tap), farm=record.format)


def warning_text(tap) -> str:
    """Return what a warning was about."""
    what = (tap.detail or {}).get("what")
    return _WARNED.get(what, str(what or "something"))


def map_of(record: JobRecord, title: str, gaps: list | None = None, parcels: bool = False, **more) -> Markup:
    """Return the job's map; `more` are further attributes of `map_svg.Drawing`.

    `gaps`, ``(label, x, y)``, are by default the first of `ranked_gaps`; `parcels` draws the landlords'.
    """
    count, plane = record.count, record.count.plane
    marks = [m for m in record.marks if m.lat is not None and m.lon is not None]
    places = [tuple(plane.to_xy(m.lat, m.lon)[0]) for m in marks]
    scale_m, scale_words = _scale(record)
    if gaps is None:
        gaps = [(k + 1, gap.x, gap.y) for k, gap in enumerate(ranked_gaps(record)[:MOST_GAPS])]
    drawing = map_svg.Drawing(
        title,
        description(record),
        count.grid.counts, count.grid.unknown, count.grid.origin, count.grid.cell, record.job.target,
        count.wanted if record.field.once_only else None,
        outline=count.field.polygon if count.field is not None else None,
        gaps=gaps,
        marks=[(mark.kind, *place) for mark, place in zip(marks, places)],
        gate=tuple(plane.to_xy(*record.gate)[0]) if record.gate else None,
        scale_m=scale_m, scale_words=scale_words,
        parcels=[(row.name, form) for row, form in record.parcels if parcels and form is not None and form.area > 0],
        **more,
    )  # fmt: skip
    if record.outlines is None:
        record.outlines = map_svg.outlined(drawing)
    drawing.outlines = record.outlines
    return map_svg.draw(drawing)


def script_data(record: JobRecord, drawn: Markup) -> dict:
    """Return the data of a page's script: the layers on its map, and the history."""
    layers = [(key, text) for key, text in LAYERS if f'="{key}"' in drawn]
    if record.history is None:
        record.history = history(record)
    return {"layers": layers, "history": record.history, "moments": len(record.history["moments"])}


LAYERS = (
    ("once", "once"), ("nearly", "too few"), ("target", "as often as wanted"), ("above", "too often"),
    ("unknown", "position unknown"), ("gaps", "numbered places"), ("marks", "marks"), ("parcels", "parcels"),
)  # fmt: skip
"""Layers of a map that can be hidden: name in the drawing, label."""


def description(record: JobRecord) -> str:
    """Return the map as text, for those who cannot see it."""
    fmt, totals, target = record.format, record.totals, record.job.target
    areas = [f"{verb(record.job.operation)} {times(n)}: {fmt.area(a)}" for n, a in sorted(totals.by_count.items())]
    if totals.none is not None:
        areas.insert(0, f"Never covered: {fmt.area(totals.none)}")
    if shows(totals.unknown, fmt):
        areas.insert(1, f"Position unknown, perhaps covered: {fmt.area(totals.unknown)}")
    return (
        f"Map of {record.field.name}, north up. " + ". ".join(areas) + ". "
        f"Bare paper is never covered, single strokes below target, crossed strokes at target "
        f"({times(target)}), solid with light dots above target, dots where the position was unknown. "
        f"{len(record.gaps)} gaps; the first {min(MOST_GAPS, len(record.gaps))} are numbered."
    )


def _scale(record: JobRecord) -> tuple[float, str]:
    """Return a round length of about a fifth of the map, m, and its label."""
    units = record.format.units
    if record.count.field is not None:
        west, _, east, _ = record.count.field.polygon.bounds
        wide = east - west
    else:
        wide = record.count.grid.counts.shape[1] * record.count.grid.cell
    unit = units.unit("length")
    here = wide / 5 * units.length_value(1.0)
    power = 10 ** math.floor(math.log10(max(here, 1.0)))
    long = max(step * power for step in (1, 2, 5) if step * power <= max(here, 1.0))
    return long / units.length_value(1.0), f"{long:,.0f} {unit}"
