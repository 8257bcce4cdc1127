"""Protocol of what may be read of the open stint; ``StintRunner`` implements it."""

from typing import Any, Protocol

import numpy as np

from cabapp.common.message import Message
from cabapp.counting.live_spacing import LiveSpacing
from cabapp.counting.look_ahead import Ahead
from cabapp.jobs.pass_counts.live_count import LiveCount
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.field_marks import FieldMark
from cabapp.jobs.records.stint_state import StintState
from cabapp.planning.finish_time import Finish
from cabapp.session.state.position_state import PositionState
from cabapp.session.state.sentence import Advice, Sentence
from cabapp.track.pose import Pose
from cabapp.track.tool import ToolGeometry
from store.models import Field, Job, Stint, Tap


class OpenStint(Protocol):
    """The open stint, read only.

    ``last`` is the last effective tap of each kind; ``count`` is None while there is neither a
    boundary nor a place; lengths m, times POSIX s.
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
    position: PositionState
    spacing: LiveSpacing
    farm: FarmSettings
    notice: Sentence | None
    ahead: Ahead | None
    hand_over_id: str | None

    @property
    def pose(self) -> Pose | None:
        """Where tractor and tool are."""

    @property
    def up(self) -> bool:
        """Whether the crop is up, by the estimate."""

    @property
    def advice(self) -> tuple[Advice, ...]:
        """Advice of the day, the most pressing first."""

    @property
    def question_since(self) -> float | None:
        """The moment the standing question asks about, POSIX s."""

    @property
    def can_silence(self) -> bool:
        """Whether a warning stands that can be silenced."""

    def day_lines(self) -> tuple[tuple[str, str], ...]:
        """The day in (name, words)."""

    def message(self) -> Sentence | None:
        """The sentence that stands."""

    def areas(self) -> dict[str, Any]:
        """The job's areas, m2."""

    def why_nothing(self) -> Message | None:
        """Return why nothing was counted of what was driven; None where something was."""

    def pace(self) -> float | None:
        """Pass area a second at work, m2/s."""

    def paces(self) -> np.ndarray:
        """Work rates in this stint, m2/s for every ten minutes at work."""

    def finish(self, now: float) -> Finish | None:
        """When it will likely be done."""
