"""One job's pass count: whole stints, and the present one counted as it goes."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from math import nan
from typing import Any, NamedTuple

import numpy as np
import shapely
from numpy.typing import ArrayLike
from shapely.geometry import shape

from cabapp.counting.areas.area_totals import AreaTotals, area_totals
from cabapp.counting.areas.strips_amiss import StripsAmiss, strips_amiss
from cabapp.counting.cell_totals import CellTotals
from cabapp.counting.confidence import Confidence, confidence_interval
from cabapp.counting.edge_error import EdgeErrors
from cabapp.counting.gaps import LEAST_AREA, LEAST_WIDTH, Gap, list_gaps, list_recovered
from cabapp.counting.grid import Cells, Grid, around
from cabapp.counting.live_stint import LiveStint
from cabapp.counting.look_ahead import Ahead, look_ahead
from cabapp.counting.spacing import PassSpacing, pass_spacing
from cabapp.counting.unknown_ground import UnknownGround, reaches
from cabapp.counting.visits.visit_rule import valid_visits
from cabapp.geometry.arrays import Bools, Floats, GeoJson, Ints
from cabapp.geometry.counted_ground import NEAR_M, CountedGround, cell_of, joined
from cabapp.geometry.field_ground import GRID, FieldGround, polygons_of
from cabapp.geometry.plane import Plane
from cabapp.track.fixes.white_noise import first_noise
from cabapp.track.logging_interval import Unknown, logging_interval
from cabapp.track.pose import Pose
from cabapp.track.receiver_error import ReceiverError, judge
from cabapp.track.swath import MachineLimits, SwathBuilder, leavings
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.usable_fixes import is_flawless, usable_fixes
from cabapp.track.work_switches import WorkSwitch

MARGIN = 40.0  # m of grid around the field
FAR = "far from the field"
AT_ONCE = 500  # pieces, from which they are counted in bulk


class _Stint(NamedTuple):
    """A stint that is over: POSIX s of its start, tool, pieces, receiver and spans without a position."""

    start: float
    tool: ToolGeometry
    pieces: SweptPieces
    receiver: ReceiverError
    unknown: list[Unknown]


class _Rows(NamedTuple):
    """Usable fixes: time, s, place, m, error, m, whether each is on counted ground, HDOP and quality."""

    t: Floats
    xy: Floats
    sigma: Floats | None
    near: Bools
    stated: list[Floats | None]


class StintPath(NamedTuple):
    """Usable fixes of a whole stint: times, shape (n,), POSIX s, and places, (n, 2), m.

    `unknown` are the spans worked without a usable position. `used` of the fixes
    were accepted, on a way of `length` m; `rejected` says how many were not, by reason.
    """

    t: Floats
    xy: Floats
    unknown: list[Unknown]
    used: int
    length: float
    rejected: dict[str, int]

    @property
    def lost(self) -> list[tuple[float, float]]:
        """The spans worked without a usable position, POSIX s."""
        return [(one.begin, one.end) for one in self.unknown if not one.counted]


class JobCount:
    """Pass counts of one job.

    Parameters
    ----------
    field_geojson : dict or None
        RFC 7946 Polygon or MultiPolygon; None or empty when no boundary is known.
    target : int
        Passes wanted.
    cell : float, optional
        m; by default 0.25 up to 150 ha, else 0.5; doubled while the grid would hold more than `MOST_CELLS`.
    centre : tuple of float, optional
        Latitude and longitude, degrees, for the plane when there is no boundary.
    limits : MachineLimits
    once : dict, optional
        RFC 7946 geometry of the ground where one pass is enough.

    Raises
    ------
    ValueError
        Neither a boundary nor a centre.
    """

    def __init__(
        self,
        field_geojson: GeoJson | None,
        target: int = 2,
        cell: float | None = None,
        centre: tuple[float, float] | None = None,
        limits: MachineLimits = MachineLimits(),
        once: GeoJson | None = None,
    ) -> None:
        if field_geojson is not None and shape(field_geojson).is_empty:
            field_geojson = None
        if centre is not None:
            self.plane = Plane(*centre)
        elif field_geojson is not None:
            self.plane = Plane.of_field(field_geojson)
        else:
            raise ValueError("either a boundary or a centre is needed to lay a plane")
        self.target = target
        self.limits = limits
        self.field: FieldGround | None = None
        self._bounds = (-MARGIN, -MARGIN, MARGIN, MARGIN)
        if field_geojson is not None:
            self.field = FieldGround.from_geojson(field_geojson, self.plane, target, once)
            w, s, e, n = self.field.polygon.bounds
            self._bounds = (w - MARGIN, s - MARGIN, e + MARGIN, n + MARGIN)
        small = self.field is not None and self.field.area <= 1.5e6
        self.ground = CountedGround(self.field.polygon if self.field else None)
        self._extent = self._bounds
        if self.field is not None:  # the grid grows so far at most
            self._extent = joined(self._bounds, [(w - NEAR_M, s - NEAR_M), (e + NEAR_M, n + NEAR_M)])
        self._cell = cell_of(self._extent, cell if cell is not None else 0.25 if small else 0.5)
        self._earlier: dict[str, _Stint] = {}
        self._seedings: dict[str, SweptPieces] = {}
        self._stint: LiveStint | None = None
        self._cells: tuple[Grid, CellTotals] | None = None
        self._unknown: tuple[list[tuple[Sequence[Unknown], float]], UnknownGround] = ([], UnknownGround([]))

    @property
    def grid(self) -> Grid:
        """Cells of the ground, laid when they are first asked for: exact figures need none."""
        return self._laid()[0]

    @property
    def _totals(self) -> CellTotals:
        return self._laid()[1]

    def _laid(self) -> tuple[Grid, CellTotals]:
        """Return the cells, laid with all earlier stints if there are none yet."""
        if self._cells is None:
            grid = Grid(self._bounds, self._cell)
            self._cells = grid, CellTotals(grid, self.field, self.target)
            self._paint(list(self._earlier.values()))
        return self._cells

    def _paint(self, stints: list[_Stint]) -> None:
        self.grid.add_stints([one.pieces for one in stints], self._sown)
        for one in stints:
            self._mark_unknown(one.unknown, one.tool)
        self._totals.measure()

    # --- earlier stints ------------------------------------------------------------------------

    def add_stint(
        self, key: str, start: float, tool: ToolGeometry, t: ArrayLike, lat: ArrayLike, lon: ArrayLike,
        sigma: ArrayLike | None = None, switches: Iterable[WorkSwitch] = (), quality: ArrayLike | None = None,
        hdop: ArrayLike | None = None, receiver: ReceiverError | None = None, told: Iterable[tuple[float, float]] = (),
    ) -> StintPath:  # fmt: skip
        """Count a whole stint that is over; `key` names it, `start` is POSIX s.

        `receiver` is how far off it is where somebody says so; by default the fixes do. Of the spans `told`, POSIX s,
        another stint tells where the same machine went: nothing is unknown then.
        Stints may come in any order, each once: ValueError otherwise.
        """
        if key in self._earlier or (self._stint and key == self._stint.key):
            raise ValueError(f"stint {key} is counted already")
        pieces, path, stated = self._whole(tool, t, lat, lon, sigma, switches, quality, hdop, start)
        unknown = [one for one in path.unknown if not _within(one, told)]
        self._earlier[key] = stint = _Stint(start, tool, pieces, receiver or stated, unknown)
        if self._widen(pieces, unknown):
            self._recount()
        elif self._cells is not None:
            self._paint([stint])
        return path._replace(unknown=[one for one in unknown if not one.counted])

    def leave_out(self, key: str) -> None:
        """Take back a whole stint that was counted."""
        del self._earlier[key]
        self._recount()

    def _widen(self, pieces: SweptPieces, unknown: list[Unknown]) -> bool:
        """Note where ground was counted; return whether the cells became larger for it."""
        before = self._extent
        if len(pieces):
            west, south, east, north = pieces.bounds
            self._extent = joined(self._extent, [(west, south), (east, north)])
        self._extent = joined(self._extent, [place for one in unknown for place in (one.start, one.finish)])
        if self._extent == before:
            return False
        cell, self._cell = self._cell, cell_of(self._extent, self._cell)
        return self._cell > cell

    def _recount(self) -> None:
        """Count all stints, the present one too, in a grid laid anew; where none was laid, it will be."""
        if self._cells is None:
            return
        self._bare()
        if self._stint is not None:
            builder = self._stint.builder
            self.grid.begin(builder.leave, builder.tool.width)
            self.grid.add_many(self._stint.pieces())
            self._mark_unknown(builder.unknown, builder.tool)
            self._totals.measure()

    def add_seeding(
        self, key: str, tool: ToolGeometry, t: ArrayLike, lat: ArrayLike, lon: ArrayLike,
        sigma: ArrayLike | None = None, switches: Iterable[WorkSwitch] = (), quality: ArrayLike | None = None,
        hdop: ArrayLike | None = None,
    ) -> None:  # fmt: skip
        """Add what a stint seeded: passes made over that ground before are void.

        ValueError after a stint was added or begun, for it may be void.
        """
        if self._earlier or self._stint:
            raise ValueError("seeding must be told before the stints that are counted")
        if key not in self._seedings:
            self._seedings[key] = self._whole(tool, t, lat, lon, sigma, switches, quality, hdop)[0]

    def _whole(
        self, tool: ToolGeometry, t: ArrayLike, lat: ArrayLike, lon: ArrayLike, sigma: ArrayLike | None,
        switches: Iterable[WorkSwitch], quality: ArrayLike | None, hdop: ArrayLike | None, since: float | None = None,
    ) -> tuple[SweptPieces, StintPath, ReceiverError]:  # fmt: skip
        reasons, rows = self._rows(t, lat, lon, sigma, hdop, quality, since)
        near = slice(None) if rows.near.all() else rows.near
        t, xy = rows.t[near], rows.xy[near]
        rules = self.limits.at_interval(logging_interval(rows.t)).with_noise(first_noise(t, xy))
        builder = SwathBuilder(tool, rules)
        builder.leave_ground(rows.t[leavings(rows.near)])
        error = None if rows.sigma is None else rows.sigma[near]
        pieces = builder.feed(t, xy, switches, error, last=True)
        path = _path(rows.t, rows.xy, rows.near, builder, reasons)
        return pieces, path, judge(rows.t, rows.sigma, *rows.stated, xy=rows.xy)

    def _rows(
        self, t: ArrayLike, lat: ArrayLike, lon: ArrayLike, sigma: ArrayLike | None, hdop: ArrayLike | None,
        quality: ArrayLike | None, since: float | None,
    ) -> tuple[dict[str, int], _Rows]:  # fmt: skip
        """Return how many fixes cannot be used, by reason, and the columns of the others."""
        times, north, east = (np.atleast_1d(np.asarray(a, float)) for a in (t, lat, lon))
        keep, reasons = usable_fixes(times, north, east, quality, since)
        some = keep if reasons else slice(None)
        error, *stated = (
            None if a is None else np.atleast_1d(np.asarray(a, float))[some] for a in (sigma, hdop, quality)
        )
        xy = self.plane.to_xy(north[some], east[some])
        return reasons, _Rows(times[some], xy, error, self.ground.near(xy), stated)

    # --- the present stint ---------------------------------------------------------------------

    def begin(self, key: str, start: float, tool: ToolGeometry) -> None:
        """Begin the present stint, after ending the one before; `start` is POSIX s."""
        self.end()
        self._stint = LiveStint(key, start, tool, self.limits)
        self.grid.begin(self._stint.builder.leave, tool.width)

    @property
    def _present(self) -> LiveStint:
        if self._stint is None:
            raise ValueError("no stint was begun")
        return self._stint

    def switch(self, switch: WorkSwitch) -> None:
        """Note that the tool starts or stops working, or a wing goes up."""
        self._present.switch(switch)

    def add_fixes(
        self, t: ArrayLike, lat: ArrayLike | None, lon: ArrayLike | None, sigma: ArrayLike | None = None,
        quality: ArrayLike | None = None, hdop: ArrayLike | None = None,
    ) -> Cells | None:  # fmt: skip
        """Count one fix, or arrays of them; return the changed rectangle of cells or None.

        Latitude or longitude None or NaN is no position, and covers nothing.
        """
        if lat is None or lon is None:
            return None
        stint = self._present
        given = (t, lat, lon, sigma, hdop, quality)
        if np.size(t) == 1:
            fix = tuple(nan if one is None else np.asarray(one, float).item() for one in given)
            if is_flawless(fix[0], fix[1], fix[2], fix[5], stint.start):
                x, y = self.plane.place(fix[1], fix[2])
                if self.ground.holds(x, y):
                    return self._add_fix(stint, (fix[0], x, y, *fix[3:]))
        quality = None if quality is None else np.atleast_1d(quality)
        reasons, rows = self._rows(t, lat, lon, sigma, hdop, quality, stint.start)
        stint.unusable.update(reasons)
        if not len(rows.t):
            return None
        if not stint.note_fixes(rows.t, rows.xy, rows.near, rows.sigma, *rows.stated):
            pieces = stint.feed(rows.t, rows.xy, rows.near, rows.sigma)
            if not stint.misread:
                return self._count(stint, pieces)
        return self._count_again(stint)

    def _add_fix(self, stint: LiveStint, fix: tuple[float, ...]) -> Cells | None:
        """Count one fix in plain numbers: time, s, place, m, error, m, HDOP and quality."""
        if not stint.note_fix(fix, True):
            pieces = stint.feed_one(*fix[:4])
            if not stint.misread:
                return self._count(stint, pieces)
        return self._count_again(stint)

    def _count_again(self, stint: LiveStint) -> Cells:
        """Count the present stint anew by the rules known of it now."""
        self._bare()
        self.grid.begin(stint.builder.leave, stint.builder.tool.width)
        self._count(stint, stint.again())
        return self._everything()

    def _bare(self) -> None:
        """Go back to the ground before the present stint."""
        self._cells = None

    def _everything(self) -> Cells:
        rows, columns = self.grid.counts.shape
        return 0, 0, columns, rows

    def _count(self, stint: LiveStint, pieces: SweptPieces) -> Cells | None:
        """Count new pieces of the present stint; return the changed rectangle of cells or None."""
        unknown = stint.builder.unknown[stint.marked :]
        stint.marked += len(unknown)
        if self._widen(pieces, unknown):
            self._recount()
            return self._everything()
        changed = self._mark_unknown(unknown, stint.builder.tool)
        if len(pieces) < AT_ONCE:
            return around(changed, self.grid.add_live(pieces, self._totals.watch))
        self.grid.add_many(pieces)
        self._totals.measure()
        return self._everything()

    def _mark_unknown(self, unknown: list[Unknown], tool: ToolGeometry) -> Cells | None:
        """Mark where the tool can have been unseen, in the field or near the way; return what changed."""
        changed = None
        for one, reach in zip(unknown, reaches(unknown, tool.width), strict=True):
            west, south, east, north = self._bounds
            inner = 2 * self.grid.cell
            near: shapely.Geometry = shapely.box(west + inner, south + inner, east - inner, north - inner)
            if self.field is None:
                near = shapely.LineString([one.start, one.finish]).buffer(tool.width / 2 + MARGIN, quad_segs=2)
            changed = around(changed, self.grid.mark_unknown(reach.intersection(near)))
        if unknown:
            self._totals.mark()
        return changed

    def end(self) -> None:
        """End the present stint; it becomes one of the earlier ones."""
        if self._stint is None:
            return
        one = self._stint
        self._count(one, one.finish())
        self._earlier[one.key] = _Stint(one.start, one.builder.tool, one.pieces(), one.receiver(), one.builder.unknown)
        self._stint = None

    def rebuild(
        self, t: ArrayLike, lat: ArrayLike, lon: ArrayLike, sigma: ArrayLike | None = None,
        switches: Iterable[WorkSwitch] = (), quality: ArrayLike | None = None, hdop: ArrayLike | None = None,
    ) -> None:  # fmt: skip
        """Count the present stint anew from its whole trace, after a tap was undone or repaired."""
        old, self._stint = self._present, None
        if old.has_pieces or old.marked:
            self._bare()
        self.begin(old.key, old.start, old.builder.tool)
        for one in switches:
            self.switch(one)
        if np.size(t):
            self.add_fixes(t, lat, lon, sigma, quality, hdop)

    # --- what is known -------------------------------------------------------------------------

    @property
    def pose(self) -> Pose | None:
        """Place of tractor and tool now; see `LiveStint.pose`."""
        return self._stint.pose if self._stint else None

    @property
    def path(self) -> StintPath | None:
        """The usable fixes of the present stint so far."""
        stint = self._stint
        return None if stint is None else _path(*stint.usable, stint.builder, stint.unusable)

    def covered_now(self) -> float:
        """Return how much ground of the field the present stint has covered, exactly, m2."""
        if self._stint is None or not self._stint.has_pieces:
            return 0.0
        return area_totals([self._stint.pieces()], self.field, target=self.target).covered

    @property
    def away(self) -> float | None:
        """How far the newest fix lies from the field, m, where it lies too far away to be counted; else None.

        Without a boundary from the plane's origin.
        """
        place = self._stint.away if self._stint else None
        return None if place is None else self.ground.away(*place)

    @property
    def unknown_s(self) -> float:
        """Time the present stint worked without a usable position, s."""
        return self._stint.unknown_s if self._stint else 0.0

    def ahead(self, seconds: float) -> Ahead | None:
        """Return what lies in the tool's way for so many seconds, or None before it has moved."""
        stint = self._stint
        pose = None if stint is None else stint.steady_pose()
        if stint is None or pose is None:
            return None
        odometer, leave = stint.builder.odometer, stint.builder.leave

        def recent(places: Floats) -> Bools:
            return self.grid.recent(places, odometer, leave)

        return look_ahead(self.grid, pose, seconds, self.wanted, recent)

    def wanted(self, places: Floats) -> Ints:
        """Return passes wanted at places, shape (n, 2), m; 0 outside the field."""
        return self._totals.wanted(places)

    def areas(self) -> dict[str, Any]:
        """Return areas from cells at once, m2; see `CellTotals.areas`."""
        return self._totals.areas()

    def pass_spacing(self, keys: Iterable[str]) -> PassSpacing:
        """Return the pass spacing of the earlier stints of these keys (one operator's)."""
        mine = sorted((self._earlier[key] for key in keys if key in self._earlier), key=lambda one: one.start)
        aim = max((one.tool.width for one in mine), default=1.0) / self.target
        return pass_spacing([one.pieces for one in mine], aim)

    def _in_order(self) -> list[_Stint]:
        return [one for _, one in sorted(self._earlier.items(), key=lambda kv: (kv[1].start, kv[0]))]

    def pieces(self) -> list[SweptPieces]:
        """Return the pieces of all stints, earlier ones by their start, the present one last."""
        out = [one.pieces for one in self._in_order()]
        return [*out, self._stint.pieces()] if self._stint and self._stint.has_pieces else out

    def receivers(self) -> list[ReceiverError]:
        """Return the receiver error of each stint, in the order of `pieces`."""
        out = [one.receiver for one in self._in_order()]
        return [*out, self._stint.receiver()] if self._stint and self._stint.has_pieces else out

    @property
    def _sown(self) -> Sequence[SweptPieces]:
        return list(self._seedings.values())

    def _width(self) -> float:
        tools = [one.tool for one in self._earlier.values()]
        tools += [self._stint.builder.tool] if self._stint else []
        return max((tool.width for tool in tools), default=0.0)

    def rows_across(self) -> StripsAmiss:
        """Return strips with too few or too many passes, along rows, which `gaps` and `recovered` may both take."""
        edge = self._width() / 2
        return strips_amiss(self.pieces(), self.known_field(), edge, self.target, self._sown, LEAST_AREA, LEAST_WIDTH)

    def area_totals(self, row: float | None = None) -> AreaTotals:
        """Return the exact areas, from rows so far apart, m, by default such as fit; takes a fraction of a second on a big field."""
        return area_totals(self.pieces(), self.known_field(), row, self._width(), self.target, self._sown)

    def area_totals_in(self, part: shapely.Geometry) -> AreaTotals:
        """Return the exact areas of the ground in a polygon on the plane, m, as if it were the field."""
        once = self.field.once if self.field is not None else None
        return area_totals(self.pieces(), self.known_field(FieldGround(part, self.target, once)), seedings=self._sown)

    def known_field(self, field: FieldGround | None = None) -> FieldGround | None:
        """Return a field, by default that of the job, with where in it the tool can have been unseen.

        It is what tells unknown ground from bare, and from short, in all areas and gaps.
        """
        field = field or self.field
        if field is None or self.unknown_ground().reach.is_empty:
            return field
        there = polygons_of(shapely.intersection(self.unknown_ground().reach, field.polygon, grid_size=GRID))
        return field if there.is_empty else replace(field, unseen=there)

    def unknown_ground(self) -> UnknownGround:
        """Return what all stints leave unknown."""
        stints: list[tuple[Sequence[Unknown], float]] = [(one.unknown, one.tool.width) for one in self._in_order()]
        stints += [(self._stint.builder.unknown[:], self._stint.builder.tool.width)] if self._stint else []
        if stints != self._unknown[0]:
            self._unknown = stints, UnknownGround(stints)
        return self._unknown[1]

    def visits(self, row: float) -> tuple[Ints, Floats, Floats, Floats, Ints]:
        """Return every pass that is valid, along rows `row` m apart.

        Arrays of shape (n,): row k, whose middle is y = (k + 0.5) row; start and end x, m; when it
        began, POSIX s; and which of `pieces` it is from.
        """
        whole, some = np.zeros(0, np.int64), np.zeros(0)
        found = [(whole, some, some, some, whole)]
        for n, one in enumerate(self.pieces()):
            if len(one):
                k, x0, x1, piece = valid_visits(one, self._sown, row)
                found.append((k, x0, x1, one.t[piece], np.full(len(k), n)))
        k, x0, x1, t, stint = (np.concatenate(column) for column in zip(*found))
        return k, x0, x1, t, stint

    def gaps(self, rows: StripsAmiss | None = None) -> list[Gap]:
        """Return the gaps, each with its certainty; empty without a boundary, or where no tool swept any ground."""
        if self.field is None or not self._swept:
            return []
        return list_gaps(rows or self.rows_across(), self._edges())

    def recovered(self, rows: StripsAmiss | None = None) -> list[Gap]:
        """Return the larger strips above target, each with its certainty."""
        return list_recovered(rows or self.rows_across(), self._edges())

    def confidence(self) -> Confidence | None:
        """Return the share covered to target with a 90 % interval; None without a boundary, or any ground that was swept.

        Takes about a second on a big field.
        """
        if self.field is None or not self._swept:
            return None
        proof, unknown = (
            confidence_interval(self.pieces(), self.receivers(), self.field, self._sown),
            self.unknown_ground(),
        )
        if unknown.reach.is_empty:
            return proof
        found = area_totals(self.pieces(), self.known_field(), target=self.target, seedings=self._sown)
        return unknown.widened(proof, self.field.area, (found.unknown or 0.0) + found.short_unknown)

    @property
    def _swept(self) -> bool:
        return any(len(pieces) for pieces in self.pieces())

    def _edges(self) -> EdgeErrors:
        return EdgeErrors(self.pieces(), self.receivers(), self.field)


def _path(t: Floats, xy: Floats, near: Bools, builder: SwathBuilder, unusable: Mapping[str, int]) -> StintPath:
    rejected = Counter(unusable) + Counter(builder.rejected) + Counter({FAR: int((~near).sum())})
    return StintPath(t, xy, builder.unknown, builder.used, builder.length, dict(rejected))


def _within(unknown: Unknown, spans: Iterable[tuple[float, float]]) -> bool:
    """Return whether a span without fixes, from its begin to its end, is in one of others, to 1 s."""
    return any(begin <= unknown.begin + 1 and unknown.end - 1 <= end for begin, end in spans)
