"""Checks each kind of tap and completes its row; writes nothing.

What a kind takes stands in ``cabapp.jobs.records.tap_kinds``. A kind whose detail is more than what was
given names one of ``COMPLETIONS``.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from cabapp.jobs.records.stint_state import undoable
from cabapp.jobs.records.tap_kinds import TAP_KINDS, TapRefused
from cabapp.planning.emergence import DAY
from cabapp.session.state.open_stint import OpenStint
from store.models import Fact, FuelEntry, Mark

Detail = dict[str, Any]
Here = tuple[float | None, float | None]
HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class TapRow:
    """One tap as it is to be written: ``rows`` go before it, and its detail names the last one's id; ``effects`` follow once it is durable."""

    kind: str
    at: float
    detail: Detail | None = None
    lat: float | None = None
    lon: float | None = None
    reason: str | None = None
    rows: tuple[Fact, ...] = ()
    effects: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Asked:
    """A tap to be completed: its checked detail, when and where it was made."""

    stint: OpenStint
    at: float
    lat: float | None
    lon: float | None
    detail: Detail


def tap_row(
    name: str, stint: OpenStint, at: float, here: Here, given: Detail, reason: str | None = None, summary: Detail | None = None
) -> TapRow:  # fmt: skip
    """Return the row of a tap.

    `name`: a kind in ``TAP_KINDS``.
    `here`: latitude and longitude of the tablet, degrees.
    `given`: what the tap was given: values of its kind, and ``lat`` and ``lon`` for a kind with a place.
    `summary`: figures noted at the end of work.
    Raises TapRefused: something is lacking or out of bounds.
    Raises TypeError: a value this kind does not take.
    """
    kind = TAP_KINDS[name]
    if kind.needs_place:
        here = given.get("lat", here[0]), given.get("lon", here[1])
        given = {key: value for key, value in given.items() if key not in ("lat", "lon")}
        if here[0] is None:
            raise TapRefused(kind.needs_place)
    detail, rows = kind.check(given), []
    if kind.completion:
        detail, *rows = COMPLETIONS[kind.completion](_Asked(stint, at, here[0], here[1], detail))
    return TapRow(name, at, (detail | (summary or {})) or None, here[0], here[1], reason, tuple(rows), kind.effects)


def _question_since(asked: _Asked) -> tuple[Detail]:
    since = asked.stint.question_since
    if since is None:
        raise TapRefused("That question does not stand any more.")
    return ({"from": round(since, 6)},)


def _only_told(asked: _Asked) -> tuple[Detail]:
    return ({name: value for name, value in asked.detail.items() if value is not None},)


def _part_of_tool(asked: _Asked) -> tuple[Detail]:
    number = len(asked.stint.tool.sections)
    if len(asked.detail["on"]) != number:
        raise TapRefused("The tool has {number} sections. Say of each whether it works.", number=number)
    return (asked.detail,)


def _mark_row(asked: _Asked) -> tuple[Detail, Mark]:
    # without a position it is still worth a line in the log
    stint, kind = asked.stint, asked.detail["kind"]
    row = Mark(
        field_id=stint.field.id, stint_id=stint.stint.id, kind=kind,
        lat=asked.lat, lon=asked.lon, at=asked.at, note=asked.detail["note"],
    )  # fmt: skip
    return {"kind": kind}, row


def _fuel_row(asked: _Asked) -> tuple[Detail, FuelEntry]:
    stint, litres, price = asked.stint, asked.detail["litres"], asked.detail["price_per_l"]
    row = FuelEntry(
        tractor_id=stint.stint.tractor_id, stint_id=stint.stint.id, at=asked.at,
        litres=litres, price_per_l=stint.farm.fuel_price if price is None else price,
    )  # fmt: skip
    return {"litres": litres}, row


def _rain_time(asked: _Asked) -> tuple[Detail]:
    hours = asked.detail["hours"]
    return ({"at": None if hours is None else asked.at + hours * HOUR},)


def _seeding_time(asked: _Asked) -> tuple[Detail]:
    return ({"at": asked.at - asked.detail["days_ago"] * DAY},)


def _something_to_silence(asked: _Asked) -> tuple[Detail]:
    if not asked.stint.can_silence:
        raise TapRefused("There is no warning to silence.")
    return ({},)


def _undone_tap(asked: _Asked) -> tuple[Detail]:
    tap = undoable(asked.stint.taps, asked.at)
    if tap is None:
        raise TapRefused("Nothing to undo: a tap can be taken back for 10 seconds.")
    return ({"tap": tap.id},)


COMPLETIONS: dict[str, Callable[[_Asked], tuple[Any, ...]]] = {
    "question_since": _question_since,
    "only_told": _only_told,
    "part_of_tool": _part_of_tool,
    "mark_row": _mark_row,
    "fuel_row": _fuel_row,
    "rain_time": _rain_time,
    "seeding_time": _seeding_time,
    "something_to_silence": _something_to_silence,
    "undone_tap": _undone_tap,
}
"""Functions that return a kind's detail, and the rows it writes besides; ``TapKind.completion`` names them."""
