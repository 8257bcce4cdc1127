"""What to say of a recording of which no passes can be counted, and of one that covers no ground."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import shapely

from cabapp.common.message import Message, message
from cabapp.common.quantities import Length
from cabapp.counting.job_count import StintPath
from cabapp.geometry.field_ground import FieldGround
from cabapp.track.logging_interval import break_limit, is_too_seldom, logging_interval

MOVED_M = 1.0
"""A trace that keeps within so much, m, did not move: nothing covered is right then."""


def too_seldom(path: StintPath) -> Message | None:
    """Return what to say of a stint whose fixes are too far apart in time to count passes; None of any other."""
    interval = logging_interval(path.t)
    if interval is None or not is_too_seldom(interval):
        return None
    return message(
        "One fix each {interval} s is too seldom to count passes: where it went between two fixes is a guess, and "
        "unknown in a turn or in more than {limit} s. Let the logger write a fix each 15 s or oftener.",
        interval=f"{interval:.0f}", limit=f"{break_limit(interval):g}",
    )  # fmt: skip


def why_nothing(paths: Iterable[StintPath], worked: bool, field: FieldGround | None) -> Message | None:
    """Return why stints covered no ground of the field, or none at all; None where nothing moved.

    Parameters
    ----------
    paths : iterable of StintPath
        Of all stints.
    worked : bool
        Whether work went on at any time.
    field : FieldGround, optional
    """
    paths = list(paths)
    xy = np.concatenate([np.zeros((0, 2)), *(path.xy for path in paths)])
    rejected: dict[str, int] = {}
    for path in paths:
        for why, count in path.rejected.items():
            rejected[why] = rejected.get(why, 0) + count
    used = sum(path.used for path in paths)
    if used < 2 and rejected:
        why = max(rejected, key=lambda one: rejected[one])
        return message(
            "Nothing was counted: {count} fixes are left out ({why}), {used} remain.",
            count=rejected[why], why=why, used=used,
        )  # fmt: skip
    if not len(xy) or float(np.ptp(xy, axis=0).max()) < MOVED_M:
        return None
    if not worked:
        return message("Nothing was counted: the tool never worked, as the record has it.")
    if not any(path.length for path in paths):
        longest = max(paths, key=lambda path: len(path.t))
        interval = logging_interval(longest.t) or 0.0
        return message(
            "Nothing was counted: the fixes are {interval} s apart, and where it went in more than {limit} s is not "
            "known. Let the logger write a fix each 15 s or oftener.",
            interval=f"{interval:g}", limit=f"{break_limit(interval):g}",
        )  # fmt: skip
    away = 0.0 if field is None else float(shapely.distance(field.polygon, shapely.points(xy)).min())
    if away > 0:
        return message("Nothing was counted: it came no closer to the field than {distance}.", distance=Length(away))
    return message(
        "Nothing was counted: over the {length} it went, the tool did not work forward in the field.",
        length=Length(sum(path.length for path in paths)),
    )
