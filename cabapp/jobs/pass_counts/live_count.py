"""The pass count of the job in hand: earlier stints from the store, the present one live.

What is counted live is counted from the same numbers that are kept, so that a count made
again from the store is the same to the cell.
"""

from __future__ import annotations

import math

import numpy as np
import shapely

from cabapp.counting.job_count import JobCount
from cabapp.counting.live_spacing import KEPT
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.corrections import Corrections, told
from cabapp.position.fix import Fix
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch
from store import Store
from store.models import Field, Job, Stint, Tap


def as_kept(fix: Fix) -> Fix:
    """Return a fix as the store keeps it: to 1e-7 degree, 0.01 s and 1 cm.

    >>> as_kept(Fix(12.3456, 50.123456789, 10.0, sigma=0.034))
    Fix(t=12.35, lat=50.1234568, lon=10.0, sigma=0.03, quality=None, hdop=None)
    """
    lat, lon = fix.lat, fix.lon
    if fix.has_position:
        lat, lon = round(lat * 1e7) / 1e7, round(lon * 1e7) / 1e7
    sigma = None if fix.sigma is None else round(fix.sigma * 100) / 100
    return Fix(round(fix.t * 100) / 100, lat, lon, sigma, fix.quality, fix.hdop)


def tool_of(stint: Stint) -> ToolGeometry:
    """Return the hitching a stint was driven with."""
    return ToolGeometry(stint.width_m, stint.hitch_to_line_m, stint.antenna_to_hitch_m, stint.side_m)


def taps_of(store: Store, stint_id: str) -> list[Tap]:
    """Return a stint's taps in the order they were made."""
    return sorted(store.all(Tap, stint_id=stint_id), key=lambda tap: tap.seq)


class LiveCount:
    """The job's count with the present stint begun.

    Parameters
    ----------
    store : Store
    field : store.models.Field
    job : store.models.Job
    stint : store.models.Stint
        The present one.
    switches : sequence of WorkSwitch
        Of the present stint so far.
    centre : tuple of float or None
        Latitude and longitude, degrees, for a field without a boundary.

    Raises
    ------
    ValueError
        Neither a boundary nor a centre.
    """

    def __init__(self, store: Store, field: Field, job: Job, stint: Stint, switches, centre=None):
        self._store, self._stint = store, stint
        self.count = JobCount(field.boundary, job.target, centre=centre, once=field.once_only)
        self._edge = None
        if self.count.field is not None:
            self._edge = self.count.field.polygon.boundary
            shapely.prepare(self.count.field.polygon)
            shapely.prepare(self._edge)
        self._corrected = Corrections(store)  # the office's, so that cab and pages count alike
        if job.operation != "seeding":
            # passes made before the ground was seeded are void
            for seeded in store.all(Job, field_id=field.id, season=job.season, operation="seeding"):
                for one in store.all(Stint, job_id=seeded.id):
                    self.count.add_seeding(*self._whole(one, when=False))
        before = sorted(store.all(Stint, job_id=job.id), key=lambda s: (s.at, s.id))
        before = [earlier for earlier in before if earlier.id != stint.id]
        for earlier in before:
            self.count.add_stint(*self._whole(earlier))
        own = [one.id for one in before if one.operator_id == stint.operator_id]
        hers = self.count.pass_spacing(own)
        # spread of her laps on this field before, m, and of how many pairs
        self.lapped_before = (hers.sigma, min(len(hers.spacings), KEPT))
        self.count.begin(stint.id, stint.at, tool_of(stint))
        self._switches: tuple[WorkSwitch, ...] = ()
        self._newest = -math.inf
        self.again(switches)

    def _whole(self, stint: Stint, when: bool = True) -> tuple:
        """Return what the count is told of a whole stint; seedings are told without their start."""
        trace, stint = self._store.read_trace(stint.id), self._corrected.apply(stint)
        stood = stint_state.stint_state(stint.at, told(taps_of(self._store, stint.id), self._corrected))
        start = (stint.at,) if when else ()
        return (
            stint.id, *start, tool_of(stint), trace.t, trace.lat, trace.lon,
            trace.sigma, stood.switches, trace.quality,
        )  # fmt: skip

    def again(self, switches) -> None:
        """Count the present stint anew from what the store holds of it."""
        trace = self._store.read_trace(self._stint.id)
        self.count.rebuild(trace.t, trace.lat, trace.lon, trace.sigma, switches, trace.quality)
        self._switches = tuple(switches)

    def follow(self, switches) -> bool:
        """Take the switches as they stand now; return whether that asks for ``again``.

        A switch added at the end is simply passed on; anything else changes the past.
        """
        known = len(self._switches)
        if tuple(switches[:known]) != self._switches:
            return True
        if any(switch.t < self._newest for switch in switches[known:]):
            return True
        for switch in switches[known:]:
            self.count.switch(switch)
        self._switches = tuple(switches)
        return False

    def take(self, fixes: list[Fix]):
        """Count fixes; return the changed rectangle of cells, or None."""
        if not fixes:
            return None
        nan = math.nan
        columns = [
            (
                fix.t,
                nan if fix.lat is None else fix.lat,
                nan if fix.lon is None else fix.lon,
                nan if fix.sigma is None else fix.sigma,
                -1 if fix.quality is None else fix.quality,
            )
            for fix in fixes
        ]
        t, lat, lon, sigma, quality = np.array(columns, float).T
        self._newest = max(self._newest, float(t.max()))
        return self.count.add_fixes(t, lat, lon, sigma, quality.astype(int))

    def in_field(self, x, y):
        """Return whether places, m on the plane, lie in the field; None without boundary."""
        if self.count.field is None:
            return None
        return shapely.contains_xy(self.count.field.polygon, x, y)

    def edge_ahead(self, x: float, y: float, heading: float, reach: float) -> float | None:
        """Return how far the field's edge lies straight ahead, m; None when beyond ``reach``."""
        if self._edge is None:
            return None
        end = (x + reach * math.cos(heading), y + reach * math.sin(heading))
        met = shapely.intersection(self._edge, shapely.LineString([(x, y), end]))
        return None if met.is_empty else float(shapely.distance(met, shapely.Point(x, y)))
