"""Builds the View from the open stint and the receiver."""

from dataclasses import replace

from cabapp.common import wording
from cabapp.common.message import Message
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from cabapp.session.state.open_stint import OpenStint
from cabapp.session.state.position_state import PositionState
from cabapp.session.state.view import View


def build_view(runner: OpenStint | None, here: PositionState, now: float, names: dict, position_words: Message) -> View:
    """Return the view.

    `runner`: the open stint.
    `now`: by the session's clock, POSIX s.
    `names`: operator, tractor, tool: their names.
    `position_words`: the receiver's own state in words.
    """
    t = round(here.time(now), 6)
    idle = View(
        state=stint_state.IDLE, operator=None, tractor=None, tool=None, field=None,
        operation=None, target=None, since=None, stop_reason=None,
        position=here.state(now, None), lost_since=here.lost_since(now),
        speed=None, pose=None, done_area=None, field_area=None,
        pass_tally=0, strip=None, strip_over=(), sentence=None, undo_label=None,
        undo_left=0.0, working_s=0.0, stint_s=0.0, now=t, position_words=position_words,
    )  # fmt: skip
    if runner is None:
        return idle
    stood, pose, ahead = runner.standing, runner.pose, runner.ahead
    position = here.state(now, runner.tool.width)
    placed = position in ("good", "poor") and pose is not None
    areas = runner.areas()
    undo, end = stint_state.undoable(runner.taps, t), runner.finish(t)
    return replace(
        idle, **names,
        state=stood.state, field=runner.field.name, operation=runner.job.operation,
        target=wording.how_often(runner.job.target), since=stood.since, stop_reason=stood.reason,
        position=position, pose=pose, speed=pose.speed if placed else None,
        done_area=areas.get("done"), field_area=areas.get("field"), pass_tally=stood.tally,
        tally_area=stood.tally_area(runner.tool.width), strip=ahead.strip if ahead else None,
        strip_over=ahead.over if ahead else (), strip_works=ahead.works if ahead else (),
        sections=len(runner.tool.sections), sentence=runner.message(),
        undo_label=undo and Message(TAP_KINDS[undo.kind].undo),
        undo_left=stint_state.UNDO_S - (t - undo.at) if undo else 0.0,
        working_s=stood.working_s(t), stint_s=t - runner.stint.at, on=stood.on,
        finish_at=end and (end.early, end.likely, end.late), hand_over_id=runner.hand_over_id,
        greased_at=runner.last["grease"].at if "grease" in runner.last else None,
    )  # fmt: skip
