"""The seeder ahead, as its own tablet's bundles tell: seeded ground waiting, and how fast it grows."""

from __future__ import annotations

import numpy as np

from cabapp.coverage.job import JobCount
from cabapp.session import rules
from cabapp.session.count import taps_of, tool_of
from cabapp.session.known import Pursuit
from store import Store
from store.models import Field, Job, Stint

STEP = 2.0  # m between the places at which seeded and finished are compared
RATE_S = 3600.0
"""The seeder's pace is that of its last hour: filling, turning and waiting are in it."""
STALE_S = 2 * 3600.0
"""Older news of the seeder says nothing about now."""


class SeederAhead:
    """Follows the seeding of the season on a field; ``look`` compares it with the count in hand.

    Parameters
    ----------
    store : Store
    field : store.models.Field
        With a boundary.
    job : store.models.Job
        The job in hand, not a seeding.
    count : JobCount
        Its count.
    """

    def __init__(self, store: Store, field: Field, job: Job, count: JobCount):
        self._count, self._seeding = count, None
        jobs = store.all(Job, field_id=field.id, season=job.season, operation="seeding")
        stints = [stint for one in jobs for stint in store.all(Stint, job_id=one.id)]
        if field.boundary is None or not stints:
            return
        self._seeding = JobCount(field.boundary, target=1)
        for stint in stints:
            trace = store.read_trace(stint.id)
            stood = rules.standing(stint.at, taps_of(store, stint.id))
            self._seeding.add_stint(
                stint.id, stint.at, tool_of(stint), trace.t, trace.lat, trace.lon,
                trace.sigma, stood.switches, trace.quality,
            )  # fmt: skip
        # what its tablet last told, which may be a bundle old
        last = max(stints, key=lambda one: one.at)
        self._stands = rules.standing(last.at, taps_of(store, last.id)).state != rules.WORKING
        self._lay()

    def _lay(self):
        pieces = [part for part in self._seeding.pieces() if len(part)]
        if not pieces:
            self._seeding = None
            return
        west, south, east, north = self._count.field.polygon.bounds
        x, y = np.meshgrid(np.arange(west, east, STEP), np.arange(south, north, STEP))
        places = np.column_stack([x.ravel(), y.ravel()])
        wanted = self._count.wanted(places)
        places, wanted = places[wanted > 0], wanted[wanted > 0]
        # the two counts lie on planes of their own
        lat, lon = self._count.plane.to_latlon(places)
        seeded = self._seeding.grid.at(self._seeding.plane.to_xy(lat, lon)) > 0
        self._places, self._wanted = places[seeded], wanted[seeded]
        self._unseeded = float((~seeded).sum()) * STEP**2
        self._rate, self._at = _rate(pieces)

    def look(self, now: float) -> Pursuit | None:
        """Return how the seeder stands to us; None without news of the last two hours."""
        if self._seeding is None or now - self._at > STALE_S:
            return None
        counts = self._count.grid.at(self._places)
        short = np.maximum(self._wanted - counts.astype(int), 0) / self._wanted
        lead, left = float(short.sum()) * STEP**2, self._unseeded
        if self._stands:
            return Pursuit(lead, 0.0, left, self._at)
        since = min(left, max(0.0, now - self._at) * self._rate)
        return Pursuit(lead + since, self._rate, left - since, self._at)


def _rate(pieces) -> tuple[float, float]:
    """Return ground seeded a second in the last hour, m2/s, and when it was last heard of."""
    t = np.concatenate([part.t for part in pieces])
    quad = np.concatenate([part.quad for part in pieces])
    late = t > t.max() - RATE_S
    x, y = np.moveaxis(quad[late], 2, 0)
    twice = (x * np.roll(y, -1, 1) - np.roll(x, -1, 1) * y).sum(1)
    seconds = float(t.max() - t[late].min())
    return (float(np.abs(twice).sum()) / 2 / seconds if seconds > 0 else 0.0), float(t.max())
