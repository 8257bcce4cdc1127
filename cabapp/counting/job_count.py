"""One field's count, alive: earlier stints filled in, the present one painted as it goes."""

from array import array
from dataclasses import dataclass

import numpy as np
from shapely.geometry import shape

from cabapp.counting.areas.area_totals import AreaTotals, area_totals, count_rows
from cabapp.counting.confidence import Confidence, confidence_interval
from cabapp.counting.edge_error import EdgeErrors
from cabapp.counting.gaps import Gap, list_gaps, list_recovered
from cabapp.counting.grid import Grid, around
from cabapp.counting.look_ahead import Ahead, look_ahead
from cabapp.counting.spacing import PassSpacing, pass_spacing
from cabapp.counting.visits.visit_rule import valid_visits
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.plane import Plane
from cabapp.track.course import Course
from cabapp.track.pose import Pose
from cabapp.track.receiver_error import ReceiverError, judge, named
from cabapp.track.swath import MachineLimits, SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.usable_fixes import usable_fixes
from cabapp.track.work_switches import WorkSwitch

MARGIN = 40.0
MANY = 2000  # small arrays, after which they are joined: each costs more than what it holds
AT_ONCE = 500  # pieces, from which they are counted at once instead of painted


@dataclass(frozen=True)
class StintPath:
    """Usable fixes of a whole stint: t, shape (n,), POSIX s, and xy, shape (n, 2), m.

    ``unknown`` are the spans worked without a usable position, (begin, end, start, end of the way).
    """

    t: np.ndarray
    xy: np.ndarray
    unknown: list


class JobCount:
    """Pass counts of one job.

    Parameters
    ----------
    field_geojson : dict or None
        RFC 7946 Polygon or MultiPolygon; None or empty when no boundary is known.
    target : int
        Passes wanted.
    cell : float, optional
        m; by default 0.25 up to 150 ha, else 0.5.
    centre : tuple of float, optional
        Latitude and longitude, degrees, for the plane when there is no boundary.
    limits : MachineLimits
    once : dict, optional
        RFC 7946 geometry of the ground where one pass is enough.
    """

    def __init__(
        self, field_geojson, target=2, cell=None, centre=None, limits: MachineLimits = MachineLimits(), once=None
    ):
        if field_geojson is not None and shape(field_geojson).is_empty:
            field_geojson = None
        if field_geojson is None and centre is None:
            raise ValueError("either a boundary or a centre is needed to lay a plane")
        self.plane = Plane.of_field(field_geojson) if centre is None else Plane(*centre)
        self.target = target
        self.limits = limits
        self.field = None
        bounds = (-MARGIN, -MARGIN, MARGIN, MARGIN)
        if field_geojson is not None:
            self.field = FieldGround.from_geojson(field_geojson, self.plane, target, once)
            w, s, e, n = self.field.polygon.bounds
            bounds = (w - MARGIN, s - MARGIN, e + MARGIN, n + MARGIN)
        if cell is None:
            cell = 0.25 if self.field is not None and self.field.area <= 1.5e6 else 0.5
        self._bounds, self._cell = bounds, cell
        self._earlier: dict[str, tuple[float, ToolGeometry, SweptPieces]] = {}
        self._seedings: dict[str, SweptPieces] = {}
        self._receivers: dict[str, ReceiverError] = {}
        self._named: str | None = None  # class of the present stint's receiver
        self._said = _nothing_said()
        self._sweeper: SwathBuilder | None = None
        self._tool: ToolGeometry | None = None
        self._live: list[SweptPieces] = []
        self._course, self._pose = Course(), None
        self._key, self._start = "", 0.0
        self._marked = 0
        self._lay()

    def _lay(self):
        """Start from bare ground."""
        self.grid = Grid(self._bounds, self._cell)
        self._inside = None
        self._measure()

    # --- earlier stints ------------------------------------------------------------------------

    def add_stint(
        self, key, start, tool: ToolGeometry, t, lat, lon, sigma=None, switches=(), quality=None,
        receiver: str | None = None,
    ) -> StintPath:  # fmt: skip
        """Count a whole stint that is over; `key` names it, `start` is POSIX s.

        Stints may come in any order, each once: ValueError otherwise. `receiver` is a class
        in `receiver.KINDS`; without it the fixes tell how far off they are.
        """
        if key in self._earlier or key == self._key:
            raise ValueError(f"stint {key} is counted already")
        sweeper, pieces, path = self._whole(tool, t, lat, lon, sigma, switches, quality, start)
        self._earlier[key] = (start, tool, pieces)
        self._receivers[key] = named(receiver) if receiver else judge(t, sigma, None, quality)
        self.grid.add_stints([pieces], self._seedings.values())
        self._mark_unknown(sweeper, tool, 0)
        self._measure()
        return path

    def add_seeding(self, key, tool: ToolGeometry, t, lat, lon, sigma=None, switches=(), quality=None):
        """Tell what a stint seeded: passes made over that ground before are void.

        Comes before the stints it may void; ValueError otherwise.
        """
        if self._earlier or self._sweeper:
            raise ValueError("seeding must be told before the stints that are counted")
        if key not in self._seedings:
            whole = self._whole(tool, t, lat, lon, sigma, switches, quality)
            self._seedings[key] = whole[1]

    def _whole(self, tool, t, lat, lon, sigma, switches, quality, since=None):
        sweeper = SwathBuilder(tool, self.limits)
        t, xy, sigma = self._rows(t, lat, lon, sigma, quality, since)
        parts = [sweeper.feed(t, xy, switches, sigma), sweeper.finish()]
        return sweeper, SweptPieces.join(parts, sweeper.leave), StintPath(t, xy, sweeper.unknown)

    def _rows(self, t, lat, lon, sigma, quality, since):
        t, lat, lon = (np.atleast_1d(np.asarray(a, float)) for a in (t, lat, lon))
        keep = usable_fixes(t, lat, lon, quality, since).keep
        if sigma is not None:
            sigma = np.atleast_1d(np.asarray(sigma, float))[keep]
        return t[keep], self.plane.to_xy(lat[keep], lon[keep]), sigma

    # --- the present stint ---------------------------------------------------------------------

    def begin(self, key, start, tool: ToolGeometry, receiver: str | None = None) -> None:
        """Begin the present stint; `receiver` as in `add_stint`."""
        self.end()
        self._key, self._start, self._tool = key, start, tool
        self._named, self._said = receiver, _nothing_said()
        self._sweeper = SwathBuilder(tool, self.limits)
        self._live, self._marked = [], 0
        self._course, self._pose = Course(), None
        self.grid.begin(self._sweeper.leave, tool.width)

    def switch(self, switch: WorkSwitch) -> None:
        """Tell that the tool starts or stops working, or a wing goes up."""
        self._sweeper.switch(switch)
        self._pose = None

    def add_fixes(self, t, lat, lon, sigma=None, quality=None):
        """Take one fix, or arrays of them; return the changed rectangle of cells or None.

        Latitude or longitude None or NaN is no position, and covers nothing.
        """
        if lat is None or lon is None:
            return None
        sigma = None if sigma is None else np.atleast_1d(sigma)
        quality = None if quality is None else np.atleast_1d(quality)
        self._note_accuracy(np.atleast_1d(t), sigma, quality)
        t, xy, sigma = self._rows(t, lat, lon, sigma, quality, self._start)
        if len(t) == 0:
            return None
        self._course.feed(t, xy)
        self._pose = None
        return self._count(self._sweeper.feed(t, xy, sigma=sigma))

    def _note_accuracy(self, t, sigma, quality):
        """Keep what fixes say of their error, as plain numbers: a day has hundreds of thousands."""
        for kept, said, missing in zip(self._said, (t, sigma, quality), (np.nan, np.nan, -1)):
            kept.extend(np.full(len(t), missing) if said is None else np.asarray(said, float))

    def _count(self, pieces: SweptPieces):
        changed = self._mark_unknown(self._sweeper, self._tool, self._marked)
        self._marked = len(self._sweeper.unknown)
        if len(pieces):
            self._live.append(pieces)
            if len(self._live) > MANY:
                self._live = [SweptPieces.join(self._live, pieces.leave)]
            if len(pieces) >= AT_ONCE:
                self.grid.add_many(pieces)
                self._measure()
                return (0, 0, *self.grid.counts.shape[::-1])
            painted = self.grid.add_live(pieces, self._watch)
            changed = around(changed, painted)
        return changed

    def _mark_unknown(self, sweeper, tool, since):
        changed = None
        for _, _, start, end in sweeper.unknown[since:]:
            here = self.grid.mark_unknown(start, end, tool.width / 2)
            changed = around(changed, here)
        return changed

    def end(self) -> None:
        """End the present stint; it becomes one of the earlier ones."""
        if self._sweeper is None:
            return
        self._count(self._sweeper.finish())
        pieces = SweptPieces.join(self._live, self._sweeper.leave)
        self._earlier[self._key] = (self._start, self._tool, pieces)
        self._receivers[self._key] = self._receiver()
        self._sweeper, self._key, self._live, self._pose = None, "", [], None

    def rebuild(self, t, lat, lon, sigma=None, switches=(), quality=None) -> None:
        """Count the present stint anew from its whole trace, after a tap was undone or repaired."""
        key, start, tool, receiver = self._key, self._start, self._tool, self._named
        self._sweeper, self._key, self._pose = None, "", None
        self._lay()
        self.grid.add_stints([p for _, _, p in self._earlier.values()], self._seedings.values())
        self._measure()
        self.begin(key, start, tool, receiver)
        for one in switches:
            self.switch(one)
        if len(t):
            self.add_fixes(t, lat, lon, sigma, quality)

    # --- what is known -------------------------------------------------------------------------

    @property
    def pose(self) -> Pose | None:
        """Where tractor and tool are now; heading and curvature are those of the last seconds."""
        if self._pose is None and self._sweeper is not None:
            pose = self._sweeper.pose
            self._pose = pose and self._course.calm(pose)
        return self._pose

    @property
    def unknown_s(self) -> float:
        """Time the present stint worked without a trustworthy position, s."""
        return sum(b - a for a, b, _, _ in self._sweeper.unknown) if self._sweeper else 0.0

    def ahead(self, seconds: float) -> Ahead | None:
        """Return what lies in the tool's way for so many seconds, or None before it has moved."""
        pose = self._sweeper.pose if self._sweeper else None
        if pose is None:
            return None
        odometer, leave = self._sweeper.odometer, self._sweeper.leave

        def covered_now(places):
            return self.grid.recent(places, odometer, leave)

        pose = self._course.steady(pose)
        return look_ahead(self.grid, pose, seconds, self.wanted, covered_now)

    def pass_spacing(self, keys) -> PassSpacing:
        """Return how steadily the earlier stints of these keys were driven (one person's)."""
        mine = sorted((self._earlier[key] for key in keys if key in self._earlier), key=lambda e: e[0])
        aim = max((tool.width for _, tool, _ in mine), default=1.0) / self.target
        return pass_spacing([pieces for _, _, pieces in mine], aim)

    def areas(self) -> dict[str, float | None]:
        """Return areas in m2 at once, from cells: field, none, short, done, covered, pass_area
        and left_pass_area (passes still needed times ground); None where no boundary is known."""
        unit = self.grid.cell**2
        n = np.arange(256)
        cells = self._histogram.sum(axis=0)
        covered = float(cells[1:].sum()) * unit
        short = float(self._histogram[0, 1 : self.target].sum()) * unit
        out = {
            "field": None,
            "none": None,
            "short": short,
            "done": covered - short,
            "covered": covered,
            "pass_area": float((cells * n).sum()) * unit,
            "left_pass_area": None,
        }
        if self.field is not None:
            left = self._histogram[0] @ np.maximum(self.target - n, 0) + self._histogram[1, 0]
            out["field"] = self.field.area
            out["none"] = max(0.0, self.field.area - covered)
            out["left_pass_area"] = float(left) * unit
        return out

    def pieces(self) -> list[SweptPieces]:
        """Return the pieces of all stints, earlier ones by their start, the present one last."""
        earlier = sorted(self._earlier.items(), key=lambda kv: (kv[1][0], kv[0]))
        out = [pieces for _, (_, _, pieces) in earlier]
        if self._live:
            out.append(SweptPieces.join(self._live, self._sweeper.leave))
        return out

    def _width(self):
        tools = [tool for _, tool, _ in self._earlier.values()]
        tools += [self._tool] if self._tool else []
        return max((tool.width for tool in tools), default=0.0)

    def _rows_across(self):
        return count_rows(
            self.pieces(),
            self.field,
            edge=self._width() / 2,
            target=self.target,
            seedings=list(self._seedings.values()),
        )

    def area_totals(self) -> AreaTotals:
        """Return the exact areas; takes a fraction of a second on a big field."""
        return area_totals(
            self.pieces(),
            self.field,
            width=self._width(),
            target=self.target,
            seedings=list(self._seedings.values()),
        )

    def area_totals_in(self, part) -> AreaTotals:
        """Return the exact areas of the ground in a polygon on the plane, m, as if it were the field."""
        once = self.field.once if self.field is not None else None
        seedings = list(self._seedings.values())
        return area_totals(self.pieces(), FieldGround(part, self.target, once), seedings=seedings)

    def visits(self, row: float) -> tuple:
        """Return every pass that stands, along rows `row` m apart.

        Arrays of shape (n,): row k, whose middle is y = (k + 0.5) row; start and end x, m; when it
        began, POSIX s; and which of `pieces` it is from.
        """
        seedings = list(self._seedings.values())
        found = [(np.zeros(0, np.int64), *(np.zeros(0),) * 3, np.zeros(0, np.int64))]
        for n, one in enumerate(self.pieces()):
            if len(one):
                k, x0, x1, piece = valid_visits(one, seedings, row)
                found.append((k, x0, x1, one.t[piece], np.full(len(k), n)))
        return tuple(np.concatenate(column) for column in zip(*found))

    def gaps(self, sigma: float | None = None) -> list[Gap]:
        """Return the gaps, each with how sure it is; empty when no boundary is known.

        Parameters
        ----------
        sigma : float, optional
            Error of one pass's edge, m; by default what each stint's receiver tells.
        """
        if self.field is None:
            return []
        return list_gaps(self._rows_across(), self._edges() if sigma is None else sigma)

    def recovered(self) -> list[Gap]:
        """Return the larger strips above target, each with how sure it is."""
        return list_recovered(self._rows_across(), self._edges())

    def confidence(self) -> Confidence | None:
        """Return what share is covered to target, with a 90 % interval; None without a boundary.

        Takes about a second on a big field.
        """
        if self.field is None:
            return None
        seedings = list(self._seedings.values())
        return confidence_interval(self.pieces(), self.receivers(), self.field, seedings)

    def receivers(self) -> list[ReceiverError]:
        """Return how far off each stint's receiver is, in the order of `pieces`."""
        earlier = sorted(self._earlier.items(), key=lambda kv: (kv[1][0], kv[0]))
        out = [self._receivers[key] for key, _ in earlier]
        return [*out, self._receiver()] if self._live else out

    def _edges(self) -> EdgeErrors:
        return EdgeErrors(self.pieces(), self.receivers(), self.field)

    def _receiver(self) -> ReceiverError:
        """Return what the fixes of the present stint tell of their error."""
        if self._named:
            return named(self._named)

        t, sigma, quality = (np.array(kept) for kept in self._said)
        return judge(t, sigma, None, quality) if len(t) else judge([])

    # --- cells in the field, counted as they change --------------------------------------------

    def _measure(self):
        """Count all cells of the field by their passes; where one is enough apart."""
        self._find_inside()
        counts, inside = self.grid.counts, self._inside
        if inside is None:
            whole = np.bincount(counts.ravel(), minlength=256)
            self._histogram = np.stack([whole, np.zeros_like(whole)])
            return
        self._histogram = np.zeros((2, 256), np.int64)
        if not counts.any():
            self._histogram[:, 0] = [np.count_nonzero(inside == n) for n in (1, 2)]
            return
        kinds = (1, 2) if self.field.once is not None else (1,)
        for n in kinds:
            self._histogram[n - 1] = np.bincount(counts[inside == n], minlength=256)

    def _find_inside(self):
        """Lay out which cells are field: 1, and 2 where one pass is enough."""
        if self.field is None or (self._inside is not None and self._inside.shape == self.grid.counts.shape):
            return
        self._inside = self.grid.mask(self.field.polygon).astype(np.uint8)
        if self.field.once is not None:
            self._inside[(self._inside > 0) & self.grid.mask(self.field.once)] = 2

    def wanted(self, places) -> np.ndarray:
        """Return passes wanted at places, shape (n, 2), m; 0 outside the field."""
        if self.field is None:
            return np.full(len(places), self.target)
        self._find_inside()
        return np.array([0, self.target, 1])[self.grid.look_up(self._inside, places)]

    def _watch(self, box, before, new):
        self._find_inside()
        up = new & (before < 255)
        kinds = (1, 2) if self.field and self.field.once is not None else (1,)
        parts = [up & (self._inside[box] == n) for n in kinds] if self._inside is not None else [up]
        for n, part in enumerate(parts):
            moved = np.bincount(before[part], minlength=256)
            self._histogram[n] -= moved
            self._histogram[n, 1:] += moved[:-1]


def _nothing_said():
    """Return room for time, stated error and quality of the fixes of a stint."""
    return array("d"), array("d"), array("d")
