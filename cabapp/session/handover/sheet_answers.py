"""Questions only the outgoing operator can answer, and how the answers join the sheet.

Nothing is typed: each question has a few answers, and none is an answer too. What was said stands
on the sheet under ``told``: messages for each point.
"""

from dataclasses import dataclass, replace

from cabapp.common.message import N_, Message, message
from cabapp.jobs.records.pending_handovers import kept
from cabapp.session.state.view import HandOverSheet


@dataclass(frozen=True, slots=True)
class Asked:
    """One question: the point of the sheet it belongs to, its name, and what can be answered."""

    point: str
    name: str
    answers: tuple[str, ...]


ASKED = (
    Asked("state", *N_(("Why", (
        "it is wet", "stones", "the crop shows", "the machine", "the weather", "out of time",
    )))),
    Asked("odd", *N_(("Headland", ("headland done", "headland not done", "headland once only")))),
    Asked("odd", *N_(("Round obstacles", ("rings round obstacles done", "rings round obstacles not done")))),
    Asked("machine", *N_(("Fuel left", (
        "tank full", "tank three quarters full", "tank half full", "tank a quarter full", "tank nearly empty",
    )))),
    Asked("machine", *N_(("Look at", (
        "a hose leaks", "a wing is slow", "a tyre is soft", "there is a noise", "all is well",
    )))),
)  # fmt: skip
"""The oddities a hand-over in the field is asked about (trade notes: state and why, headland, rings
round obstacles, fuel left, leaking hose, slow wing, tyre)."""

RECEIVER, SEEDER_DRIVER = N_(("Who receives", "Who drives the seeder"))
"""Questions whose answers are the farm's people."""


def drives_the_seeder(name: str, phone: str | None) -> Message:
    """Return who drives the seeder.

    >>> str(drives_the_seeder("Tam", "555 0101")), str(drives_the_seeder("Tam", None))
    ('Tam drives the seeder, phone 555 0101', 'Tam drives the seeder')
    """
    if phone:
        return message("{name} drives the seeder, phone {phone}", name=name, phone=phone)
    return message("{name} drives the seeder", name=name)


def left_for(name: str) -> Message:
    """Return for whom the field is left."""
    return message("left for {name}", name=name)


def told_by_the_day(lines: tuple[tuple[str, Message], ...]) -> dict[str, list[Message]]:
    """Return what the day's lines say of machine and seeder, by point of the sheet.

    >>> told = told_by_the_day((("Rain", message("due")), ("Grease", message("due"))))
    >>> {point: [str(one) for one in said] for point, said in told.items()}
    {'machine': ['Grease: due']}
    """
    points = {"Fuel": "machine", "Grease": "machine", "Seeder": "seeder"}
    told: dict[str, list[Message]] = {}
    for name, line in lines:
        if name in points:
            said = message("{name}: {line}", name=Message(name), line=line)
            told.setdefault(points[name], []).append(said)
    return told


def with_answers(prepared: HandOverSheet, told: dict[str, list[Message]]) -> HandOverSheet:
    """Return the sheet with what was said added to what the log knows."""
    known = prepared.sheet.get("told", {})
    both = {point: [*known.get(point, ()), *kept(told.get(point, ()))] for point in (*known, *told)}
    return replace(prepared, sheet=prepared.sheet | {"told": both}) if both else prepared
