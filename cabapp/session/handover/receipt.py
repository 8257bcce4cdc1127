"""Accepts or refuses the place the incoming operator pointed at."""

import numpy as np

from cabapp.common.message import message
from cabapp.common.quantities import Distance
from cabapp.geometry.plane import Plane
from cabapp.jobs.records.pending_handovers import pending_handovers
from cabapp.jobs.records.stint_state import TapRefused
from cabapp.session.state.view import Received
from store import Store
from store.models import HandOver, HandOverReceipt, Operator, Stint

NEAR_M = 10.0


def metres_apart(lat0, lon0, lat1, lon1) -> float:
    """Return the distance between two places, m.

    >>> round(metres_apart(50.0, 10.0, 50.0001, 10.0), 1)
    11.1
    """
    return float(np.hypot(*Plane(lat0, lon0).to_xy(lat1, lon1)[0]))


def within(metres_off: float, width: float) -> bool:
    """Return whether the receiver pointed at the right place: 10 m, or half a wide tool.

    >>> within(9.9, 6.0), within(10.1, 6.0), within(13.0, 30.0)
    (True, False, True)
    """
    return metres_off <= max(NEAR_M, width / 2)


def receive(store: Store, at: float, hand_over_id: str, operator_id: str, lat, lon) -> Received:
    """Write where the receiver pointed; the right place closes the sheet.

    `lat`, `lon`: float or None: degrees; None only where the sheet has no place to point at.
    Raises TapRefused: the hand-over is not waiting, or nothing was pointed at; nothing is then written.
    """
    if all(one.id != hand_over_id for one in pending_handovers(store)):
        raise TapRefused("That hand-over is closed already, or is not in this logbook.")
    if store.get(Operator, operator_id) is None:
        raise TapRefused("That operator is not in this logbook. Choose another.")
    given = store.get(HandOver, hand_over_id)
    off, agreed = None, True
    if given.next_lat is not None:
        if lat is None or lon is None:
            raise TapRefused("Point at the place on the map where the next pass begins.")
        off = metres_apart(given.next_lat, given.next_lon, lat, lon)
        agreed = within(off, store.get(Stint, given.stint_id).width_m)
    store.add(
        HandOverReceipt(
            hand_over_id=hand_over_id, operator_id=operator_id, at=at,
            pointed_lat=lat, pointed_lon=lon, metres_off=off, agreed=agreed,
        )
    )  # fmt: skip
    if agreed:
        return Received(True, off, message("Agreed. The hand-over is closed."))
    said = message(
        "That is {distance} from the place on the sheet. Look at it together and point again.", distance=Distance(off)
    )
    return Received(False, off, said)
