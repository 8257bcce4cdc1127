"""What follows once a tap is durable."""

from collections.abc import Callable
from typing import Protocol

from cabapp.jobs.records.tap_kinds import TAP_KINDS
from cabapp.session.state.open_stint import OpenStint
from cabapp.session.state.sentence import Sentence
from cabapp.session.taps.tap_details import TapRow


class TappedStint(OpenStint, Protocol):
    """The open stint as effects alter it."""

    notice: Sentence | None

    def answer_question(self) -> None:
        """Withdraw the question about a missed tap."""

    def silence(self) -> None:
        """Silence the warning that stands."""

    def end_work(self) -> None:
        """Settle open warnings and seal the trace."""

    def read_marks(self) -> None:
        """Read the field's marks again."""

    def take_back(self, table: str, row_id: str, at: float) -> None:
        """Void a row."""


def apply_tap_effects(stint: TappedStint, row: TapRow) -> None:
    """Apply the effects of a tap's kind, in their order."""
    for name in row.effects:
        EFFECTS[name](stint, row)


def _take_back_row(stint: TappedStint, row: TapRow) -> None:
    undone = next(tap for tap in stint.taps if tap.id == (row.detail or {})["tap"])
    table, written = TAP_KINDS[undone.kind].written_table, (undone.detail or {}).get("row")
    if table and written:
        stint.take_back(table, written, row.at)
        stint.read_marks()


def _clear_notice(stint: TappedStint, _row: TapRow) -> None:
    stint.notice = None


EFFECTS: dict[str, Callable[[TappedStint, TapRow], None]] = {
    "answer_question": lambda stint, _row: stint.answer_question(),
    "clear_notice": _clear_notice,
    "end_work": lambda stint, _row: stint.end_work(),
    "read_marks": lambda stint, _row: stint.read_marks(),
    "silence": lambda stint, _row: stint.silence(),
    "take_back_row": _take_back_row,
}
"""Functions by the names in ``TapKind.effects``."""
