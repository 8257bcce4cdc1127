"""Choices at take-over and the hitching question."""

import shapely
from shapely.geometry import shape
from sqlalchemy import select

from cabapp.common.message import N_, Message, message
from cabapp.common.quantities import ClockTime, Length
from cabapp.geometry.plane import Plane
from cabapp.jobs.fields.field_priority import shares_noted
from cabapp.jobs.fields.season_history import crop_clock
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import in_order, order_of
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.new_stint import hitching_of
from cabapp.jobs.records.pending_handovers import pending_handovers
from cabapp.jobs.records.stint_reader import last_stint, open_elsewhere
from cabapp.jobs.records.tap_log import taps_of_kind
from cabapp.planning.emergence import DAY
from cabapp.position.boundaries.boundary_judge import is_odd, kept_boundary
from cabapp.session.state.view import Choice, Choices, FieldChoice
from store import Store
from store.models import Field, HandOver, HandOverReceipt, Job, Operator, Peer, Stint, Tool, Tractor

CAUTIONS = (
    message("Positions are approximate. Not for steering, and not a safety device."),
    message("Watch where you are going. Obstacles not marked are not known."),
    message("Stop before using lists. Brake on, engine off and key out before leaving the seat."),
)

HITCHING_CHECKS = N_({
    (True, False): "Check the hitching: {tractor} with {tool} for the first time. "
                   "No distances are written down for this pair, width {width}.",
    (False, False): "Check the hitching: {tractor} with {tool} after another tractor. "
                    "No distances are written down for this pair, width {width}.",
    (True, True): "Check the hitching: {tractor} with {tool} for the first time. "
                  "Antenna to hitch {hitch}, hitch to tool {line}, width {width}.",
    (False, True): "Check the hitching: {tractor} with {tool} after another tractor. "
                   "Antenna to hitch {hitch}, hitch to tool {line}, width {width}.",
})  # fmt: skip
"""By whether the pair is new, and whether its distances are written down."""


def choices(store: Store, farm: FarmSettings, now: float, here) -> Choices:
    """Return what can be chosen; ``here`` is (lat, lon), or (None, None) when not known."""
    others = open_elsewhere(store, now - DAY)
    return Choices(
        operators=_choices(store, Operator, {one.operator_id: one for one in others}),
        tractors=_choices(store, Tractor, {one.tractor_id: one for one in others}),
        tools=tuple(Choice(t.id, t.name) for t in store.all(Tool)),
        fields=_fields(store, farm.local(now).year, here, now),
        last=_last(store),
        cautions=() if _cautioned(store, farm, now) else CAUTIONS,
        hand_overs=tuple(pending_handovers(store)),
    )


def _choices(store: Store, kind: type[Operator] | type[Tractor], elsewhere: dict[str, Stint]) -> tuple[Choice, ...]:
    """Return the choices of a kind; `elsewhere` are open stints of other tablets by who or what is in them."""
    with store.session() as session:
        names = dict(session.execute(select(Peer.device, Peer.name)).all()) if elsewhere else {}
    return tuple(
        Choice(row.id, row.name, _elsewhere(row.name, elsewhere[row.id], names) if row.id in elsewhere else None)
        for row in store.all(kind)
    )


def _elsewhere(name: str, stint: Stint, names: dict[str, str]) -> Message:
    return message(
        "{name} is still in a stint on {tablet}, begun at {time}. Finish it there, or those hours count twice.",
        name=name, tablet=names.get(stint.device, stint.device[:8]), time=ClockTime(stint.at),
    )  # fmt: skip


def _fields(store, season, here, now):
    shares = shares_noted(store, season, "share_done")
    plane = None if here[0] is None else Plane(*here)
    found = [
        FieldChoice(
            f.id,
            f.name,
            f.crop,
            f.target,
            _metres(f, plane),
            shares.get(f.id),
            crop_clock(store, f, season, now)[0],
            is_odd(f.boundary),
        )
        for f in store.all(Field)
    ]
    unknown = float("inf")
    return tuple(sorted(found, key=lambda f: (unknown if f.metres is None else f.metres, f.name)))


def _metres(field, plane) -> float | None:
    """Return how far a field lies from the plane's origin, m; 0 inside it."""
    boundary = kept_boundary(field.boundary)
    if plane is None or boundary is None:
        return None
    on_plane = shapely.transform(shape(boundary), lambda ll: plane.to_xy(ll[:, 1], ll[:, 0]))
    return float(shapely.distance(on_plane, shapely.Point(0, 0)))


def _last(store) -> tuple[str, str, str, str] | None:
    """Return "same as last time" on this tablet; after a hand-over its receiver is the operator."""
    stint = last_stint(store)
    if stint is None:
        return None
    operator = stint.operator_id
    for hand_over in store.all(HandOver, stint_id=stint.id):
        for receipt in store.all(HandOverReceipt, hand_over_id=hand_over.id):
            operator = receipt.operator_id if receipt.agreed else operator
    return operator, stint.tractor_id, stint.tool_id, store.get(Job, stint.job_id).field_id


def last_work(store: Store, now: float) -> float | None:
    """Return when the newest stint of the logbook was taken over, POSIX s, if more than a day after now; else None."""
    corrections = Corrections(store)
    newest = max((corrections.apply(stint).at for stint in corrections.standing(store.all(Stint))), default=now)
    return newest if newest - now > DAY else None


def _cautioned(store, farm, now) -> bool:
    today = farm.local(now).date()
    return any(
        tap.device == store.device and farm.local(tap.at).date() == today for tap in taps_of_kind(store, "caution")
    )


def hitching_question(store: Store, stint: Stint) -> Message | None:
    """Return why the hitching wants a check before this stint's work, or None.

    A pair that never worked together, or whose tool was last pulled by another tractor: the
    distances may not be what they were.
    """
    before = [s for s in store.all(Stint, tool_id=stint.tool_id) if s.id != stint.id]
    before = [s for s in in_order(before) if order_of(s) < order_of(stint)]
    pair_is_new = all(s.tractor_id != stint.tractor_id for s in before)
    if before and before[-1].tractor_id == stint.tractor_id:
        return None
    values = {
        "tractor": store.get(Tractor, stint.tractor_id).name, "tool": store.get(Tool, stint.tool_id).name,
        "width": Length(stint.width_m),
    }  # fmt: skip
    known = hitching_of(store, stint.tractor_id, stint.tool_id) is not None
    if known:
        values |= {"hitch": Length(stint.antenna_to_hitch_m), "line": Length(stint.hitch_to_line_m)}
    return Message(HITCHING_CHECKS[pair_is_new, known], values)
