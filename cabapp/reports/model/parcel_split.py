"""A job's ground split among the parcels in its field: area and count exactly, money by the lease.

A parcel is counted as a field is, along rows, over its part of the field. What its ground cost
is the job's cost in proportion to pass area; what of that the landlord bears, only its lease
says, and where no lease is written no money is.
"""

from dataclasses import dataclass

import shapely
from shapely.errors import ShapelyError
from shapely.geometry import shape

from cabapp.counting.job_count import JobCount
from store import models

GRID = 1e-5
"""Cut edges end on this raster, m, so that no sliver is left that turning would make invalid."""
SLIVER = 1.0
"""Ground smaller than this, m2, between parcels is not spoken of (our own choice)."""


@dataclass
class ParcelShare:
    """One parcel's part of a job. Areas m2.

    Attributes
    ----------
    parcel : str
        Its id; "" for the ground of the field that lies in no parcel.
    name, landlord : str
    area : float
        Of the parcel in the field.
    none : float
        Of it, never covered.
    by_count : dict of str to float
        Of it, covered exactly so many times.
    pass_area : float
        The sum over passes.
    share : float or None
        Of the cost, by the lease, 0 to 1; None where no lease is written.
    rule : str
        The lease's own words.
    """

    parcel: str
    name: str
    landlord: str
    area: float
    none: float
    by_count: dict[str, float]
    pass_area: float
    share: float | None = None
    rule: str = ""


@dataclass
class Split:
    """How a job's ground is split: its parts, ground in two parcels, m2, and parcels unread."""

    parts: list[ParcelShare]
    overlap: float = 0.0
    unread: list[str] = ()


def outline(parcel: models.Parcel, count: JobCount):
    """Return a parcel's part of the field on the job's plane, m; None where it is no polygon."""
    try:
        form = shape(parcel.boundary)
        if form.geom_type not in ("Polygon", "MultiPolygon") or not form.is_valid or form.is_empty:
            return None
        flat = shapely.transform(form, lambda c: count.plane.to_xy(c[:, 1], c[:, 0]))
    except (ShapelyError, ValueError, TypeError, KeyError, AttributeError, IndexError):
        return None
    if count.field is not None:
        flat = polygons(shapely.intersection(flat, count.field.polygon, grid_size=GRID))
    return flat if flat.is_valid else None


def polygons(form):
    """Return the polygons of a geometry as one, without the lines and points cutting leaves."""
    parts = [one for one in shapely.get_parts(form) if one.geom_type == "Polygon"]
    parts += [p for one in shapely.get_parts(form) if one.geom_type == "MultiPolygon" for p in one.geoms]
    return parts[0] if len(parts) == 1 else shapely.MultiPolygon(parts)


def split(parcels: list[tuple], count: JobCount) -> Split:
    """Split a counted job among the parcels of its field.

    Parameters
    ----------
    parcels : list of tuple
        Each a `store.models.Parcel` with its `outline`.
    count : JobCount

    Returns
    -------
    Split
        Without parts where there are no parcels.
    """
    known = [(row, form) for row, form in parcels if form is not None and form.area > 0]
    parts = [
        _part(count, form, row.id, row.name, row.landlord, row.share, row.rule or "")
        for row, form in known
    ]  # fmt: skip
    together = shapely.union_all([form for _, form in known])
    if parts and count.field is not None:
        rest = polygons(shapely.difference(count.field.polygon, together, grid_size=GRID))
        if rest.area > SLIVER:
            parts.append(_part(count, rest, "", "in no parcel", ""))
    overlap = sum(form.area for _, form in known) - together.area
    return Split(parts, max(0.0, overlap), [row.name for row, form in parcels if form is None])


def _part(count, form, parcel, name, landlord, share=None, rule="") -> ParcelShare:
    found = count.area_totals_in(form)
    counts = {str(n): area for n, area in sorted(found.by_count.items())}
    return ParcelShare(parcel, name, landlord, form.area, found.none, counts, found.pass_area, share, rule)


def apportion(cents: int, weights: list[float]) -> list[int]:
    """Divide money in proportion, to the hundredth, so that the parts add up to the whole.

    By largest remainders (Hamilton's method); of equal ones the first.

    Examples
    --------
    >>> apportion(100, [1, 1, 1]), apportion(1000, [2, 1]), apportion(7, [0, 0])
    ([34, 33, 33], [667, 333], [0, 0])
    """
    whole = sum(weights)
    if not whole:
        return [0] * len(weights)
    exact = [cents * weight / whole for weight in weights]
    parts = [int(one) for one in exact]
    order = sorted(range(len(parts)), key=lambda k: (parts[k] - exact[k], k))
    for k in order[: cents - sum(parts)]:
        parts[k] += 1
    return parts


def money_of(parts: list[ParcelShare], cents: int | None, pass_area: float) -> list[tuple]:
    """Return for each part what its ground cost and what its landlord bears, in hundredths.

    Parameters
    ----------
    parts : list of ParcelShare
    cents : int or None
        Known cost of the job.
    pass_area : float
        Of the whole job, m2; what lies in none of the parts bears its own share.

    Returns
    -------
    list of (int or None, int or None)
        None where no cost, or no lease, is known. Half a hundredth goes up.
    """
    if cents is None:
        return [(None, None)] * len(parts)
    beside = max(0.0, pass_area - sum(part.pass_area for part in parts))
    costs = apportion(cents, [*(part.pass_area for part in parts), beside])
    return [
        (cost, None if part.share is None else int(cost * part.share + 0.5 + 1e-9)) for part, cost in zip(parts, costs)
    ]
