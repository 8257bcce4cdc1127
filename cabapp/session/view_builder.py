"""The view of one moment, put together from the open stint and the receiver."""

from __future__ import annotations

from dataclasses import replace

from cabapp.common import wording
from cabapp.jobs.records import stint_state
from cabapp.session.state.position_state import PositionState
from cabapp.session.state.view import View
from cabapp.session.stint_runner import StintRunner
from cabapp.session.taps import tap_details


def build_view(drive: StintRunner | None, where: PositionState, now: float, names: dict, position_words: str) -> View:
    """Return the view.

    Parameters
    ----------
    drive : StintRunner or None
        The open stint.
    where : PositionState
    now : float
        By the session's clock, POSIX s.
    names : dict
        operator, tractor, tool: their names.
    position_words : str
        The receiver's own state in words.
    """
    t = round(where.time(now), 6)
    idle = View(
        state=stint_state.IDLE, operator=None, tractor=None, tool=None, field=None,
        operation=None, target=None, since=None, stop_reason=None,
        position=where.state(now, None), lost_since=where.lost_since(now),
        speed=None, pose=None, done_area=None, field_area=None,
        pass_tally=0, strip=None, strip_over=(), sentence=None, undo_label=None,
        undo_left=0.0, working_s=0.0, stint_s=0.0, now=t, position_words=position_words,
    )  # fmt: skip
    if drive is None:
        return idle
    stood, pose, ahead = drive.standing, drive.pose, drive.ahead
    position = where.state(now, drive.tool.width)
    placed = position in ("good", "poor") and pose is not None
    areas = drive.areas()
    undo, end = stint_state.undoable(drive.taps, t), drive.finish(t)
    return replace(
        idle, **names,
        state=stood.state, field=drive.field.name, operation=drive.job.operation,
        target=wording.times(drive.job.target), since=stood.since, stop_reason=stood.reason,
        position=position, pose=pose, speed=pose.speed if placed else None,
        done_area=areas.get("done"), field_area=areas.get("field"), pass_tally=stood.tally,
        tally_area=tap_details.tally_area(drive), strip=ahead.strip if ahead else None,
        strip_over=ahead.over if ahead else (), sentence=drive.said(),
        undo_label=undo and stint_state.UNDOABLE[undo.kind],
        undo_left=stint_state.UNDO_S - (t - undo.at) if undo else 0.0,
        working_s=stood.working_s(t), stint_s=t - drive.stint.at, wing=stood.wing,
        finish_at=end and (end.early, end.likely, end.late), hand_over_id=drive.handed,
        greased_at=drive.last["grease"].at if "grease" in drive.last else None,
    )  # fmt: skip
