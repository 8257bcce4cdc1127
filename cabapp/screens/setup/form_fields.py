"""What set-up asks of each thing of the farm, and how what was typed becomes a value. No Kivy.

Lengths, areas and volumes are typed in the farm's units and kept in SI.
"""

from dataclasses import dataclass, replace
from typing import Any

from cabapp.common.message import N_, Message
from cabapp.common.wording import how_often
from cabapp.jobs.records.tool_parts import read_sections, widths_of
from store.errors import Refused
from store.models import Farm, Field, Hitching, Operator, Tool, Tractor
from store.values.value_judge import fits, limits, rule_of

OPERATIONS = N_(("rolling", "harrowing", "seeding", "spraying", "swathing", "combining"))
ZONES = (
    "America/St_Johns", "America/Halifax", "America/Toronto", "America/New_York", "America/Winnipeg",
    "America/Chicago", "America/Regina", "America/Edmonton", "America/Denver", "America/Phoenix",
    "America/Vancouver", "America/Los_Angeles", "America/Sao_Paulo", "Europe/London", "Europe/Berlin",
    "Europe/Kyiv", "Australia/Perth", "Australia/Sydney", "UTC",
)  # fmt: skip


class FormRefused(Refused):
    """Something typed that cannot be, or something lacking; nothing was written."""


@dataclass(frozen=True)
class FormField:
    """One line of a form.

    `column`: column of the table; of a place, what its two columns begin with.
    `words`: what stands before it.
    `kind`: "text", "number", "length", "volume" and "sections" are typed; "choice" is turned through with touches; "pick" is chosen
        from a list; "boundary" comes from a file or from driving; "place" is where the tablet is.
    `choices`: for "choice" and "pick".
    `table`: table of the column, filled in by the form.

    What it may be is decided by `store.values.value_judge`.
    """

    column: str
    words: str
    kind: str = "text"
    choices: tuple[tuple[Any, str | Message], ...] = ()
    needed: bool = False
    table: str = ""

    @property
    def columns(self) -> tuple[str, ...]:
        return (self.column + "_lat", self.column + "_lon") if self.kind == "place" else (self.column,)


@dataclass(frozen=True)
class Form:
    """The lines of one kind of row."""

    model: type
    title: str
    lines: tuple[FormField, ...]
    one: bool = False  # there is only one such row

    def __post_init__(self):
        lines = tuple(replace(line, table=self.model.__tablename__) for line in self.lines)
        object.__setattr__(self, "lines", lines)


UNITS = (("us", N_("acres, feet")), ("metric", N_("hectares, metres")))
YES_NO = ((True, N_("yes")), (False, N_("no")))
FORMS = {
    "farm": Form(Farm, N_("Farm"), (
        FormField("name", N_("Name"), needed=True),
        FormField("units", N_("Units"), "choice", UNITS),
        FormField("timezone", N_("Time zone"), "pick", tuple((zone, zone) for zone in ZONES), needed=True),
        FormField("fuel_price_per_l", N_("Fuel price"), "price"),
    ), one=True),
    "operators": Form(Operator, N_("Operators"), (
        FormField("name", N_("Name"), needed=True), FormField("phone", N_("Phone"), "digits"), FormField("rate_per_h", N_("Pay an hour"), "number"),
    )),
    "tractors": Form(Tractor, N_("Tractors"), (
        FormField("name", N_("Name"), needed=True), FormField("tank_l", N_("Tank"), "volume"),
        FormField("cost_per_h", N_("Cost an hour"), "number"),
    )),
    "tools": Form(Tool, N_("Tools"), (
        FormField("name", N_("Name"), needed=True), FormField("width_m", N_("Working width"), "length", needed=True),
        FormField("operation", N_("Work"), "choice", tuple((word, word) for word in OPERATIONS)),
        FormField("sections", N_("Sections, from the left"), "sections"),
        FormField("towed", N_("Towed"), "choice", YES_NO), FormField("grease_every_h", N_("Grease every, hours"), "number"),
    )),
    "hitchings": Form(Hitching, N_("Hitchings"), (
        FormField("tractor_id", N_("Tractor"), "pick", needed=True), FormField("tool_id", N_("Tool"), "pick", needed=True),
        FormField("antenna_to_hitch_m", N_("Antenna back to hitch"), "length"),
        FormField("hitch_to_line_m", N_("Hitch back to tool"), "length"),
        FormField("side_m", N_("Tool to the right by"), "length"),
        FormField("width_m", N_("Working width"), "length", needed=True),
    )),
    "fields": Form(Field, N_("Fields"), (
        FormField("name", N_("Name"), needed=True), FormField("boundary", N_("Boundary"), "boundary"), FormField("crop", N_("Crop")),
        FormField("target", N_("How often"), "choice", ((1, how_often(1)), (2, how_often(2)), (3, how_often(3)))),
        FormField("once_only", N_("Once only here"), "boundary"), FormField("gate", N_("Gate"), "place"),
    )),
}  # fmt: skip
TYPED = {"number", "length", "volume", "price"}
DEFAULTS = {"units": "us", "operation": "rolling", "towed": True, "target": 2}


def per_typed(kind: str, units) -> float:
    """Return SI in one typed unit.

    >>> from cabapp.common.units import Units
    >>> per_typed("length", Units("us"))
    0.3048
    """
    if kind in ("length", "sections"):
        return 1.0 / units.length_value(1.0)
    if kind == "volume":
        return 1.0 / units.volume_value(1.0)
    return units.volume_value(1.0) if kind == "price" else 1.0


def unit_of(kind: str, units) -> str:
    """Return the unit that stands behind a typed figure."""
    if kind == "price":
        return "/" + units.unit("volume")
    return units.unit("length" if kind == "sections" else kind) if kind in ("length", "volume", "sections") else ""


def value_of(line: FormField, typed: str, units, width: float | None = None):
    """Return what was typed as it is kept; None for nothing.

    `width`: the tool's, m, as the form says it; its sections are that together.

    Raises FormRefused: no figure, or one that cannot be.

    >>> from cabapp.common.units import Units
    >>> round(value_of(FORMS["tools"].lines[1], "42", Units("us")), 4)
    12.8016
    >>> value_of(FORMS["tools"].lines[1], "4200", Units("us"))
    Traceback (most recent call last):
    cabapp.screens.setup.form_fields.FormRefused: Working width: 4200 ft cannot be. Type 1.64 to 328 ft.
    """
    if not typed:
        return None
    if line.kind == "sections":
        if not width:
            raise FormRefused("Type the working width first.")
        return read_sections(typed, width, per_typed("length", units))
    if line.kind not in TYPED:
        if not fits(line.table, line.column, typed):
            raise FormRefused(
                "{field}: that cannot be. Type {words}.",
                field=Message(line.words),
                words=rule_of(line.table, line.column).words,
            )
        return typed
    factor, unit = per_typed(line.kind, units), unit_of(line.kind, units)
    try:
        value = float(typed) * factor
    except ValueError:
        raise FormRefused("{field}: {typed} is no figure.", field=Message(line.words), typed=typed) from None
    if not fits(line.table, line.column, value):
        least, most = limits(line.table, line.column)
        raise FormRefused(
            "{field}: {typed} cannot be. Type {least} to {most}.",
            field=Message(line.words), typed=f"{typed} {unit}".strip(),
            least=f"{least / factor:.3g}", most=f"{most / factor:,.0f} {unit}".strip(),
        )  # fmt: skip
    return value


def typed_of(line: FormField, value, units) -> str:
    """Return a kept value as it would be typed.

    >>> from cabapp.common.units import Units
    >>> typed_of(FORMS["tools"].lines[1], 12.8016, Units("us"))
    '42'
    """
    if value is None:
        return ""
    if line.kind in TYPED:
        return f"{value / per_typed(line.kind, units):.2f}".rstrip("0").rstrip(".")
    if line.kind == "sections":
        widths = [f"{one / per_typed(line.kind, units):.2f}".rstrip("0").rstrip(".") for one in widths_of(value)]
        return " ".join(widths) if len(set(widths)) > 1 else str(len(widths) or "")
    return str(value)


def refuse_incomplete(form: Form, values: dict) -> None:
    """Refuse a form that lacks something needed.

    Raises FormRefused: naming the first line that is empty.
    """
    for line in form.lines:
        if line.needed and values.get(line.column) in (None, ""):
            raise FormRefused("{field} is still empty.", field=Message(line.words))
