"""The current stint's fixes counted on top of the assembled count of the job.

Live fixes are counted from the numbers that are kept, so a count rebuilt from the store is equal to the cell.
"""

from __future__ import annotations

import math

import shapely

from cabapp.common.message import Message
from cabapp.counting.live_spacing import KEPT
from cabapp.jobs.pass_counts.assembler import AssembledJob
from cabapp.jobs.pass_counts.nothing_counted import driven, why_nothing
from cabapp.jobs.records.stint_reader import tool_of
from cabapp.position.fix import Fix, fix_columns
from cabapp.track.work_switches import WorkSwitch
from store import Store
from store.models import Stint


class LiveCount:
    """The job's count with the current stint begun.

    Parameters
    ----------
    store : Store
    stint : store.models.Stint
        The current one.
    earlier : AssembledJob
        The job without it.
    switches : sequence of WorkSwitch
        Of the current stint so far.

    Attributes
    ----------
    lapped_before : tuple of (float or None, int)
        Spread of the operator's pass spacing on this field before, m, and of how many pairs.
    settled : bool
        Whether the plane stays: it lies on the boundary, or where work began.
    """

    def __init__(self, store: Store, stint: Stint, earlier: AssembledJob, switches: tuple[WorkSwitch, ...]):
        self._store, self._stint = store, stint
        self.count, self.settled = earlier.count, earlier.settled
        self._edge = None
        if self.count.field is not None:
            self._edge = self.count.field.polygon.boundary
            shapely.prepare(self.count.field.polygon)
            shapely.prepare(self._edge)
        own = [one.row.id for one in earlier.stints if one.row.operator_id == stint.operator_id]
        spacing = self.count.pass_spacing(own)
        self.lapped_before = (spacing.sigma, min(len(spacing.spacings), KEPT))
        self.count.begin(stint.id, stint.at, tool_of(stint))
        self._newest = -math.inf
        self.rebuild(switches)

    def rebuild(self, switches: tuple[WorkSwitch, ...]) -> None:
        """Count the current stint again from the store."""
        trace = self._store.read_trace(self._stint.id)
        self.count.rebuild(trace.t, trace.lat, trace.lon, trace.sigma, switches, trace.quality, trace.hdop)
        self._switches = tuple(switches)

    def update_switches(self, switches: tuple[WorkSwitch, ...]) -> bool:
        """Pass on switches added at the end; return whether ``rebuild`` is needed for others."""
        known = len(self._switches)
        added = switches[known:]
        if tuple(switches[:known]) != self._switches or any(switch.t < self._newest for switch in added):
            return True
        for switch in added:
            self.count.switch(switch)
        self._switches = tuple(switches)
        return False

    def add_fixes(self, fixes: list[Fix]) -> tuple[int, int, int, int] | None:
        """Count fixes; return the changed rectangle of cells, or None."""
        if not fixes:
            return None
        t, lat, lon, sigma, quality, hdop = fix_columns(fixes)
        self._newest = max(self._newest, float(t.max()))
        return self.count.add_fixes(t, lat, lon, sigma, quality, hdop)

    @property
    def away(self) -> float | None:
        """How far from the field the newest fix lies where it is not counted, m; see `JobCount.away`."""
        return self.count.away

    def why_nothing(self, worked: bool) -> Message | None:
        """Return why the stint has covered no ground of the field, or none at all; None where it has, or did not move."""
        path = self.count.path
        if path is None or self.count.covered_now():
            return None
        return why_nothing([driven(path, self.count.field)], worked)

    def in_field(self, x: float, y: float) -> bool | None:
        """Return whether a place, m on the plane, lies in the field; None without boundary."""
        if self.count.field is None:
            return None
        return bool(shapely.contains_xy(self.count.field.polygon, x, y))

    def edge_ahead(self, x: float, y: float, heading: float, reach: float) -> float | None:
        """Return the distance to the field's edge straight ahead, m; None beyond ``reach``."""
        if self._edge is None:
            return None
        end = (x + reach * math.cos(heading), y + reach * math.sin(heading))
        met = shapely.intersection(self._edge, shapely.LineString([(x, y), end]))
        return None if met.is_empty else float(shapely.distance(met, shapely.Point(x, y)))
