"""Ground of which nobody knows whether it was covered: what the tool can have reached between two fixes too far apart. Pure."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from cabapp.counting.confidence import Confidence
from cabapp.geometry.arrays import Floats
from cabapp.track.logging_interval import Unknown

_ROUND = np.linspace(0, 2 * np.pi, 32, endpoint=False)


class UnknownGround:
    """What stints leave unknown.

    Parameters
    ----------
    stints : sequence of (sequence of Unknown, float)
        Of each its spans, and the width of its tool, m.

    Attributes
    ----------
    reach : shapely geometry
        Where the tool can have been, on the plane, m.
    missed : float
        Pass area that may have been worked there and is not counted, m2 at most.
    doubted : float
        Pass area that is counted and may lie elsewhere, m2 at most.
    """

    def __init__(self, stints: Sequence[tuple[Sequence[Unknown], float]]) -> None:
        self.missed = self.doubted = 0.0
        parts: list[shapely.Geometry] = []
        for spans, width in stints:
            if not spans:
                continue
            way, share, counted = np.array([(one.way, one.share, one.counted) for one in spans]).T
            _, chord, off = _ellipses(spans)
            astray = off > width / 2
            self.missed += float(np.where((counted > 0) & ~astray, 0.0, np.maximum(way, chord) * share * width).sum())
            self.doubted += float((chord * share * width)[(counted > 0) & astray].sum())
            parts += reaches(spans, width)
        self.reach: shapely.Geometry = shapely.union_all(parts)

    def widened(self, proof: Confidence, area: float, left: float) -> Confidence:
        """Return an interval with unknown ground as covered or not.

        `area` is the field's and `left` what of it is below target in reach, m2.
        """
        low, high = proof.low - self.doubted / area, proof.high + min(self.missed, left) / area
        return replace(proof, low=max(low, 0.0), high=min(high, 1.0))


def reaches(spans: Sequence[Unknown], width: float) -> list[shapely.Geometry]:
    """Return for each span where a tool of a width, m, can have been.

    Notes
    -----
    A way of length s between two places c apart stays in the ellipse with both as foci and the axes s and
    sqrt(s2 - c2), for that is where the distances from both add up to s at most.
    """
    if not spans:
        return []
    centre, chord, off = _ellipses(spans)
    ends = np.array([(one.start, one.finish) for one in spans])
    along = (ends[:, 1] - ends[:, 0]) / np.where(chord > 0, chord, 1.0)[:, None]
    along[chord == 0] = 1.0, 0.0
    across = np.column_stack([-along[:, 1], along[:, 0]])
    half = np.hypot(chord / 2, off)
    edge = (
        centre[:, None]
        + (half[:, None] * np.cos(_ROUND))[..., None] * along[:, None]
        + (off[:, None] * np.sin(_ROUND))[..., None] * across[:, None]
    )
    hulls = shapely.convex_hull(shapely.multipoints(edge))
    return list(shapely.buffer(hulls, width / 2, quad_segs=4))


def _ellipses(spans: Sequence[Unknown]) -> tuple[Floats, Floats, Floats]:
    """Return centres, (n, 2), the distances of the foci and the lengths of the half minor axes, m, (n,)."""
    ends = np.array([(one.start, one.finish) for one in spans], float)
    chord = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    way = np.array([one.way for one in spans])
    return ends.mean(axis=1), chord, np.sqrt(np.maximum(way**2 - chord**2, 0.0)) / 2
