"""Ground of which a recording cannot say whether it was covered: between fixes too far apart in time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from cabapp.common.message import Message, message
from cabapp.counting.confidence import Confidence
from cabapp.counting.gaps import Gap
from cabapp.counting.job_count import StintPath
from cabapp.jobs.records.work_intervals import Spans
from cabapp.track.logging_interval import SLOWEST, break_limit, logging_interval

TYPICAL = 90
"""Percentile of the speeds between fixes that counts as that of work: turns only seem slower."""


class UnknownGround:
    """What stints leave unknown: how far it may reach, m on the plane, and how much it may change, m2.

    Attributes
    ----------
    reach : shapely geometry
        Where the tool can have been between the fixes of spans that are not known.
    missed : float
        Pass area that may have been worked there and is not counted, m2 at most.
    doubted : float
        Pass area that is counted and may lie elsewhere, m2 at most.

    Notes
    -----
    Between two places c apart, a way of length s leaves their line by at most sqrt(s2 - c2) / 2 (an ellipse with
    both as foci). The way is the time times the speed of work.
    """

    def __init__(self, stints: Iterable[tuple[StintPath, Spans]], width: float) -> None:
        self.missed = self.doubted = 0.0
        parts = []
        for path, spans in stints:
            way, chord, ends, counted = _lost(path, spans)
            off = np.sqrt(np.maximum(way**2 - chord**2, 0.0)) / 2
            astray = off > width / 2
            self.missed += float(np.where(counted & ~astray, 0.0, np.maximum(way, chord) * width).sum())
            self.doubted += float((chord * width)[counted & astray].sum())
            parts += shapely.buffer(shapely.linestrings(ends), width / 2 + off, quad_segs=4).tolist()
        self.reach: BaseGeometry = shapely.union_all(parts) if parts else shapely.Polygon()

    def widened(self, proof: Confidence, area: float) -> Confidence:
        """Return the interval with unknown ground as covered or not; `area` of the field, m2."""
        low, high = proof.low - self.doubted / area, proof.high + self.missed / area
        return replace(proof, low=max(low, 0.0), high=min(high, 1.0))

    def marked(self, gaps: list[Gap]) -> list[Gap]:
        """Return gaps, those in reach as what cannot be told: "unknown" instead of "none"."""
        within = shapely.contains_xy(self.reach, [gap.x for gap in gaps], [gap.y for gap in gaps])
        return [
            replace(gap, kind="unknown" if gap.kind == "none" else gap.kind, certainty="cannot tell") if there else gap
            for gap, there in zip(gaps, np.atleast_1d(within), strict=True)
        ]


def too_seldom(path: StintPath) -> Message | None:
    """Return what to say of a stint whose fixes are too far apart in time to count passes; None of any other."""
    interval = logging_interval(path.t)
    if not interval or round(interval) <= SLOWEST:
        return None
    return message(
        "One fix each {interval} s is too seldom to count passes: where it went between two fixes is a guess, and "
        "unknown in a turn or in more than {limit} s. Let the logger write a fix each 15 s or oftener.",
        interval=f"{interval:.0f}", limit=f"{break_limit(interval):g}",
    )  # fmt: skip


def _lost(path: StintPath, spans: Spans) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return of unknown spans the way driven and the straight one, m, their ends, (n, 2, 2), and which are counted."""
    begin, end = (np.array([one[n] for one in path.unknown], float) for n in (0, 1))
    ends = np.array([one[2:] for one in path.unknown], float).reshape(-1, 2, 2)
    step = np.diff(path.t)
    length = np.hypot(*np.diff(path.xy, axis=0).T)
    moving = step > 0
    speed = float(np.percentile(length[moving] / step[moving], TYPICAL)) if moving.any() else 0.0
    time, counted = end - begin, np.zeros(len(begin), bool)
    if too_seldom(path) is not None:
        works = np.zeros(len(step), bool)
        for a, b in spans:
            works |= (path.t[:-1] < b) & (path.t[1:] > a)
        works &= step <= break_limit(logging_interval(path.t))
        time, counted = np.append(time, step[works]), np.append(counted, np.ones(works.sum(), bool))
        ends = np.concatenate([ends, np.stack([path.xy[:-1], path.xy[1:]], axis=1)[works]])
    return time * speed, np.hypot(*(ends[:, 1] - ends[:, 0]).T), ends, counted
