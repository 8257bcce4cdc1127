"""The hours of a recorded stay before anybody said with which tool it was, as the logbook will split them."""

import numpy as np

from cabapp.common.message import Message
from cabapp.counting.job_count import JobCount
from cabapp.jobs.imports.recorded_day import RecordedDay
from cabapp.jobs.pass_counts.assembler import count_stint
from cabapp.jobs.pass_counts.nothing_counted import driven, remark
from cabapp.jobs.records.time_split import worked
from cabapp.position.boundaries.boundary_judge import kept_boundary
from cabapp.position.recordings.recording import RecordedTrack
from cabapp.track.activity import FieldStay
from cabapp.track.tool import ToolGeometry

USUAL_M = 12.0
"""Width of a tool that nobody stated, m (our own choice: only how tight a turn is depends on it, and turns stand with work)."""


def stay_hours(day: RecordedDay, stay: FieldStay) -> tuple[dict[str, float], Message | None]:
    """Return the seconds worked, waiting, travelling and unknown of a stay, and what else to say of it.

    Notes
    -----
    How tight a turn is depends on the tool, so turns stand with the work: nothing else depends on it.
    """
    tool = _fitting(day.track)
    stint = day.stint(stay, tool)
    count = JobCount(kept_boundary(day.fields[stay.field].boundary))
    path = count_stint(count, float(stint.track.t[0]), stint.inputs("", tool))
    spent = stint.hours(path, tool.width).seconds()
    seconds = {"worked": worked(spent)} | {kind: spent[kind] for kind in ("waiting", "travelling", "unknown")}
    return seconds, remark(driven(path, count.field))


def _fitting(track: RecordedTrack) -> ToolGeometry:
    """Return a tool that has the width and the sections which a recording states."""
    width = USUAL_M if track.width is None else max(float(np.nanmax(track.width, initial=0.0)), 1.0)
    count = 0 if track.sections is None else track.sections.shape[1]
    return ToolGeometry(width, sections=(width / count,) * count if count else ())
