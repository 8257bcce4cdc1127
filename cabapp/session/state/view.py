"""Immutable values shown by screens: SI, POSIX s, degrees for latitude and longitude."""

from dataclasses import dataclass
from typing import Any

from cabapp.common.message import Message
from cabapp.jobs.records.pending_handovers import WaitingHandOver
from cabapp.session.state.sentence import Sentence
from cabapp.track.pose import Pose
from cabapp.track.tool import Part


@dataclass(frozen=True, slots=True)
class Choice:
    """One line of a list to choose from at take-over; `elsewhere` says that it is in an open stint of another tablet."""

    id: str
    name: str
    elsewhere: Message | None = None


@dataclass(frozen=True, slots=True)
class FieldChoice:
    """One field at take-over; ``metres`` from here and ``share_done`` (0..1) when known.

    ``closes`` is when its crop closes it to the roller, POSIX s: an estimate. ``odd``: its boundary
    is one that no field can have, so it counts as without.
    """

    id: str
    name: str
    crop: str | None = None
    target: int = 2
    metres: float | None = None
    share_done: float | None = None
    closes: float | None = None
    odd: bool = False


@dataclass(frozen=True, slots=True)
class Choices:
    """Everything the take-over screen offers.

    ``last`` is "same as last time": ids of (operator, tractor, tool, field), or None.
    ``cautions`` are lines to be acknowledged once a day with ``tap("caution")``; empty
    when today's have been.
    """

    operators: tuple[Choice, ...]
    tractors: tuple[Choice, ...]
    tools: tuple[Choice, ...]
    fields: tuple[FieldChoice, ...]
    last: tuple[str, str, str, str] | None
    cautions: tuple[Message, ...]
    hand_overs: tuple[WaitingHandOver, ...] = ()


@dataclass(frozen=True, slots=True)
class HandOverSheet:
    """A prepared hand-over: shown, gone through by both, then given to ``Session.hand_over``.

    ``sheet`` has one entry for each of the nine points; its keys are in
    ``cabapp.jobs.records.pending_handovers.POINTS``. ``next_lat``, ``next_lon`` (degrees) are where the
    next pass begins, None when it is not known.
    """

    state: str
    left_for: bool
    sheet: dict[str, Any]
    next_lat: float | None
    next_lon: float | None


@dataclass(frozen=True, slots=True)
class Received:
    """What came of pointing at the next pass: closed, or shown again."""

    agreed: bool
    metres_off: float | None
    words: Message


@dataclass(frozen=True, slots=True)
class View:
    """All that a screen draws, as of ``now``.

    `state`: "idle", "ready" (taken over, not started), "working", "stopped", "finished" (still undoable; becomes idle
        by itself) or "handed over" (waiting for the receiver).
    `operator`, `tractor`, `tool`, `field`, `operation`: names for the head rule; None when idle.
    `target`: "once", "twice", "3 times".
    `since`: start of the present state, POSIX s.
    `position`: "good", "poor", "lost" or "none" (no receiver).
    `lost_since`: last trusted fix when the position is lost, POSIX s.
    `speed`: m/s.
    `pose`: where tractor and tool are on the job's plane.
    `done_area`, `field_area`: m2: ground at or above target, the field. None when not known, never 0 for unknown.
    `pass_tally`: passes counted by tap, for a day without a receiver.
    `strip`, `strip_over`: what each twelfth of the tool will leave, left to right, and whether that is more than the
        target; `strip_works` whether it works.
    `on`: which sections of the tool work, or which thirds of one without; () = all.
    `sections`: how many the tool has, 0 where it has none that work by themselves.
    `undo_label`: what "undo" would take back now; ``undo_left`` s are left to do it.
    `working_s`, `stint_s`: seconds working, and since take-over.
    `greased_at`: when the tool was last greased in this stint, POSIX s.
    `finish_at`: likely finish (early, middle, late), POSIX s; late is infinite where the slowest spell got nowhere.
    """

    state: str
    operator: str | None
    tractor: str | None
    tool: str | None
    field: str | None
    operation: str | None
    target: Message | None
    since: float | None
    stop_reason: str | None
    position: str
    lost_since: float | None
    speed: float | None
    pose: Pose | None
    done_area: float | None
    field_area: float | None
    pass_tally: int
    strip: tuple[int, ...] | None
    strip_over: tuple[bool, ...]
    sentence: Sentence | None
    undo_label: Message | None
    undo_left: float
    working_s: float
    stint_s: float
    now: float
    on: Part = ()
    strip_works: tuple[bool, ...] = ()
    sections: int = 0
    tally_area: float | None = None
    finish_at: tuple[float, float, float] | None = None
    hand_over_id: str | None = None
    greased_at: float | None = None
    position_words: Message | None = None
