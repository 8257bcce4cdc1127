"""Seeded ground not finished, and the seeder's rate: from its bundles, or from the operator's taps."""

import numpy as np
import shapely

from cabapp.counting.areas.work_direction import main_direction
from cabapp.counting.job_count import JobCount
from cabapp.jobs.pass_counts.assembler import assemble
from cabapp.jobs.records.stint_state import WORKING
from cabapp.session.advice.day_facts import SeederLead
from store import Store
from store.models import Field, Job, Tap

STEP = 2.0  # m between the places at which seeded and finished are compared
RATE_S = 3600.0
"""The seeder's pace is that of its last hour: filling, turning and waiting are in it."""
STALE_S = 2 * 3600.0
"""Older news of the seeder says nothing about now."""
APART_S = 600.0
"""Two taps nearer in time than this tell no pace: the second stands for the first set right."""


class FieldSamples:
    """The field as places a few metres apart, each with the passes it is to have.

    `count`: with a boundary.
    """

    def __init__(self, count: JobCount):
        self._count = count
        west, south, east, north = count.field.polygon.bounds
        x, y = np.meshgrid(np.arange(west, east, STEP), np.arange(south, north, STEP))
        places = np.column_stack([x.ravel(), y.ravel()])
        wanted = count.wanted(places)
        self.places, self._wanted = places[wanted > 0], wanted[wanted > 0]

    @property
    def plane(self):
        """The plane the places lie on."""
        return self._count.plane

    def short(self) -> np.ndarray:
        """Return what each place lacks of its passes, 0 to 1."""
        counts = self._count.grid.at(self.places)
        return np.maximum(self._wanted - counts.astype(int), 0) / self._wanted

    def across(self) -> np.ndarray:
        """Return the direction square to the passes, a unit vector.

        Before the first one they are taken to go along the field (common practice).
        """
        pieces = self._count.pieces()
        if not any(map(len, pieces)):
            box = shapely.minimum_rotated_rectangle(self._count.field.polygon)
            a, b, c = shapely.get_coordinates(box)[:3]
            short = b - a if np.hypot(*(b - a)) <= np.hypot(*(c - b)) else c - b
            return short / np.hypot(*short)
        way = main_direction(pieces)
        return np.array([-np.sin(way), np.cos(way)])


class SeederFromBundles:
    """Follows the seeding of the season on a field; ``look`` compares it with the count in hand.

    `field`: with a boundary.
    `job`: the job in hand, not a seeding.
    `ground`: of the job's count.
    """

    def __init__(self, store: Store, field: Field, job: Job, ground: FieldSamples):
        self._ground = ground
        jobs = store.all(Job, field_id=field.id, season=job.season, operation="seeding")
        seedings = [assembled for one in jobs if (assembled := assemble(store, one))]
        stints = [stint for one in seedings for stint in one.stints]
        pieces = [part for one in seedings for part in one.count.pieces() if len(part)]
        self._known = bool(pieces)
        if not pieces:
            return
        # what its tablet last told, which may be a bundle old
        self._stands = max(stints, key=lambda one: one.row.at).standing.state != WORKING
        # each count lies on a plane of its own
        lat, lon = ground.plane.to_latlon(ground.places)
        self._seeded = np.any([one.count.grid.at(one.count.plane.to_xy(lat, lon)) > 0 for one in seedings], axis=0)
        self._unseeded = float((~self._seeded).sum()) * STEP**2
        self._rate, self._at = _rate(pieces)

    def look(self, now: float) -> SeederLead | None:
        """Return how the seeder stands to us; None without news of the last two hours."""
        if not self._known or now - self._at > STALE_S:
            return None
        lead = float(self._ground.short()[self._seeded].sum()) * STEP**2
        rate = 0.0 if self._stands else self._rate
        return _gone_on(lead, self._unseeded, rate, self._at, now)


class SeederFromTaps:
    """The seeder as the operator tells of it: by a tap where it is, by its pace, or by both.

    `taps`: sequence of Tap: the stint's standing taps.
    """

    def __init__(self, ground: FieldSamples, taps):
        self._ground = ground
        self._places = [tap for tap in taps if tap.kind == "seeder" and tap.lat is not None]
        self._said: Tap | None = next((t for t in reversed(taps) if t.kind == "seeder_pace"), None)

    def look(self, now: float, here: tuple[float, float] | None = None) -> SeederLead | None:
        """Return how the seeder stands to us; None without a word on it in the last two hours.

        `now`: POSIX s.
        `here`: where we are, m on the plane: before the first pass, our side is the seeded one.

        Notes: Seeded is the ground on our side of a line through the seeder along the passes. Its pace is the one told,
        else the ground between its last two places, at least ten minutes apart, over the time between; with neither it
        is not known.
        """
        places = [tap for tap in self._places if 0 <= now - tap.at <= STALE_S]
        said = self._said if self._said and 0 <= now - self._said.at <= STALE_S else None
        told = (said.detail or {}) if said else {}
        if not places:
            return self._by_pace(said, told, now)
        way = self._toward(places[-1], here)
        if way is None:
            return None
        aside, marks = self._ground.places @ way, [float(self._xy(tap) @ way) for tap in places]
        rate = told.get("rate")
        if rate is None:
            rate = self._learnt(places, marks, aside)
        seeded = aside < marks[-1]
        lead = float(self._ground.short()[seeded].sum()) * STEP**2
        return _gone_on(lead, float((~seeded).sum()) * STEP**2, rate, places[-1].at, now)

    def _by_pace(self, said, told, now) -> SeederLead | None:
        seeded, rate = told.get("seeded"), told.get("rate")
        if seeded is None or rate is None:
            return None
        whole = len(self._ground.places) * STEP**2
        finished = whole - float(self._ground.short().sum()) * STEP**2
        done = min(whole, seeded)
        return _gone_on(max(0.0, done - finished), whole - done, rate, said.at, now)

    def _toward(self, tap, here) -> np.ndarray | None:
        """Return the direction across the passes that leads from our side to the seeder's."""
        across, begun = self._ground.across(), self._ground.short() < 1
        middle = self._ground.places[begun].mean(axis=0) if begun.any() else here
        if middle is None:
            return None
        toward = self._xy(tap) - np.asarray(middle)
        return across if float(toward @ across) >= 0 else -across

    def _xy(self, tap):
        return self._ground.plane.to_xy(tap.lat, tap.lon)[0]

    def _learnt(self, places, marks, aside) -> float | None:
        before = [(tap, mark) for tap, mark in zip(places, marks) if places[-1].at - tap.at >= APART_S]
        if not before:
            return None
        tap, mark = before[-1]
        between = float(((aside >= mark) & (aside < marks[-1])).sum()) * STEP**2
        return between / (places[-1].at - tap.at)


def _gone_on(lead, left, rate, at, now) -> SeederLead:
    """Return the seeder reckoned on from its last news at ``rate``, m2/s, None where not known."""
    since = min(left, max(0.0, now - at) * (rate or 0.0))
    return SeederLead(lead + since, rate, left - since, at)


def _rate(pieces) -> tuple[float, float]:
    """Return ground seeded a second in the last hour, m2/s, and the time of its last piece, POSIX s."""
    t = np.concatenate([part.t for part in pieces])
    quad = np.concatenate([part.quad for part in pieces])
    late = t > t.max() - RATE_S
    x, y = np.moveaxis(quad[late], 2, 0)
    twice = (x * np.roll(y, -1, 1) - np.roll(x, -1, 1) * y).sum(1)
    seconds = float(t.max() - t[late].min())
    return (float(np.abs(twice).sum()) / 2 / seconds if seconds > 0 else 0.0), float(t.max())
