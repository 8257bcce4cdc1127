"""Figures noted at stop, finish and hand-over."""

from typing import Any

from cabapp.common.shares import fraction
from cabapp.session.state.open_stint import OpenStint


def stop_summary(stint: OpenStint) -> dict[str, Any]:
    """Return what the end of work notes for the list of fields and the operator's next stint.

    Returns: each where it is known: "share_done", of the field at target; "share_left", of the passes it lacks; "paces"
        of the operator in this stint, m2 of passes a second.
    """
    areas, noted = stint.areas(), dict[str, Any]()
    if areas.get("field"):
        wanted = areas["field"] * stint.job.target
        noted = {
            "share_done": round(fraction(areas["done"], areas["field"]), 4),
            "share_left": round(fraction(areas["left_pass_area"], wanted), 4),
        }
    paces = [round(float(one), 2) for one in stint.paces()]
    return noted | ({"paces": paces} if paces else {})
