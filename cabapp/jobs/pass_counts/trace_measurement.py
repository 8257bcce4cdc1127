"""The figures of `rollbook measure`: from traces to areas, without any logbook or words."""

import numpy as np
import shapely

from cabapp.counting.areas.area_totals import recovered_parts, totals_of_rows
from cabapp.counting.areas.row_stretches import count_rows
from cabapp.counting.confidence import confidence_interval
from cabapp.counting.edge_error import EdgeErrors
from cabapp.counting.gaps import list_gaps, list_recovered
from cabapp.geometry.field_ground import FieldGround
from cabapp.geometry.plane import Plane
from cabapp.position.recordings.trace_reader import TraceFile
from cabapp.track.logging_interval import logging_interval
from cabapp.track.receiver_error import judge, named, of_error
from cabapp.track.swath import MachineLimits, SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.usable_fixes import WRONG_DATE, usable_fixes
from cabapp.track.work_switches import WorkSwitch
from store.errors import BoundaryRefused, TraceRefused

CELL = 0.25
NEAR = 500.0
"""A trace that comes no closer to its field than this, m, belongs to another."""
FARTHEST = 300e3
"""Ground farther apart than this, m, is no one's day and does not fit one flat plane."""


def measure(traces, tool, target=2, boundary=None, cell=CELL, sigma=None, receiver=None) -> dict:
    """Count the passes of traces over the ground.

    Parameters
    ----------
    traces : list of TraceFile
        Each one stint; counted in order of time.
    tool : Tool
    target : int
        Passes wanted.
    boundary : dict, optional
        GeoJSON Polygon or MultiPolygon.
    cell : float
        Distance of the rows, m.
    sigma : float, optional
        Error of one pass against the next, m, whoever drove it when.
    receiver : str, optional
        Class of the receiver, a key of `KINDS`; by default each trace tells how far off it is.

    Returns
    -------
    dict
        What `rollbook measure --json` prints: areas m2, lengths m, times s, places degrees. Areas
        are those in the field where there is one; what was covered outside stands apart.

    Raises
    ------
    TraceRefused
        Several traces of which one has no date, a trace with no usable fix, or ground too far
        apart to count together.
    BoundaryRefused
        No fix lies in or near the field.
    """
    traces = _in_order(traces)
    kept = [usable_fixes(trace.t, trace.lat, trace.lon, trace.quality) for trace in traces]
    plane = _plane(traces, kept, boundary)
    field = None if boundary is None else FieldGround.from_geojson(boundary, plane, target)
    stints, pieces, receivers = [], [], []
    for trace, good in zip(traces, kept, strict=True):
        if not good.keep.any():
            raise TraceRefused("{name} holds no fix that can be used. Choose another recording.", name=trace.name)
        stint, swept = _sweep(trace, good, plane, tool)
        receivers.append(_receiver(trace, good.keep, sigma, receiver))
        stint["receiver"] = _said(receivers[-1])
        stints.append(stint)
        pieces.append(swept)
    _check_together(pieces)
    if field is not None:
        _check_near(traces, kept, plane, field)
    rows = count_rows(pieces, field, cell, tool.width / 2, target)
    parts = (1.0, 0.0) if field is None else recovered_parts(pieces, field, tool.width)
    areas = totals_of_rows(rows, field, parts)
    edges = EdgeErrors(pieces, receivers, field) if sigma is None else sigma
    gaps = [] if field is None else list_gaps(rows, edges)
    recovered = list_recovered(rows, edges)
    proof = None if field is None else confidence_interval(pieces, receivers, field)
    worst = max(receivers, key=lambda one: float(np.median(one.absolute)))
    outside = ~rows.inside & (rows.count > 0)
    total = {
        key: sum(stint[key] for stint in stints)
        for key in ("fixes", "used", "rejected", "duration_s", "length_m", "unknown_s")
    }
    return {
        "trace": {**total, "reasons": _add_reasons(stints)},
        "tool": {"width_m": tool.width, "hitch_m": tool.hitch, "side_m": tool.side},
        "target": target,
        "cell_m": cell,
        "sigma_m": _said(worst)["relative_m"],
        "receiver": _said(worst),
        "area_m2": {
            "field": areas.field_area,
            "none": areas.none,
            "covered": areas.covered,
            "pass_area": areas.pass_area,
            "by_count": {str(n): area for n, area in areas.by_count.items()},
            "covered_outside": float(rows.area[outside].sum()),
            "pass_area_outside": float((rows.area * rows.count)[outside].sum()),
        },
        "recovered_m2": {"avoidable": areas.avoidable, "unavoidable": areas.unavoidable},
        "recovered": _listed(recovered, plane),
        "gaps": _listed(gaps, plane),
        "proof": proof
        and {
            "target": target,
            "share": proof.share,
            "low": proof.low,
            "high": proof.high,
            "level": 0.9,
            "words": proof.words(),
        },
        "stints": stints,
    }


def _listed(strips, plane):
    """Return gaps or re-covered strips as the plain objects of the JSON."""
    lat, lon = plane.to_latlon([(one.x, one.y) for one in strips]) if strips else ((), ())
    return [
        {
            "kind": one.kind,
            "area_m2": one.area,
            "width_m": one.width,
            "length_m": one.length,
            "certainty": one.certainty,
            "chance": one.chance,
            "edge": one.edge,
            "lat": float(place[0]),
            "lon": float(place[1]),
        }
        for one, place in zip(strips, zip(lat, lon, strict=True), strict=True)
    ]


def _receiver(trace, keep, sigma, kind):
    """Return how far off one trace's receiver is: as told by a person, or by the file."""
    if kind is not None:
        return named(kind)
    if sigma is not None:
        return of_error(sigma)
    return judge(trace.t[keep], trace.sigma[keep], trace.hdop[keep], trace.quality[keep])


def _said(receiver):
    return {
        "basis": receiver.basis,
        "words": receiver.words,
        "relative_m": float(np.median(receiver.relative)),
        "absolute_m": float(np.median(receiver.absolute)),
    }


def _in_order(traces):
    if len(traces) > 1:
        for trace in traces:
            if not trace.dated:
                raise TraceRefused(
                    "{name} carries no date, so it cannot be put in order with the others. Measure it alone.",
                    name=trace.name,
                )
    return sorted(traces, key=lambda trace: trace.t[0])


def _plane(traces, kept, boundary):
    if boundary is not None:
        middle = shapely.geometry.shape(boundary).centroid
        return Plane(middle.y, middle.x)
    pairs = list(zip(traces, kept, strict=True))
    lat, lon = (
        np.sort(np.concatenate([getattr(trace, name)[good.keep] for trace, good in pairs])) for name in ("lat", "lon")
    )
    # one of the values itself: the mean of -179.9 and 179.9 is on the other side of the earth
    return Plane(lat[len(lat) // 2], lon[len(lon) // 2]) if len(lat) else Plane(0.0, 0.0)


def _check_together(pieces):
    corners = np.concatenate([swept.quad.reshape(-1, 2) for swept in pieces])
    apart = float(np.hypot(*np.ptp(corners, axis=0))) if len(corners) else 0.0
    if apart > FARTHEST:
        raise TraceRefused(
            "The traces cover ground {distance} km apart, which cannot be counted together. Measure each place alone.",
            distance=f"{apart / 1000:,.0f}",
        )


def _check_near(traces, kept, plane, field):
    nearest = np.inf
    shapely.prepare(field.polygon)
    for trace, good in zip(traces, kept, strict=True):
        xy = plane.to_xy(trace.lat[good.keep], trace.lon[good.keep])
        away = shapely.distance(field.polygon, shapely.points(xy))
        nearest = min(nearest, float(np.nanmin(away)))
    if nearest > NEAR:
        raise BoundaryRefused(
            "The trace comes no closer to the field than {distance} km. Give the boundary of the field "
            "it was driven in, with [longitude, latitude] in that order.",
            distance=f"{nearest / 1000:,.1f}",
        )


def _sweep(trace: TraceFile, good, plane, tool) -> tuple[dict, SweptPieces]:
    """Return what one stint's trace was like, and the ground it swept."""
    keep = good.keep
    t = trace.t[keep]
    interval = logging_interval(t)
    rules = MachineLimits().at_interval(interval)
    # without a tap every moment counts as work, but not a break that the file itself declares
    switches = [WorkSwitch(-np.inf, True)]
    paused = 0.0
    begins = np.searchsorted(np.flatnonzero(keep), trace.starts)
    for first in np.unique(begins[(begins > 0) & (begins < len(t))]):
        if t[first] - t[first - 1] <= rules.max_gap:
            switches += [WorkSwitch(t[first - 1], False), WorkSwitch(t[first], True)]
            paused += float(t[first] - t[first - 1])
    sweeper = SwathBuilder(tool, rules)
    xy = plane.to_xy(trace.lat[keep], trace.lon[keep])
    parts = [sweeper.feed(t, xy, switches, trace.sigma[keep]), sweeper.finish()]
    fixes = len(trace.t) + trace.dropped
    reasons = dict(good.reasons)
    for reason, count in sweeper.rejected.items():
        reasons[reason] = reasons.get(reason, 0) + count
    if trace.dropped:
        reasons["not readable or without a time"] = trace.dropped
    stint = {
        "file": trace.name,
        "fixes": fixes,
        "used": sweeper.used,
        "rejected": fixes - sweeper.used,
        "reasons": reasons,
        "duration_s": float(np.ptp(t if WRONG_DATE in reasons else trace.t)),
        "length_m": sweeper.length,
        "unknown_s": paused + sum(end - start for start, end, _, _ in sweeper.unknown),
        "interval_s": interval,
        "max_gap_s": rules.max_gap,
        "notes": [str(note) for note in trace.notes],
    }
    return stint, SweptPieces.join(parts, sweeper.leave)


def _add_reasons(stints):
    reasons: dict[str, int] = {}
    for stint in stints:
        for reason, count in stint["reasons"].items():
            reasons[reason] = reasons.get(reason, 0) + count
    return reasons
