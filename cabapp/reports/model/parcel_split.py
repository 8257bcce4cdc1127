"""A job's ground split among the field's parcels: area and count exactly, money by the lease.

A parcel is counted along rows as a field is; its cost is the job's in proportion to pass area.
"""

from dataclasses import dataclass

import shapely
from shapely.errors import ShapelyError
from shapely.geometry import shape

from cabapp.counting.job_count import JobCount
from cabapp.geometry.field_ground import GRID, polygons_of
from cabapp.position.boundaries.boundary_judge import kept_part
from store import models

SLIVER = 1.0
"""Ground smaller than this, m2, between parcels is not spoken of (our own choice)."""
MISSED = 1e-3
"""Share of the passes that the parts' own rows can miss together; tests hold each part's areas to 1.5e-3 of it."""


@dataclass
class ParcelShare:
    """One parcel's part of a job, m2; `parcel` is "" for ground in no parcel.

    `share` is the landlord's part of the cost, 0 to 1, None without a lease; `rule` is the lease's text.
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
    unknown: float = 0.0

    @property
    def areas(self) -> tuple[float, float, float, float, float]:
        """Ground never covered, unknown, covered once, twice, and more often, m2."""
        counts = {int(n): area for n, area in self.by_count.items()}
        more = sum(area for n, area in counts.items() if n > 2)
        return self.none, self.unknown, counts.get(1, 0.0), counts.get(2, 0.0), more


@dataclass
class Split:
    """How a job's ground is split: its parts, ground in two parcels, m2, and parcels unread."""

    parts: list[ParcelShare]
    overlap: float = 0.0
    unread: list[str] = ()


def outline(parcel: models.Parcel, count: JobCount):
    """Return a parcel's part of the field on the job's plane, m; None where it is no polygon."""
    try:
        form = shape(kept_part(parcel.boundary))
        if form.geom_type not in ("Polygon", "MultiPolygon") or not form.is_valid or form.is_empty:
            return None
        flat = shapely.transform(form, lambda c: count.plane.to_xy(c[:, 1], c[:, 0]))
    except (ShapelyError, ValueError, TypeError, KeyError, AttributeError, IndexError):
        return None
    if count.field is not None:
        flat = polygons_of(shapely.intersection(flat, count.field.polygon, grid_size=GRID))
    return flat if flat.is_valid else None


def split_by_parcel(parcels: list[tuple], count: JobCount) -> Split:
    """Split a job's ground among its parcels, which `outline` laid on the job's plane.

    Ground of the field in no parcel is one more part where there is a boundary.
    """
    known = [(row, form) for row, form in parcels if form is not None and form.area > 0]
    parts = [
        _part(count, form, row.id, row.name, row.landlord, row.share, row.rule or "")
        for row, form in known
    ]  # fmt: skip
    together = shapely.union_all([form for _, form in known])
    if parts and count.field is not None:
        rest = polygons_of(shapely.difference(count.field.polygon, together, grid_size=GRID))
        if rest.area > SLIVER:
            parts.append(_part(count, rest, "", "in no parcel", ""))
    overlap = sum(form.area for _, form in known) - together.area
    return Split(parts, max(0.0, overlap), [row.name for row, form in parcels if form is None])


def _part(count, form, parcel, name, landlord, share=None, rule="") -> ParcelShare:
    found = count.area_totals_in(form)
    counts = {str(n): area for n, area in sorted(found.by_count.items())}
    return ParcelShare(
        parcel, name, landlord, form.area, found.none, counts, found.pass_area, share, rule, found.unknown
    )


def apportion(cents: int, weights: list[float]) -> list[int]:
    """Divide money in proportion so that the parts add up, by largest remainders (Hamilton's method).

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
    """Return each part's cost and what its landlord bears, hundredths; None where unknown.

    `pass_area`, m2, is the whole job's: ground in no part bears its own share, where it is more than the parts, each
    measured on rows of its own, can miss together. Half a hundredth goes up.
    """
    if cents is None:
        return [(None, None)] * len(parts)
    beside = pass_area - sum(part.pass_area for part in parts)
    costs = apportion(cents, [*(part.pass_area for part in parts), beside if beside > MISSED * pass_area else 0.0])
    return [
        (cost, None if part.share is None else int(cost * part.share + 0.5 + 1e-9)) for part, cost in zip(parts, costs)
    ]
