"""The error of the distance between the two edges of a strip, by who made them and when. Pure."""

from collections.abc import Iterator, Sequence

import numpy as np
import shapely

from cabapp.geometry.arrays import Floats, Ints
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.receiver_error import ReceiverError, spread
from cabapp.track.swept_ground import SweptPieces

REACH = 1.0
"""m. An edge is made by the swept piece nearest to it, no farther than this."""
COARSE = 16.0
BLOCK = 1 << 14
"""Pieces looked at together."""


class EdgeErrors:
    """The edges of all swept ground, and of the field.

    Parameters
    ----------
    stints : sequence of SweptPieces
    receivers : sequence of ReceiverError
        One for each stint.
    field : FieldGround or None

    Attributes
    ----------
    length : float
        Of all passes together, m: so long are the edges at which a gap could show by mere error.

    Notes
    -----
    The field's outline is taken to be as far off as the absolute error of the receiver that made the
    other edge, and independent of it.
    """

    def __init__(
        self, stints: Sequence[SweptPieces], receivers: Sequence[ReceiverError], field: FieldGround | None = None
    ) -> None:
        if len(stints) != len(receivers):
            raise ValueError(f"{len(stints)} stints but {len(receivers)} receivers")
        self.receivers = receivers
        self.field = field
        self._stints = stints
        self._begins = np.cumsum([0, *(len(one) for one in stints)])
        along = [(q[:, 2] + q[:, 3] - q[:, 0] - q[:, 1]) / 2 for q in self._quads()]
        self.length = float(np.concatenate([np.zeros(0), *(np.hypot(way[:, 0], way[:, 1]) for way in along)]).sum())

    def _quads(self) -> Iterator[Floats]:
        """Yield the corners of all pieces, some at a time."""
        for one in self._stints:
            for start in range(0, len(one), BLOCK):
                yield one.quad[start : start + BLOCK]

    def distance_error(self, one: Floats, other: Floats) -> Floats:
        """Return the standard deviation of the distance between edges at pairs of places, m.

        Parameters
        ----------
        one, other : ndarray, shape (n, 2)
            A place on each edge, m.
        """
        n = len(one)
        if n == 0:
            return np.zeros(0)
        piece = self._nearest(np.concatenate([one, other]))
        found = piece >= 0
        stint, t = np.full(2 * n, -1), np.zeros(2 * n)
        stint[found] = np.searchsorted(self._begins, piece[found], side="right") - 1
        for k, pieces in enumerate(self._stints):
            mine = stint == k
            t[mine] = pieces.t[piece[mine] - self._begins[k]]
        relative, absolute = np.zeros(2 * n), np.zeros(2 * n)
        for k, receiver in enumerate(self.receivers):
            mine = stint == k
            relative[mine], absolute[mine] = receiver.at(t[mine])
        # an edge that no pass made: the outline
        worst = max((float(r.absolute.max()) for r in self.receivers), default=0.0)
        partner = np.concatenate([np.arange(n, 2 * n), np.arange(n)])
        outline = np.where(found[partner], absolute[partner], worst)
        relative, absolute = (np.where(found, e, outline) for e in (relative, absolute))
        same = (stint[:n] == stint[n:]) & found[:n] & found[n:]
        return spread((relative[:n], absolute[:n]), (relative[n:], absolute[n:]), same, t[:n] - t[n:])

    def _nearest(self, places: Floats) -> Ints:
        """Return the piece whose outline runs nearest to each place, -1 where the field's does."""
        out = np.full(len(places), -1)
        near, points = self._near(places), shapely.points(places)
        nearest = np.full(len(places), np.inf)
        for start in range(0, len(near), BLOCK):
            some = near[start : start + BLOCK]
            parts = np.split(some, np.searchsorted(some, self._begins[1:-1]))
            quads = [one.quad[which - begin] for one, which, begin in zip(self._stints, parts, self._begins)]
            tree = shapely.STRtree(shapely.linearrings(np.concatenate(quads)))
            (row, which), far = tree.query_nearest(points, max_distance=REACH, return_distance=True, all_matches=False)
            nearer = far < nearest[row]
            row = row[nearer]
            out[row], nearest[row] = some[which[nearer]], far[nearer]
        row = np.flatnonzero(out >= 0)
        if len(row) and self.field is not None:
            outline = shapely.boundary(self.field.polygon)
            shapely.prepare(outline)
            nearer = shapely.distance(outline, points[row]) < nearest[row] - 1e-3
            out[row[nearer]] = -1
        return out

    def _near(self, places: Floats) -> Ints:
        """Return the pieces in the same coarse cells as the places, so that no tree holds all."""
        if self._begins[-1] == 0:
            return np.zeros(0, np.int64)
        low, high, half = places.min(axis=0), places.max(axis=0), 0.0
        for quad in self._quads():
            middle = quad.mean(axis=1)
            low, high = np.minimum(low, middle.min(axis=0)), np.maximum(high, middle.max(axis=0))
            half = max(half, float(np.hypot(*(quad - middle[:, None]).transpose(2, 0, 1)).max()))
        cell = max(COARSE, half + REACH)
        shape = ((high - low) // cell).astype(np.int64) + 3
        at = ((places - low) // cell).astype(np.int64) + 1
        if shape.prod() > 4e7:
            return np.arange(self._begins[-1])
        busy = np.zeros(shape, bool)
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                busy[at[:, 0] + dx, at[:, 1] + dy] = True
        here = (((quad.mean(axis=1) - low) // cell).astype(np.int64) + 1 for quad in self._quads())
        return np.flatnonzero(np.concatenate([busy[cells[:, 0], cells[:, 1]] for cells in here]))
