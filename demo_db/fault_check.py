"""Compares the count with the faults put into the scenario."""

import numpy as np
import shapely
from shapely.geometry import shape

from cabapp.counting.job_count import JobCount

CLEAR = 0.6
"""Ground nearer than this to the edge of a fault is left aside: the receiver is off by as much, m."""


def compare(expected: dict, count: JobCount) -> list[dict]:
    """Return each fault with ``found``, the share of its cells that the count agrees on.

    ``passes`` None is a lost position, to be marked unknown; above target, more passes agree too.
    """
    rows = []
    for fault in expected["planted"]:
        ground = shapely.transform(shape(fault["ground"]), lambda xy: count.plane.to_xy(xy[:, 1], xy[:, 0])).buffer(
            -CLEAR
        )
        west, south, east, north = ground.bounds
        x, y = np.meshgrid(np.arange(west, east, 0.5), np.arange(south, north, 0.5))
        inside = shapely.contains_xy(ground, x, y)
        places = np.column_stack([x[inside], y[inside]])
        counted, wanted = count.grid.at(places), fault["passes"]
        if wanted is None:
            hit = count.grid.look_up(count.grid.unknown, places)
        elif wanted > count.target:
            hit = counted >= wanted
        else:
            hit = counted == wanted
        rows.append({**{k: fault[k] for k in ("name", "passes", "area_m2")}, "found": float(hit.mean())})
    return rows
