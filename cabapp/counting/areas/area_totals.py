"""The figures: how much ground was covered how often, exact along rows laid across the work."""

from dataclasses import dataclass
from dataclasses import field as default

import numpy as np

from cabapp.counting.areas.avoidable_overlap import split
from cabapp.counting.areas.row_events import DOWN, EDGE, INNER, ONCE, UP, RowEvents
from cabapp.counting.areas.work_direction import main_direction
from cabapp.counting.visits.row_sampling import RowSample
from cabapp.counting.visits.visit_rule import crossings, valid_visits
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.polygon_rows import odd_outline_rows, outline_rows
from cabapp.track.swept_ground import SweptPieces

SLANT = 0.07
"""rad. Rows lie not quite square to the work: an edge along a row would be counted whole or not."""


@dataclass
class RowStretches:
    """n stretches of rows, each with one count and wholly in or out of the field.

    Attributes
    ----------
    k : ndarray of int64, shape (n,)
        Row; its middle is y = (k + 0.5) * row in the turned frame.
    x0, x1 : ndarray, shape (n,)
        m in the turned frame.
    count : ndarray of int64, shape (n,)
    inside, inner : ndarray of bool, shape (n,)
        In the field; and not in the strip along its edge.
    want : ndarray of int64, shape (n,)
        Passes wanted there.
    row : float
        m.
    angle : float
        What the frame is turned by, rad, so that rows lie across the work.
    """

    k: np.ndarray
    x0: np.ndarray
    x1: np.ndarray
    count: np.ndarray
    inside: np.ndarray
    inner: np.ndarray
    want: np.ndarray
    row: float
    angle: float

    @property
    def area(self) -> np.ndarray:
        """Area of each stretch, m2, shape (n,)."""
        return (self.x1 - self.x0) * self.row


@dataclass
class AreaTotals:
    """Areas, m2. Field area and pass area are never mixed.

    Attributes
    ----------
    field_area : float or None
        Of the whole field; None where no boundary is known.
    none : float or None
        In the field, never covered.
    covered : float
        Covered at least once, net (inside the field where there is one).
    pass_area : float
        The sum over passes of the ground each covered, inside the field where there is one.
    by_count : dict of int to float
        Ground covered exactly so many times.
    avoidable, unavoidable : float
        Re-covered ground: above target; see `avoidable`.
    avoidable_passes : float
        The passes above target over the avoidable part: ground one too many counts once, two too
        many twice.
    """

    field_area: float | None
    none: float | None
    covered: float
    pass_area: float
    by_count: dict[int, float] = default(default_factory=dict)
    avoidable: float = 0.0
    unavoidable: float = 0.0
    avoidable_passes: float = 0.0


def count_rows(
    stints: list[SweptPieces],
    field: FieldGround | None,
    row: float = 0.5,
    edge: float = 0.0,
    target: int = 2,
    seedings: list[SweptPieces] = (),
) -> RowStretches:
    """Cut all ground into stretches of rows with one count each.

    Parameters
    ----------
    stints : list of SweptPieces
        One entry a stint; a visit never goes on from one stint to another.
    field : FieldGround or None
        None: all ground is inside, and inner.
    row : float
        Distance between rows, m.
    edge : float
        Depth of the strip along the field's edges that is inside but not inner, m.
    target : int
        Passes wanted where there is no field to say.
    seedings : list of SweptPieces
        Stints that seeded the ground: what was covered before them is void.
    """
    events, _, angle = _events(stints, field, row, edge, seedings)
    parts = [_stretches(sheet, events, field, target) for sheet in events.sheets(field is not None)]
    if not parts:
        empty, no = np.zeros(0), np.zeros(0, bool)
        whole = np.zeros(0, np.int64)
        parts = [(whole, empty, empty, whole, no, no, whole)]
    return RowStretches(*(np.concatenate(column) for column in zip(*parts)), row, angle)


def _events(stints, field, row, edge, seedings, every=True):
    """Return the events on rungs laid across the work, the ladder, and the turn of the frame, rad.

    Unless every row is wanted, rows where the work only goes on are left out.
    """
    angle = float(np.pi / 2 - main_direction(stints) + SLANT)
    sown = _turned(seedings, angle)
    far = [max(one.quad.max(), -one.quad.min()) for one in stints if len(one)]
    far += [np.abs(field.polygon.bounds).max()] if field is not None else []
    reach = 1 + 1.5 * max(far, default=0.0)  # a corner turned lies within sqrt 2 times as far
    events = RowEvents(-reach, reach)
    void = [any(len(one) and one.t[-1] >= pieces.t[0] for one in sown if len(pieces)) for pieces in stints]
    whole = [crossings(p, angle) for p, some in zip(stints, void) if not some]
    outlines = []
    if field is not None:
        here = field.turned(angle)
        inner = here.without_edge(edge) if edge else here.polygon
        outlines = [(here.polygon, EDGE), (inner, INNER), (here.once, ONCE)]
        outlines = [(polygon, kind) for polygon, kind in outlines if polygon is not None]
    ladder = RowSample(row)
    if not every and not any(void):
        odd = [one.odd_rows(row, -np.tan(SLANT)) for one in whole]
        odd += [odd_outline_rows(polygon, row) for polygon, _ in outlines]
        ladder = RowSample(row, *_busy(odd))
    for one in whole:
        for k, x, ends in one.on(ladder):
            events.add(k, x, ends.view(np.int8))  # UP is 0 and DOWN 1
    for pieces, some in zip(stints, void):
        if some:
            k, x0, x1, _ = valid_visits(_turned([pieces], angle)[0], sown, row)
            events.add(k, x0, UP)
            events.add(k, x1, DOWN)
    for polygon, kind in outlines:
        k, x = outline_rows(polygon, row)
        kept, rung = ladder.find(k)
        events.add(rung, x[kept], kind)
    return events, ladder, angle


def _busy(odd):
    """Return the lowest row of any of some stretches of rows, and which from there up are in one."""
    first, last = (np.concatenate(ends) for ends in zip(*odd, strict=True)) if odd else ([], [])
    if len(first) == 0:
        return 0, np.zeros(0, bool)
    bottom = int(first.min())
    size = int(last.max()) - bottom + 2
    starts = np.bincount(first - bottom, minlength=size)
    return bottom, np.cumsum(starts - np.bincount(last + 1 - bottom, minlength=size)) > 0


def _stretches(sheet, events, field, target):
    """Return the columns of `RowStretches` for one sheet."""
    real = sheet.width > 0
    flips = sheet.flips[real]
    if field is None:
        inside = inner = np.ones(len(flips), bool)
        want = np.full(len(flips), target)
    else:
        inside = (flips & 1) > 0
        inner = inside & ((flips & 2) > 0)
        want = np.where(flips & 4, 1, field.target)
    return (
        np.repeat(sheet.k, real.sum(axis=1)),
        events.metres(sheet.place[real]),
        events.metres(sheet.place[real] + sheet.width[real]),
        sheet.count[real],
        inside,
        inner,
        want,
    )


def recovered_parts(
    stints: list[SweptPieces], field: FieldGround, width: float, seedings: list[SweptPieces] = ()
) -> tuple[float, float]:
    """Return avoidable and unavoidable re-covered ground, m2, from rows a few metres apart.

    Parameters
    ----------
    stints : list of SweptPieces
    field : FieldGround
    width : float
        Tool's, m.
    seedings : list of SweptPieces
        As in `count_rows`.
    """
    row = 2.0 if field.area < 1.5e6 else 4.0
    angle = np.pi / 2 - main_direction(stints) + SLANT
    turned, sown = (_turned(some, angle) for some in (stints, seedings))
    found = [(*valid_visits(one, sown, row), one.t) for one in turned if len(one)]
    if not found:
        return 1.0, 0.0
    k, x0, x1 = (np.concatenate([f[n] for f in found]) for n in range(3))
    time = np.concatenate([t[piece] for *_, piece, t in found])
    return split((k, x0, x1, time), field.turned(angle), row, width)


def _turned(stints, angle):
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, s], [-s, c]])
    return [SweptPieces(one.quad @ turn, one.s0, one.s1, one.t, one.leave) for one in stints]


def totals_of_rows(
    rows: RowStretches, field: FieldGround | None, parts: tuple[float, float] = (1.0, 0.0)
) -> AreaTotals:
    """Return the areas of stretches of rows by count.

    What is re-covered is divided in the proportion of `parts`, avoidable to unavoidable.
    """
    here = rows.inside & (rows.count > 0)
    area = rows.area
    sums = np.bincount(rows.count[here], weights=area[here])
    above = here & (rows.count > rows.want)
    excess = float((area[above] * (rows.count - rows.want)[above]).sum())
    return _summed(sums, float(area[above].sum()), excess, field, parts)


def _summed(sums, over, excess, field, parts):
    by_count = {n: float(a) for n, a in enumerate(sums) if n and a > 0}
    covered = float(sum(by_count.values()))
    share = parts[0] / sum(parts) if sum(parts) else 1.0
    return AreaTotals(
        field_area=None if field is None else field.area,
        none=None if field is None else max(0.0, field.area - covered),
        covered=covered,
        pass_area=float(sum(n * a for n, a in by_count.items())),
        by_count=by_count,
        avoidable=over * share,
        unavoidable=over * (1 - share),
        avoidable_passes=excess * share,
    )


def area_totals(
    stints: list[SweptPieces],
    field: FieldGround | None,
    row: float = 0.5,
    width: float | None = None,
    target: int = 2,
    seedings: list[SweptPieces] = (),
) -> AreaTotals:
    """Return how much ground stints covered how often.

    Parameters
    ----------
    stints : list of SweptPieces
    field : FieldGround or None
        Its own target counts where there is one.
    row : float
        Distance between rows, m. Halving it changes a class of area by far less than 0.1 %.
    width : float, optional
        Tool's, m; without it all re-covering counts as avoidable.
    target : int
        Used where there is no field.
    seedings : list of SweptPieces
        As in `count_rows`.

    Examples
    --------
    >>> from shapely.geometry import Polygon
    >>> area_totals([], FieldGround(Polygon([(0, 0), (100, 0), (100, 50), (0, 50)]))).none
    5000.0
    """
    parts = (1.0, 0.0)
    if field and width:
        parts = recovered_parts(stints, field, width, seedings)
    # as `totals_of_rows` of `count_rows`, but no stretch is ever written down
    events, ladder, _ = _events(stints, field, row, 0.0, seedings, every=False)
    wanted = [(target, 0)] if field is None else [(field.target, 1), (1, 5)]
    sums, over, excess = np.zeros(1), 0.0, 0.0
    for sheet in events.sheets(field is not None):
        passes = sheet.count.ravel()
        area = sheet.width * (ladder.height(sheet.k) / events.fine)[:, None]
        for want, flips in wanted:
            if field is None:
                here = area
            elif flips == 5 and field.once is None:
                continue
            else:
                here = area * ((sheet.flips & 5) == flips)
            new = np.bincount(passes, weights=here.ravel(), minlength=len(sums))
            above = new[want + 1 :]
            over += float(above.sum())
            excess += float(above @ np.arange(1, len(above) + 1))
            new[: len(sums)] += sums
            sums = new
    return _summed(sums, over, excess, field, parts)
