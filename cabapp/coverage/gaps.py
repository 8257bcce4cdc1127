"""Ground below target inside the field: where, how wide, and whether the receiver can tell."""

from dataclasses import dataclass

import numpy as np
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.stats import norm

from cabapp.coverage.field import Field
from cabapp.coverage.pieces import Pieces
from cabapp.coverage.tally import Rows, lay_rows

SURE, MAYBE = 0.95, 0.75


@dataclass(frozen=True)
class Gap:
    """One connected piece of ground below target.

    Attributes
    ----------
    kind : str
        "none": never covered; "short": covered, too few times.
    area, width, length : float
        m2, m, m; the width is the area over the length of the narrowest rectangle around it.
    certainty : str
        "sure", "maybe" or "cannot tell".
    x, y : float
        A place in its middle, m on the plane.
    ring : ndarray, shape (4, 2)
        Corners of that rectangle, m.
    edge : bool
        It lies in the strip along the field's edge that half-laps leave short.
    """

    kind: str
    area: float
    width: float
    length: float
    certainty: str
    x: float
    y: float
    ring: np.ndarray
    edge: bool


def certainty(width: float, sigma: float) -> str:
    """Return how sure a gap `width` m wide is, its two edges each off by sigma m (1 sigma).

    P(real) = Phi(width / (sigma sqrt 2)): the difference of two equal normal errors.

    >>> certainty(2.33, 1.0), certainty(1.0, 1.0), certainty(0.5, 1.0)
    ('sure', 'maybe', 'cannot tell')
    """
    if sigma < 0:
        raise ValueError(f"an error cannot be {sigma} m")
    chance = 1.0 if sigma == 0 else float(norm.cdf(width / (sigma * np.sqrt(2))))
    return "sure" if chance >= SURE else "maybe" if chance >= MAYBE else "cannot tell"


def find_gaps(
    stints: list[Pieces],
    field: Field,
    sigma: float,
    width: float,
    row: float = 0.5,
    least_area: float = 10.0,
    least_width: float = 0.3,
) -> list[Gap]:
    """Return the gaps of a field, `none` before `short`, largest first.

    Parameters
    ----------
    stints : list of Pieces
    field : Field
    sigma : float
        Error of one pass's edge against the next, m.
    width : float
        Tool's, m.
    row : float
        m.
    least_area, least_width : float
        Smaller ones are left out of the list (never out of the areas), m2 and m.
    """
    return list_gaps(
        lay_rows(stints, field, row, edge=width / 2), sigma, least_area, least_width
    )


def list_gaps(
    rows: Rows, sigma: float, least_area: float = 10.0, least_width: float = 0.3
) -> list[Gap]:
    """Return the gaps among stretches of rows; see `find_gaps`."""
    out = []
    none = rows.inside & (rows.count == 0)
    short = rows.inside & (rows.count > 0) & (rows.count < rows.want)
    for kind, mask, edge in (
        ("none", none, False),
        ("short", short & rows.inner, False),
        ("short", short & ~rows.inner, True),
    ):
        out += _components(rows, mask, kind, edge, sigma, least_area, least_width)
    return sorted(out, key=lambda g: (g.edge, g.kind != "none", -g.area))


def _components(rows, mask, kind, edge, sigma, least_area, least_width):
    k, x0, x1 = _merged(rows.k[mask], rows.x0[mask], rows.x1[mask])
    if len(k) == 0:
        return []
    label = _label(k, x0, x1)
    area = np.bincount(label, weights=(x1 - x0) * rows.row)
    turn = np.array([[np.cos(rows.angle), -np.sin(rows.angle)], [np.sin(rows.angle), np.cos(rows.angle)]])
    order = np.argsort(label, kind="stable")
    starts = np.searchsorted(label[order], np.arange(len(area)))
    ends = np.append(starts[1:], len(order))
    gaps = []
    for n in np.flatnonzero(area >= least_area):
        mine = order[starts[n] : ends[n]]
        y = (k[mine] + 0.5) * rows.row
        half = rows.row / 2
        corners = np.concatenate(
            [np.column_stack([x, y + d]) for x in (x0[mine], x1[mine]) for d in (-half, half)]
        )
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapely.MultiPoint(corners)))
        sides = np.hypot(*np.diff(box, axis=0).T)
        length = float(sides.max())
        wide = float(area[n]) / length
        if wide < least_width:
            continue
        # a place inside: the middle of the stretch nearest to the middle of the area
        weight = np.cumsum(x1[mine] - x0[mine])
        centre = mine[np.searchsorted(weight, weight[-1] / 2)]
        place = np.array([(x0[centre] + x1[centre]) / 2, (k[centre] + 0.5) * rows.row]) @ turn
        gaps.append(
            Gap(
                kind,
                float(area[n]),
                wide,
                length,
                certainty(wide, sigma),
                float(place[0]),
                float(place[1]),
                box[:4] @ turn,
                edge,
            )
        )
    return gaps


def _merged(k, x0, x1):
    """Join stretches of one row that touch."""
    if len(k) == 0:
        return k, x0, x1
    fresh = np.concatenate([[True], (k[1:] != k[:-1]) | (x0[1:] > x1[:-1])])
    first = np.flatnonzero(fresh)
    return k[first], x0[first], np.maximum.reduceat(x1, first)


def _label(k, x0, x1):
    """Return a component number for each stretch; they join where they overlap in the next row."""
    base = x0.min() - 1
    span = x1.max() - base + 1
    start, end = k * span + (x0 - base), k * span + (x1 - base)
    low = np.searchsorted(end, (k - 1) * span + (x0 - base), side="right")
    high = np.searchsorted(start, (k - 1) * span + (x1 - base), side="left")
    count = np.maximum(high - low, 0)
    a = np.repeat(np.arange(len(k)), count)
    b = np.arange(len(a)) - (np.cumsum(count) - count)[a] + low[a]
    graph = coo_matrix((np.ones(len(a), bool), (a, b)), shape=(len(k), len(k)))
    return connected_components(graph, directed=False)[1]
