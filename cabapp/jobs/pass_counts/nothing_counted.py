"""What to say of a recording of which no passes can be counted, and of one that covers no ground."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from typing import NamedTuple

import numpy as np
import shapely

from cabapp.common.message import Message, message
from cabapp.common.quantities import Distance, Length
from cabapp.counting.job_count import StintPath
from cabapp.geometry.counted_ground import Bounds, joined
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.activity import LEFT_M
from cabapp.track.logging_interval import break_limit, is_too_seldom, logging_interval

MOVED_M = 1.0
"""A trace that keeps within so much, m, did not move: nothing covered is right then."""


class DrivenStint(NamedTuple):
    """What became of the fixes of a stint, in a few figures.

    `fixes` could be used, `used` of them were accepted, on a way of `length` m; `rejected` as in `StintPath`. `interval`
    and `duration`: s. `bounds`: of the way, None without one. `away`: from the field at its nearest, m; 0 without a field.
    """

    fixes: int
    used: int
    length: float
    rejected: dict[str, int]
    interval: float | None
    duration: float
    bounds: Bounds | None
    away: float


def driven(path: StintPath, field: FieldGround | None) -> DrivenStint:
    """Return the figures of a stint's path."""
    bounds, away = None, 0.0
    if len(path.xy):
        west, south = path.xy.min(axis=0).tolist()
        east, north = path.xy.max(axis=0).tolist()
        bounds = west, south, east, north
        if field is not None and not shapely.contains_xy(field.polygon, path.xy).any():
            away = float(shapely.distance(field.polygon, shapely.points(path.xy)).min())
    duration = float(np.ptp(path.t)) if len(path.t) else 0.0
    interval = logging_interval(path.t)
    return DrivenStint(len(path.t), path.used, path.length, path.rejected, interval, duration, bounds, away)


def too_seldom(stint: DrivenStint) -> Message | None:
    """Return what to say of a stint whose fixes are too far apart in time to count passes; None of any other."""
    if stint.interval is None or not is_too_seldom(stint.interval):
        return None
    return message(
        "One fix each {interval} s is too seldom to count passes: where it went between two fixes is a guess, and "
        "unknown in a turn or in more than {limit} s. Let the logger write a fix each 15 s or oftener.",
        interval=f"{stint.interval:.0f}", limit=f"{break_limit(stint.interval):g}",
    )  # fmt: skip


def stood_still(stint: DrivenStint) -> Message | None:
    """Return what to say of a stint that never left its place; None of any other.

    Notes: It is found within the step of `SwathBuilder`, or within `LEFT_M` where it was unseen for longer than tells a way.
    """
    if stint.bounds is None or stint.used < 2 or stint.length:
        return None
    west, south, east, north = stint.bounds
    extent, seen = max(east - west, north - south), (stint.interval or 0.0) <= break_limit(stint.interval)
    if not seen and extent >= LEFT_M:
        return None
    return message("It stood still, within {distance}: no ground was covered.", distance=Length(extent))


def remark(stint: DrivenStint) -> Message | None:
    """Return what else to say of a stint: that it stood still, or that its fixes are too seldom to count passes."""
    return stood_still(stint) or too_seldom(stint)


def why_nothing(stints: Iterable[DrivenStint], worked: bool) -> Message | None:
    """Return why stints covered no ground of the field, or none at all; None where nothing moved.

    `stints`: all of them. `worked`: whether work went on at any time.
    """
    stints = list(stints)
    rejected = sum((Counter(one.rejected) for one in stints), Counter())
    used = sum(one.used for one in stints)
    if used < 2 and rejected:
        why = max(rejected, key=lambda one: rejected[one])
        return message(
            "Nothing was counted: {count} fixes are left out ({why}), {used} remain.",
            count=rejected[why], why=why, used=used,
        )  # fmt: skip
    bounds = [one.bounds for one in stints if one.bounds is not None]
    if not bounds:
        return None
    west, south, east, north = joined(bounds[0], [place for b in bounds[1:] for place in (b[:2], b[2:])])
    if max(east - west, north - south) < MOVED_M or all(stood_still(one) for one in stints if one.bounds is not None):
        return None
    if not worked:
        return message("Nothing was counted: the tool never worked, as the record has it.")
    length = sum(one.length for one in stints)
    if not length:
        interval = max(stints, key=lambda one: one.fixes).interval or 0.0
        return message(
            "Nothing was counted: the fixes are {interval} s apart, and where it went in more than {limit} s is not "
            "known. Let the logger write a fix each 15 s or oftener.",
            interval=f"{interval:g}", limit=f"{break_limit(interval):g}",
        )  # fmt: skip
    away = min(one.away for one in stints if one.bounds is not None)
    if away > 0:
        return message("Nothing was counted: it came no closer to the field than {distance}.", distance=Distance(away))
    return message(
        "Nothing was counted: over the {length} it went, the tool did not work forward in the field.",
        length=Length(length),
    )
