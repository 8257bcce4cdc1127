"""When covering ground adds a pass: the one visit rule, for cells and for rows.

A piece adds a pass on ground that no piece of its visit has covered before. Its visit reaches back
`leave` of path from where it starts. A pass over ground that was seeded later is void.
"""

from collections.abc import Sequence
from typing import Any

import numpy as np

from cabapp.counting.visits.overlap_search import in_blocks
from cabapp.counting.visits.row_crossings import RowCrossings
from cabapp.counting.visits.row_intervals import Visits, uncovered
from cabapp.counting.visits.voiding import void_seeded
from cabapp.geometry.arrays import joined_columns
from cabapp.geometry.quad_rows import corners, turned
from cabapp.track.swept_ground import SweptPieces

NEVER = np.iinfo(np.int64).min // 2
"""Odometer, ticks, of ground that was not covered."""


def visit_start(s0: Any, leave: int) -> Any:
    """Return the odometer, ticks, from which the visit of pieces that start at `s0` reaches."""
    return s0 - leave


def is_new(covered: Any, s0: Any, leave: int) -> Any:
    """Return whether a piece that starts at `s0` adds a pass on ground last covered at `covered`.

    Both are odometers, ticks, numbers or arrays; `covered` is the end of the piece that covered it.

    >>> is_new(1000, 3000, 2000), is_new(999, 3000, 2000), is_new(NEVER, 0, 2000)
    (False, True, True)
    """
    return covered < visit_start(s0, leave)


def visits(pieces: SweptPieces, row: float, angle: float = 0.0) -> Visits:
    """Return row, start (m), end (m) and piece of intervals that each add one pass, in any order.

    Parameters
    ----------
    pieces : SweptPieces
        Of one stint.
    row : float
        Distance between rows, m.
    angle : float
        What the frame is turned by first, rad.
    """
    whole, some = np.zeros(0, np.int64), np.zeros(0)
    found = [(whole, some, some, whole)]
    for part, over in in_blocks(pieces, visit_start(pieces.s0, pieces.leave)):
        first = min(part.start, int(over.far.min(initial=part.start)))
        quad = pieces.quad[first : part.stop]
        quad = np.stack(turned(*corners(quad), angle)).T
        k, x0, x1, piece = uncovered(quad, row, over.busy - first, over.near - first, over.far - first)
        mine = piece >= part.start - first
        found.append((k[mine], x0[mine], x1[mine], piece[mine] + first))
    k, x0, x1, piece = joined_columns(found)
    return k, x0, x1, piece


def valid_visits(pieces: SweptPieces, seedings: Sequence[SweptPieces], row: float, angle: float = 0.0) -> Visits:
    """Return the `visits` of a stint that no later seeding voids.

    `seedings` are the pieces of all stints that seeded the field, on the same plane.
    """
    return void_seeded(visits(pieces, row, angle), pieces, [one.turned(angle) for one in seedings], row)


def crossings(pieces: SweptPieces, angle: float = 0.0) -> RowCrossings:
    """Return where the `visits` of one stint start and end on rows, in a frame turned by `angle`, rad."""
    return RowCrossings(pieces, visit_start(pieces.s0, pieces.leave), angle)
