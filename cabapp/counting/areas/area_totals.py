"""Areas of ground by number of passes, exact along rows laid across the work."""

from collections.abc import Sequence
from dataclasses import dataclass
from dataclasses import field as default

import numpy as np

from cabapp.counting.areas.avoidable_overlap import split
from cabapp.counting.areas.row_events import RowsAcross
from cabapp.counting.areas.row_stretches import RowStretches, fitting_row
from cabapp.counting.areas.work_direction import frame_angle
from cabapp.counting.visits.visit_rule import valid_visits
from cabapp.geometry.arrays import Floats, joined_columns
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.swept_ground import SweptPieces


@dataclass
class AreaTotals:
    """Areas, m2. Field area and pass area are never mixed.

    Attributes
    ----------
    field_area : float or None
        Of the whole field; None where no boundary is known.
    none : float or None
        In the field, surely never covered.
    unknown : float or None
        In the field, not covered as counted, but the tool can have been there unseen: `FieldGround.unseen`.
    short_unknown : float
        Of what is covered too few times: where the tool can have been unseen once more.
    covered : float
        Covered at least once, net (inside the field where there is one).
    pass_area : float
        The sum over passes of the ground each covered, inside the field where there is one.
    by_count : dict of int to float
        Ground covered exactly so many times.
    avoidable, unavoidable : float
        Re-covered ground: above target; see `avoidable_overlap`.
    avoidable_passes : float
        Passes above target over the avoidable part: one too many counts once, two twice.
    """

    field_area: float | None
    none: float | None
    covered: float
    pass_area: float
    by_count: dict[int, float] = default(default_factory=dict)
    avoidable: float = 0.0
    unavoidable: float = 0.0
    avoidable_passes: float = 0.0
    unknown: float | None = None
    short_unknown: float = 0.0


def recovered_parts(
    stints: Sequence[SweptPieces], field: FieldGround, width: float, seedings: Sequence[SweptPieces] = ()
) -> tuple[float, float]:
    """Return avoidable and unavoidable re-covered ground, m2, from rows a few metres apart.

    `width` is the tool's, m; the rest is as in `count_rows`.
    """
    row = 2.0 if field.area < 1.5e6 else 4.0
    angle = frame_angle(stints)
    found = []
    for one in stints:
        if len(one):
            k, x0, x1, piece = valid_visits(one, seedings, row, angle)
            found.append((k, x0, x1, one.t[piece]))
            del k, x0, x1, piece
    if not found:
        return 1.0, 0.0
    k, x0, x1, time = joined_columns(found)
    return split((k, x0, x1, time), field.turned(angle), row, width)


def totals_of_rows(
    rows: RowStretches, field: FieldGround | None, parts: tuple[float, float] = (1.0, 0.0)
) -> AreaTotals:
    """Return the areas of stretches of rows by count.

    What is re-covered is divided in the proportion of `parts`, avoidable to unavoidable.
    """
    here = rows.inside & (rows.count > 0)
    area = rows.area
    sums: Floats = np.bincount(rows.count[here], weights=area[here]).astype(float)
    above = here & (rows.count > rows.want)
    excess = float((area[above] * (rows.count - rows.want)[above]).sum())
    lost = rows.inside & rows.unseen & (rows.count < rows.want)
    unseen = (float(area[lost & (rows.count == 0)].sum()), float(area[lost & (rows.count > 0)].sum()))
    return _summed(sums, float(area[above].sum()), excess, unseen, field, parts)


def _summed(
    sums: Floats, over: float, excess: float, unseen: tuple[float, float], field: FieldGround | None,
    parts: tuple[float, float],
) -> AreaTotals:  # fmt: skip
    """Return the areas; `unseen` are ground that is bare, and too seldom covered, where the tool can have been unseen."""
    by_count = {n: float(a) for n, a in enumerate(sums) if n and a > 0}
    covered = float(sum(by_count.values()))
    share = parts[0] / sum(parts) if sum(parts) else 1.0
    bare = 0.0 if field is None else max(0.0, field.area - covered)
    unknown = min(bare, unseen[0])
    return AreaTotals(
        field_area=None if field is None else field.area,
        none=None if field is None else bare - unknown,
        unknown=None if field is None else unknown,
        covered=covered,
        pass_area=float(sum(n * a for n, a in by_count.items())),
        by_count=by_count,
        avoidable=over * share,
        unavoidable=over * (1 - share),
        avoidable_passes=excess * share,
        short_unknown=unseen[1],
    )


def area_totals(
    stints: Sequence[SweptPieces],
    field: FieldGround | None,
    row: float | None = None,
    width: float | None = None,
    target: int = 2,
    seedings: Sequence[SweptPieces] = (),
) -> AreaTotals:
    """Return how much ground stints covered how often.

    Parameters
    ----------
    stints : list of SweptPieces
    field : FieldGround or None
        Its own target counts where there is one.
    row : float, optional
        Distance between rows, m; None: `fitting_row`. Halving it changes a class by far less than 0.1 %.
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
    row = fitting_row(stints) if row is None else row
    rows = RowsAcross(stints, field, row, 0.0, seedings, every=False)
    wanted = [(target, 0)] if field is None else [(field.target, 1), (1, 5)]
    sums: Floats = np.zeros(1)
    over = excess = bare = short = 0.0
    for batch in rows.batches():
        area = rows.sample.height(batch.rung)
        area *= batch.width
        for want, flips in wanted:
            if field is None:
                here = area
            elif flips == 5 and field.once is None:
                continue
            else:
                here = area * ((batch.flips & 5) == flips)
            new: Floats = np.bincount(batch.count, here, len(sums)) / rows.sample.fine
            if field is not None and field.unseen is not None:
                lost = np.where(batch.flips & 8, here, 0.0)
                below = np.bincount(batch.count, lost, want)[:want] / rows.sample.fine
                bare, short = bare + float(below[0]), short + float(below[1:].sum())
            above = new[want + 1 :]
            over += float(above.sum())
            excess += float(above @ np.arange(1, len(above) + 1))
            new[: len(sums)] += sums
            sums = new
    return _summed(sums, over, excess, (bare, short), field, parts)
