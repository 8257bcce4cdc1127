"""The open stint, as those who judge and reckon see it; ``driving.Drive`` is one."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from cabapp.common.units import Units
from cabapp.counting.live_spacing import LiveSpacing
from cabapp.jobs.pass_counts.live_count import LiveCount
from cabapp.jobs.records.field_marks import FieldMark
from cabapp.jobs.records.stint_state import StintState
from cabapp.planning.finish_time import Finish
from cabapp.planning.go_rules import GoRules
from cabapp.session.advice.day_facts import Advice
from cabapp.session.state.position_state import PositionState
from cabapp.session.state.view import Sentence
from cabapp.track.pose import Pose
from cabapp.track.tool import ToolGeometry
from store.models import Field, Job, Stint, Tap


class OpenStint(Protocol):
    """What is read of the open stint; nothing here alters it.

    ``last`` is the last standing tap of each kind; ``count`` is None while there is neither a
    boundary nor a place; ``asks`` is what the day asks; lengths m, times POSIX s.
    """

    stint: Stint
    job: Job
    field: Field
    tool: ToolGeometry
    taps: list[Tap]
    last: dict[str, Tap]
    standing: StintState
    count: LiveCount | None
    marks: tuple[FieldMark, ...]
    where: PositionState
    lapping: LiveSpacing
    units: Units
    notice: Sentence | None
    goes: GoRules

    @property
    def pose(self) -> Pose | None:
        """Where tractor and tool are."""

    @property
    def up(self) -> bool:
        """Whether the crop is up, by the estimate."""

    @property
    def asks(self) -> tuple[Advice, ...]:
        """What the day asks."""

    def areas(self) -> dict:
        """The job's areas, m2."""

    def pace(self) -> float | None:
        """Pass area a second at work, m2/s."""

    def paces(self) -> np.ndarray:
        """Her paces in this stint, m2/s for every ten minutes at work."""

    def finish(self, now: float) -> Finish | None:
        """When it will likely be done."""
