"""Which part of a tool works, as taps keep it and as it is said. Pure.

Kept are wings by name, or a sign for each section from the left: "1" works, "0" does not.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Sequence
from typing import Any, TypeVar

from cabapp.common.message import N_, Message, message
from cabapp.common.quantities import Length
from cabapp.common.typed_number import read_number
from cabapp.track.tool import MOST_SECTIONS, Part
from store.errors import Refused

AnyNumber = TypeVar("AnyNumber", float, float | None)

SLACK = 0.01
"""Share of the width that typed sections may differ from it together, for they are rounded."""

PART_KINDS = ("width", "sections", "worked_width")
"""Kinds of taps that say which part works; the last is written of a recording only."""

WINGS = N_(("all", "left up", "right up", "both up"))
_PARTS: tuple[Part, ...] = ((), (False, True, True), (True, True, False), (False, True, False))
_WINGS = dict(zip(WINGS, _PARTS, strict=True))
_WORDS = {
    "left up": message("Wing left up."), "right up": message("Wing right up."), "both up": message("Both wings up."),
}  # fmt: skip


def read_sections(text: str, width: float, unit: float = 1.0) -> str | None:
    """Return widths as a person types them, from the left, as they are kept; None for nothing.

    `width`: the tool's, m, which they must be together.
    `unit`: m in what a width without a unit is typed in.

    A whole number alone is how many equal sections there are.

    Raises Refused: they are no widths, or not the tool's together.

    >>> read_sections("20 10 ft, 3.05m", 12.19, 0.3048), read_sections("3", 12.0)
    ('6.096,3.048,3.05', '4,4,4')
    """
    words = re.findall(r"[^\s,;]+(?:\s*(?:ft|m)(?![^\s,;]))?", text.strip().lower())
    if not words:
        return None
    try:
        if len(words) == 1 and words[0].isdecimal():
            number = min(int(words[0]), MOST_SECTIONS + 1)
            widths = [width / max(number, 1)] * number
        else:
            widths = [read_number(one, "ft", "m") * (1.0 if one.endswith(("ft", "m")) else unit) for one in words]
    except ValueError as fault:
        raise Refused(
            "{text} are no sections. Type the width of each from the left: 20 10 10 20; or how many equal ones there are.",
            text=text,
        ) from fault
    if not 0 < len(widths) <= MOST_SECTIONS or min(widths) <= 0:
        raise Refused("A tool has 1 to {most} sections, each with a width.", most=MOST_SECTIONS)
    if abs(sum(widths) - width) > SLACK * width:
        raise Refused(
            "The sections are {sum} together, but the tool is {width} wide. Type the width of each from the left.",
            sum=Length(sum(widths)), width=Length(width),
        )  # fmt: skip
    return sections_text(widths)


def sections_text(widths: Sequence[float]) -> str | None:
    """Return the widths of sections, m, as they are kept."""
    return ",".join(f"{one:.4f}".rstrip("0").rstrip(".") for one in widths) or None


def sections_of(kept: str | None, width: float) -> tuple[float, ...]:
    """Return the widths of sections, m, fitted to the width a tool works with; () for none, or for what cannot be.

    >>> sections_of("6,3,3", 12.6), sections_of("wide", 12.6)
    ((6.3, 3.15, 3.15), ())
    """
    widths = widths_of(kept)
    return tuple(one * width / sum(widths) for one in widths)


def widths_of(kept: str | None) -> tuple[float, ...]:
    """Return the widths of sections as they were kept, m; () for none, or for what cannot be."""
    try:
        widths = tuple(float(one) for one in (kept or "").split(","))
    except ValueError:
        return ()
    return widths if len(widths) <= MOST_SECTIONS and all(0 < one < 1000 for one in widths) else ()


def number_of(value: object, otherwise: AnyNumber) -> AnyNumber:
    """Return a value of a tap's detail that is a finite number; else another."""
    if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
        return value
    return otherwise


def part_of(detail: dict[str, Any]) -> tuple[Part, float | None]:
    """Return which sections work, and only how much of the width, m, from the detail of a tap.

    >>> part_of({"wing": "left up"}), part_of({"on": "101"}), part_of({"width_m": 4.5})
    (((False, True, True), None), ((True, False, True), None), ((), 4.5))
    """
    signs, wing = detail.get("on"), detail.get("wing")
    on = tuple(sign == "1" for sign in signs) if isinstance(signs, str) else ()
    part = on if not all(on) else _WINGS.get(wing, ()) if isinstance(wing, str) else ()
    return part, number_of(detail.get("width_m"), None)


def tap_of(on: Part, width: float | None) -> tuple[str, dict[str, Any]]:
    """Return kind and detail of the tap that keeps which part works; the other way of `part_of`.

    >>> tap_of((True, False, True), None), tap_of((False, True, True), None), tap_of((), 4.5)
    (('sections', {'on': '101'}), ('width', {'wing': 'left up'}), ('worked_width', {'width_m': 4.5}))
    """
    if width is not None:
        return "worked_width", {"width_m": width}
    wing = wing_of(on)
    return ("sections", {"on": signs(on)}) if wing is None else ("width", {"wing": wing})


def signs(on: Sequence[bool]) -> str:
    """Return a sign for each section: "1" works, "0" does not."""
    return "".join("1" if one else "0" for one in on)


def wing_of(on: Part) -> str | None:
    """Return the name of what works of a tool without sections; None when it has none."""
    return next((name for name, part in _WINGS.items() if part == (() if all(on) else on)), None)


def part_words(detail: dict[str, Any]) -> Message | None:
    """Return the sentence that says which part works; None where all of it does.

    >>> str(part_words({"on": "1000101"})), str(part_words({"wing": "left up"})), part_words({"on": "11"})
    ('Sections off: 2 to 4, 6.', 'Wing left up.', None)
    """
    on, width = part_of(detail)
    if width is not None:
        return message("Only {width} of the tool works.", width=Length(width))
    wing = wing_of(on)
    return message("Sections off: {off}.", off=numbers_off(on)) if wing is None else _WORDS.get(wing)


def part_now(odd: dict[str, Any]) -> dict[str, Any]:
    """Return which part works from what a sheet says is odd; older sheets name a wing."""
    return odd.get("part_now") or {"wing": odd.get("wing_now") or "all"}


def numbers_off(on: Part) -> tuple[str | Message, ...]:
    """Return the numbers of the sections that do not work, from the left, neighbours together."""
    runs = [list(run) for off, run in itertools.groupby(range(1, len(on) + 1), key=lambda n: not on[n - 1]) if off]
    return tuple(
        str(run[0]) if len(run) == 1 else message("{first} to {last}", first=run[0], last=run[-1]) for run in runs
    )
