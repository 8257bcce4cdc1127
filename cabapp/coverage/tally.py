"""The figures: how much ground was covered how often, exact along rows laid across the work."""

from dataclasses import dataclass, field as default

import numpy as np
from shapely.geometry import Polygon

from cabapp.coverage.avoidable import split
from cabapp.coverage.field import Field, outline_rows
from cabapp.coverage.pieces import Pieces
from cabapp.coverage.seeded import standing

FINE = 2.0**16  # steps a metre along a row; 15 micrometres
SLANT = 0.07
"""rad. Rows lie not quite square to the work: an edge along a row would be counted whole or not."""
UP, DOWN, EDGE, INNER, ONCE = range(5)


@dataclass
class Rows:
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
class Tally:
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
        Re-covered: above target; see `avoidable`.
    """

    field_area: float | None
    none: float | None
    covered: float
    pass_area: float
    by_count: dict[int, float] = default(default_factory=dict)
    avoidable: float = 0.0
    unavoidable: float = 0.0


def main_direction(stints: list[Pieces]) -> float:
    """Return the direction most path was driven in, either way, rad in [0, pi).

    The doubled angles of all pieces are averaged, weighted by length (the mean of axial data:
    Mardia and Jupp, Directional Statistics, 2000, section 1.1).
    """
    east = north = 0.0
    for pieces in stints:
        q = pieces.quad
        step = (q[:, 2] + q[:, 3] - q[:, 0] - q[:, 1]) / 2
        size = np.hypot(step[:, 0], step[:, 1])
        double = 2 * np.arctan2(step[:, 1], step[:, 0])
        east += float((size * np.cos(double)).sum())
        north += float((size * np.sin(double)).sum())
    return np.arctan2(north, east) / 2 % np.pi


def lay_rows(
    stints: list[Pieces],
    field: Field | None,
    row: float = 0.5,
    edge: float = 0.0,
    target: int = 2,
    seedings: list[Pieces] = (),
) -> Rows:
    """Cut all ground into stretches of rows with one count each.

    Parameters
    ----------
    stints : list of Pieces
        One entry a stint; a visit never goes on from one stint to another.
    field : Field or None
        None: all ground is inside, and inner.
    row : float
        Distance between rows, m.
    edge : float
        Depth of the strip along the field's edges that is inside but not inner, m.
    target : int
        Passes wanted where there is no field to say.
    seedings : list of Pieces
        Stints that seeded the ground: what was covered before them is void.
    """
    angle = np.pi / 2 - main_direction(stints) + SLANT
    sown = _turned(seedings, angle)
    rows, xs, kinds = [], [], []

    def put(k, x, kind):
        rows.append(k)
        xs.append(x)
        kinds.append(np.full(len(k), kind, np.int64))

    for pieces in _turned(stints, angle):
        if len(pieces) == 0:
            continue
        k, x0, x1, _ = standing(pieces, sown, row)
        put(k, x0, UP)
        put(k, x1, DOWN)
    if field is not None:
        here = field.turned(angle)
        put(*outline_rows(here.polygon, row), EDGE)
        put(*outline_rows(here.without_edge(edge) if edge else here.polygon, row), INNER)
        if here.once is not None:
            put(*outline_rows(here.once, row), ONCE)
    if not rows:
        rows, xs, kinds = [np.zeros(0, np.int64)], [np.zeros(0)], [np.zeros(0, np.int64)]
    k, x, kind = np.concatenate(rows), np.concatenate(xs), np.concatenate(kinds)
    if len(k) == 0:
        empty = np.zeros(0)
        whole, no = np.zeros(0, np.int64), np.zeros(0, bool)
        return Rows(whole, empty, empty, whole, no, no, whole, row, float(angle))
    # one whole number an event sorts by row, then place, several times faster than two keys
    k_low, x_low = k.min(), np.floor(x.min())
    key = ((k - k_low) << 40) | (np.rint((x - x_low) * FINE).astype(np.int64) << 3) | kind
    key.sort()
    kind = key & 7
    place = (key >> 3) & ((1 << 37) - 1)
    k = key >> 40
    count = np.cumsum((kind == UP).astype(np.int64) - (kind == DOWN))
    real = np.flatnonzero((k[1:] == k[:-1]) & (place[1:] > place[:-1]))
    if field is None:
        inside = inner = np.ones(len(real), bool)
        want = np.full(len(real), target)
    else:
        inside = (np.cumsum(kind == EDGE) % 2 == 1)[real]
        inner = (np.cumsum(kind == INNER) % 2 == 1)[real] & inside
        want = np.where((np.cumsum(kind == ONCE) % 2 == 1)[real], 1, field.target)
    return Rows(
        k[real] + k_low,
        place[real] / FINE + x_low,
        place[real + 1] / FINE + x_low,
        count[real],
        inside,
        inner,
        want,
        row,
        float(angle),
    )


def recovered_parts(
    stints: list[Pieces], field: Field, width: float, seedings: list[Pieces] = ()
) -> tuple[float, float]:
    """Return avoidable and unavoidable re-covered ground, m2, from rows a few metres apart.

    Parameters
    ----------
    stints : list of Pieces
    field : Field
    width : float
        Tool's, m.
    seedings : list of Pieces
        As in `lay_rows`.
    """
    row = 2.0 if field.area < 1.5e6 else 4.0
    angle = np.pi / 2 - main_direction(stints) + SLANT
    turned, sown = (_turned(some, angle) for some in (stints, seedings))
    found = [(*standing(one, sown, row), one.t) for one in turned if len(one)]
    if not found:
        return 1.0, 0.0
    k, x0, x1 = (np.concatenate([f[n] for f in found]) for n in range(3))
    time = np.concatenate([t[piece] for *_, piece, t in found])
    return split((k, x0, x1, time), field.turned(angle), row, width)


def _turned(stints, angle):
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, s], [-s, c]])
    return [Pieces(one.quad @ turn, one.s0, one.s1, one.t, one.leave) for one in stints]


def add_up(rows: Rows, field: Field | None, parts: tuple[float, float] = (1.0, 0.0)) -> Tally:
    """Return the areas of stretches of rows by count.

    What is re-covered is divided in the proportion of `parts`, avoidable to unavoidable.
    """
    here = rows.inside & (rows.count > 0)
    area = rows.area
    sums = np.bincount(rows.count[here], weights=area[here])
    by_count = {n: float(a) for n, a in enumerate(sums) if n and a > 0}
    covered = float(sum(by_count.values()))
    over = float(area[here & (rows.count > rows.want)].sum())
    share = parts[0] / sum(parts) if sum(parts) else 1.0
    return Tally(
        field_area=None if field is None else field.area,
        none=None if field is None else max(0.0, field.area - covered),
        covered=covered,
        pass_area=float(sum(n * a for n, a in by_count.items())),
        by_count=by_count,
        avoidable=over * share,
        unavoidable=over * (1 - share),
    )


def tally(
    stints: list[Pieces],
    field: Field | None,
    row: float = 0.5,
    width: float | None = None,
    target: int = 2,
) -> Tally:
    """Return how much ground stints covered how often.

    Parameters
    ----------
    stints : list of Pieces
    field : Field or None
        Its own target counts where there is one.
    row : float
        Distance between rows, m. Halving it changes a class of area by far less than 0.1 %.
    width : float, optional
        Tool's, m; without it all re-covering counts as avoidable.
    target : int
        Used where there is no field.

    Examples
    --------
    >>> tally([], Field(Polygon([(0, 0), (100, 0), (100, 50), (0, 50)]))).none
    5000.0
    """
    rows = lay_rows(stints, field, row, (width or 0.0) / 2, target)
    parts = recovered_parts(stints, field, width) if field and width else (1.0, 0.0)
    return add_up(rows, field, parts)
