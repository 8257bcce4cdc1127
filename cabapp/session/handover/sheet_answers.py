"""What only the outgoing operator can say for the hand-over sheet, and how it joins the sheet.

Nothing is typed: each question has a few answers, and none is an answer too. What was said stands
on the sheet under ``told``: for each point, phrases in plain English.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from cabapp.session.state.view import HandOverSheet


@dataclass(frozen=True, slots=True)
class Asked:
    """One question: the point of the sheet it belongs to, its name, and what can be answered."""

    point: str
    name: str
    answers: tuple[str, ...]


ASKED = (
    Asked("state", "Why", ("it is wet", "stones", "the crop shows", "the machine", "the weather", "out of time")),
    Asked("odd", "Headland", ("headland done", "headland not done", "headland once only")),
    Asked("odd", "Round obstacles", ("rings round obstacles done", "rings round obstacles not done")),
    Asked("machine", "Fuel left", (
        "tank full", "tank three quarters full", "tank half full", "tank a quarter full", "tank nearly empty",
    )),
    Asked("machine", "Look at", ("a hose leaks", "a wing is slow", "a tyre is soft", "there is a noise", "all is well")),
)  # fmt: skip
"""The oddities a hand-over in the field is asked about (trade notes: state and why, headland, rings
round obstacles, fuel left, leaking hose, slow wing, tyre)."""

RECEIVER, SEEDER_DRIVER = "Who receives", "Who drives the seeder"
"""Questions whose answers are the farm's people."""


def drives_the_seeder(name: str, phone: str | None) -> str:
    """Return the phrase for whoever drives the seeder.

    >>> drives_the_seeder("Tam", "555 0101"), drives_the_seeder("Tam", None)
    ('Tam drives the seeder, phone 555 0101', 'Tam drives the seeder')
    """
    return f"{name} drives the seeder, phone {phone}" if phone else f"{name} drives the seeder"


def left_for(name: str) -> str:
    """Return the phrase for whom the field is left for.

    >>> left_for("Tam")
    'left for Tam'
    """
    return f"left for {name}"


def told_by_the_day(lines: tuple[tuple[str, str], ...]) -> dict[str, list[str]]:
    """Return what the day's lines say of machine and seeder, by point of the sheet.

    >>> told_by_the_day((("Rain", "10:31"), ("Fuel", "for about 61 ac twice")))
    {'machine': ['Fuel: for about 61 ac twice']}
    """
    points = {"Fuel": "machine", "Grease": "machine", "Seeder": "seeder"}
    told: dict[str, list[str]] = {}
    for name, said in lines:
        if name in points:
            told.setdefault(points[name], []).append(f"{name}: {said.rstrip('.')}")
    return told


def with_answers(prepared: HandOverSheet, told: dict[str, list[str]]) -> HandOverSheet:
    """Return the sheet with what was said added to what the log knows."""
    known = prepared.sheet.get("told", {})
    both = {point: [*known.get(point, ()), *told.get(point, ())] for point in (*known, *told)}
    return replace(prepared, sheet=prepared.sheet | {"told": both}) if both else prepared
