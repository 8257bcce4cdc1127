"""Ground below or above target inside the field, and the chance that each piece is real. Pure."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import shapely

from cabapp.counting.areas.connected_rows import ConnectedRows, merged
from cabapp.counting.areas.row_stretches import RowStretches, Strips
from cabapp.counting.areas.strips_amiss import StripsAmiss
from cabapp.counting.edge_error import EdgeErrors
from cabapp.geometry.arrays import Floats, Shorts

SURE, MAYBE = 0.95, 0.75
LEAST_WIDTH, LEAST_AREA = 0.3, 10.0
"""m and m2. Narrower gaps, and smaller ones, are not listed; nor is anything else."""
SAMPLES = 15
"""Places along a gap at which the pieces that made its edges are looked up."""
TOGETHER = 1 << 15
"""About so many stretches are looked at at once."""


@dataclass(frozen=True)
class Gap:
    """One connected piece of ground below, or above, target.

    Attributes
    ----------
    kind : str
        "none": never covered; "unknown": not covered as counted, but the tool can have been there unseen;
        "short": covered, too few times; "over": too many times.
    area, width, length : float
        m2, m, m; the width is the area over the length of the narrowest rectangle around it,
        or a typical width along rows across the work where that is less.
    certainty : str
        "sure", "maybe" or "cannot tell".
    x, y : float
        A place in its middle, m on the plane.
    ring : ndarray, shape (4, 2)
        Corners of that rectangle, m.
    edge : bool
        It lies in the strip along the field's edge that half-laps cannot cover exactly.
    chance : float
        That it is real and not the receiver's error, 0 to 1. Where the edges' errors are known by piece,
        1 less the rate of false ones among all gaps at least as likely (`_among_all`).
    spread : float
        Standard deviation of the distance between its two edges, m.
    lost : bool
        It lies where the tool can have been unseen, so that its certainty is "cannot tell" whatever its chance.
    """

    kind: str
    area: float
    width: float
    length: float
    certainty: str
    x: float
    y: float
    ring: Floats
    edge: bool
    chance: float
    spread: float
    lost: bool = False


def _chance(width: float, spread: float) -> float:
    """Return P(real) = Phi(width / spread): the difference of two normal errors."""
    return NormalDist().cdf(width / spread) if spread > 0 else 1.0


def _class(chance: float) -> str:
    return "sure" if chance >= SURE else "maybe" if chance >= MAYBE else "cannot tell"


def list_gaps(
    rows: RowStretches | StripsAmiss,
    sigma: float | EdgeErrors,
    least_area: float = LEAST_AREA,
    least_width: float = LEAST_WIDTH,
) -> list[Gap]:
    """Return the gaps of a field, `none` before `unknown` before `short`, largest first.

    Ground of each kind is a gap of its own, so that the gaps add up to the areas, but for what is too small.

    Parameters
    ----------
    rows : RowStretches or StripsAmiss
    sigma : float or EdgeErrors
        Error of one pass's edge, m, the same for all; or the errors by piece.
    least_area, least_width : float
        Smaller ones are left out of the list (never out of the areas), m2 and m.
    """
    order = ("none", "unknown", "short")
    found = _judged(rows, order, sigma, least_area, least_width)
    return sorted(found, key=lambda g: (g.edge, order.index(g.kind), -g.area))


def width_shown(absolute: float) -> float:
    """Return the width of a gap that is listed 95 times in 100 with an absolute error, 1 sigma, m; m.

    Seen, it is narrower by the errors of both its edges, and listed from `LEAST_WIDTH` on.

    >>> [round(width_shown(error), 2) for error in (0.02, 0.43, 3.2)]
    [0.35, 1.3, 7.74]
    """
    return LEAST_WIDTH + 1.645 * 2**0.5 * absolute


def list_recovered(
    rows: RowStretches | StripsAmiss,
    sigma: float | EdgeErrors,
    least_area: float = 50.0,
    least_width: float = LEAST_WIDTH,
) -> list[Gap]:
    """Return the larger strips above target, kind "over", largest first; see `list_gaps`."""
    found = _judged(rows, ("over",), sigma, least_area, least_width)
    return sorted(found, key=lambda g: (g.edge, -g.area))


def _judged(
    rows: RowStretches | StripsAmiss,
    kinds: tuple[str, ...],
    sigma: float | EdgeErrors,
    least_area: float,
    least_width: float,
) -> list[Gap]:
    """Return the connected pieces of some kinds, each with its chance."""
    shapes = [
        (strips.amiss, *one)
        for strips in rows.amiss(kinds)
        for one in _components(strips, rows.row, rows.angle, least_area, least_width)
    ]
    width, length = (np.array([shape[n] for shape in shapes]) for n in (2, 3))
    if isinstance(sigma, EdgeErrors):
        sizes = np.array([len(shape[-1]) for shape in shapes], np.int64)
        sides = np.concatenate([np.zeros((0, 2, 2)), *(shape[-1] for shape in shapes)])
        variance = sigma.distance_error(sides[:, 0], sides[:, 1]) ** 2
        whose = np.repeat(np.arange(len(shapes)), sizes)
        apart = np.sqrt(np.bincount(whose, variance, len(shapes)) / np.maximum(sizes, 1))
        driven = sigma.length
    else:
        if sigma < 0:
            raise ValueError(f"an error cannot be {sigma} m")
        apart, driven = np.full(len(shapes), float(sigma) * np.sqrt(2)), None
    chance = np.array([_chance(w, s) for w, s in zip(width, apart)])
    if driven is not None:
        # claims of one kind; where the tool can have been unseen nothing is claimed
        claim = np.array([kinds.index(shape[0].kind) + len(kinds) * shape[0].lost for shape in shapes], np.int64)
        for one in np.unique(claim):
            mine = claim == one
            chance[mine] = _among_all(chance[mine], length[mine], driven)
    return [
        Gap(
            amiss.kind, area, wide, long, "cannot tell" if amiss.lost else _class(p), *place, ring, amiss.edge,
            float(p), float(s), amiss.lost,
        )
        for (amiss, area, wide, long, place, ring, _), p, s in zip(shapes, chance, apart, strict=True)
    ]  # fmt: skip


def _among_all(chance: Floats, length: Floats, driven: float) -> Floats:
    """Return chances that count how rare gaps are, shape (n,).

    Along kilometres of edges some seem to gape by error alone; where few do, each is less likely
    real. 1 - q, q the false discovery rate of all gaps at least as likely (Benjamini and Hochberg
    1995, J. R. Stat. Soc. B 57, 289-300), each weighted by its length against the length driven (the
    weighted form: Benjamini and Hochberg 1997, Scand. J. Stat. 24, 407-418).
    """
    order = np.argsort(-chance, kind="stable")
    claimed = np.cumsum(length[order])
    rate = (1 - chance[order]) * np.maximum(driven / claimed, 1.0)
    rate = np.minimum.accumulate(rate[::-1])[::-1]
    out = np.empty(len(chance))
    out[order] = 1 - np.minimum(rate, 1.0)
    return out


def _components(
    strips: Strips, height: float, angle: float, least_area: float, least_width: float
) -> Iterator[tuple[float, float, float, tuple[float, float], Floats, Floats]]:
    """Yield area, width, length, a place inside, the box around it and samples (n, 2, 2) of its
    two sides for each connected piece of strips, on rows `height` m apart in a frame turned by `angle`."""
    k, x0, x1, _ = merged(strips.k, strips.x0, strips.x1)
    if len(k) == 0:
        return
    label = _label(k, x0, x1)
    area = np.zeros(int(label.max()) + 1)
    for start in range(0, len(k), TOGETHER):
        part = slice(start, start + TOGETHER)
        np.add.at(area, label[part], (x1[part] - x0[part]) * height)
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s], [s, c]])
    order = np.argsort(label, kind="stable").astype(np.int32)
    ends = np.cumsum(np.bincount(label))
    starts = np.append(0, ends[:-1])
    del label
    for n in np.flatnonzero(area >= least_area):
        mine = order[starts[n] : ends[n]]
        chord = x1[mine] - x0[mine]
        by_size = np.argsort(chord)
        weight = np.cumsum(chord[by_size])
        typical = float(chord[by_size[np.searchsorted(weight, weight[-1] / 2)]])
        if typical < least_width:
            continue
        y = (k[mine] + 0.5) * height
        half = height / 2
        # of each row only the two ends can be corners of the box
        row = np.flatnonzero(np.diff(k[mine], prepend=-1 << 30))
        ends_of_rows = np.minimum.reduceat(x0[mine], row), np.maximum.reduceat(x1[mine], row)
        corners = np.concatenate([np.column_stack([x, y[row] + d]) for x in ends_of_rows for d in (-half, half)])
        box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shapely.linestrings(corners)))
        sides = np.hypot(*np.diff(box, axis=0).T)
        length = float(sides.max())
        # strips joined at their ends fill little of the box: then a row tells the width better
        wide = min(float(area[n]) / length, typical)
        if wide < least_width:
            continue
        # a place inside: the middle of the stretch nearest to the middle of the area
        weight = np.cumsum(chord)
        centre = mine[np.searchsorted(weight, weight[-1] / 2)]
        place = np.array([(x0[centre] + x1[centre]) / 2, (k[centre] + 0.5) * height]) @ turn
        some = np.unique(np.linspace(0, len(mine) - 1, min(len(mine), SAMPLES)).astype(int))
        lines = np.stack([np.column_stack([x[mine[some]], y[some]]) @ turn for x in (x0, x1)], axis=1)
        yield (
            float(area[n]), wide, length, (float(place[0]), float(place[1])), box[:4] @ turn, lines,
        )  # fmt: skip


def _label(k: Shorts, x0: Floats, x1: Floats) -> Shorts:
    """Return a component number for each stretch, in the order of their first."""
    connected = ConnectedRows()
    cuts = np.unique(np.searchsorted(k, np.append(k[::TOGETHER], k[-1] + 1)))
    label = np.empty(len(k), np.int32)
    for a, b in itertools.pairwise(cuts):
        label[a:b] = connected.feed(k[a:b], x0[a:b], x1[a:b])
    return connected.settled()[label]
