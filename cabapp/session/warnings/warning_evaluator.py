"""Chooses the one sentence that stands. Pure.

Notes: At most one sentence, the lowest rank first (``state.sentence``); a quiet one, or none, where the operator need
do nothing. For every warning it is recorded whether the operator acted on it within ``ACT_S``.
"""

import math
from collections import deque
from dataclasses import dataclass, field

from cabapp.common import wording
from cabapp.common.message import Message, message
from cabapp.common.quantities import ClockTime, Distance, Length
from cabapp.geometry.angles import turn_between
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from cabapp.session.state.position_state import LOST_AFTER_S
from cabapp.session.state.sentence import DANGER, QUIET, RECORDING, RECOVER, SEEDER, STOP_RULE, Sentence
from cabapp.session.warnings.finished_ground import FinishedGroundAlarm, thresholds
from cabapp.session.warnings.missed_tap import SLOWEST, MissedTapDetector
from cabapp.session.warnings.situation import Situation
from cabapp.session.warnings.warning_outcome import WarningFollowUp, WarningOutcome

TIGHTEST = 1 / 40.0
"""Curvature above which the tractor is turning, 1/m: wider than any turn at a row's end."""

FASTEST_TURN = math.radians(5.0)
"""Heading rate above which the tractor is turning, rad/s."""

SETTLE_S = 5.0
"""Silence after a start, s."""

FAR_S, BACK_S = 10.0, 5.0
"""How long we are far from the field before it is said, and back before it is withdrawn, s."""

CHANGE_FIELD = "change_field"
"""The key that leads to taking over another field; no tap, for the stint has to be finished first."""

_LOST, _FAR = RECORDING + 0.5, RECORDING + 0.6
_WHOLE = 0.9  # of the tool: more is all of it


@dataclass(frozen=True, slots=True)
class WarningResult:
    """The sentence that stands, and the warnings whose outcome is known by now."""

    sentence: Sentence | None
    outcomes: tuple[WarningOutcome, ...] = field(default=())


class WarningEvaluator:
    """Judges one situation after another; times must not go back."""

    def __init__(self):
        self._finished_ground = FinishedGroundAlarm()
        self._missed_tap = MissedTapDetector()
        self._follow_up = WarningFollowUp()
        self._raised: set[tuple] = set()
        self._known: set[tuple] = set()
        self._finished_words: tuple[Message | None, int] = (None, 0)
        self._headings: deque[tuple[float, float]] = deque()
        self._far_since: float | None = None
        self._far_last = 0.0
        self._far_said: float | None = None
        self._sound = 0
        self._asked: tuple | None = None
        self.rank: int | None = None

    def feed(self, now: Situation) -> WarningResult:
        """Return what to say in this situation."""
        turning = self._is_turning(now)
        judged = (self._danger, self._recording, self._lost, self._far, self._stop, self._seeder)
        sentences = [judge(now) for judge in judged]
        sentences.append(self._about_to_recover(now, turning))
        sentences.append(now.quiet or self._advice(now))
        sentence = next((said for said in sentences if said is not None), None)
        self.rank = sentence.rank if sentence else None
        return WarningResult(sentence, self._follow_up.feed(now))

    @property
    def can_silence(self) -> bool:
        """Whether a sentence stands that can be silenced."""
        return self.rank in (DANGER, STOP_RULE, SEEDER, RECOVER) or (self.rank == QUIET and self._asked is not None)

    def i_know(self) -> bool:
        """Silence the sentence that stands; return whether there was one."""
        if not self.can_silence:
            return False
        if self.rank == RECOVER:
            self._finished_ground.i_know()
        elif self.rank == QUIET:
            self._known.add(self._asked)
        else:
            self._known |= {label for label in self._raised if label[0] == self.rank}
        return True

    def answered(self) -> None:
        """Take the question about a forgotten tap away."""
        self._missed_tap.answered()

    @property
    def question_since(self) -> float | None:
        """The moment the standing question asks about, POSIX s."""
        question = self._missed_tap.question
        return question.since if question else None

    def flush(self) -> tuple[WarningOutcome, ...]:
        """Return the warnings not graded yet, as not acted on: the stint ends here."""
        return self._follow_up.flush()

    def _stands(self, rank, key, kind, holds, now) -> bool:
        """Say whether a sentence stands: a sound when it begins, silent once known."""
        label = (rank, key)
        others = {other for other in self._raised if other[0] == rank}
        gone = others - {label} if holds else others
        self._raised -= gone
        self._known -= gone
        if holds and label not in self._raised:
            self._raised.add(label)
            self._sound += 1
            self._follow_up.raised(kind, now)
        return holds and label not in self._known

    def _danger(self, now):
        danger = now.danger
        holds = danger is not None and (now.speed or 0.0) >= SLOWEST and not now.reversing
        if not self._stands(DANGER, danger and danger.key, "danger", holds, now):
            return None
        aside = 0 if abs(danger.aside) < now.width / 6 else int(math.copysign(1, danger.aside))
        kind, length = Message(danger.kind), Length(danger.ahead)
        if aside < 0:
            said = message("{Kind} ahead on the left, {length}.", kind=kind, length=length)
        elif aside > 0:
            said = message("{Kind} ahead on the right, {length}.", kind=kind, length=length)
        else:
            said = message("{Kind} ahead, {length}.", kind=kind, length=length)
        return Sentence(DANGER, said, True, -aside, True, sound=self._sound)

    def _recording(self, now):
        speed = now.speed if now.position in ("good", "poor") else None
        question = self._missed_tap.feed(now.now, now.state, now.since, speed, now.in_field)
        kind = question.kind if question else ""
        if not self._stands(RECORDING, kind, kind, question is not None, now):
            return None
        since = ClockTime(question.since)
        if kind == "forgotten":
            said = message("Were you {work} since {time}?", work=Message(now.operation), time=since)
            answers = _answers(now, "were_rolling", "not_rolling")
        else:
            said = message("Stop counting from {time}?", time=since)
            answers = _answers(now, "stop_counting", "still_working")
        return Sentence(RECORDING, said, True, answers=answers, sound=self._sound)

    def _lost(self, now):
        since = now.since if now.lost_since is None else now.lost_since
        lost = now.position == "lost" and now.now - since > LOST_AFTER_S
        holds = now.state == "working" and lost
        # a rank of its own inside, so that a question that stands does not sound again
        if not self._stands(_LOST, "", "lost", holds, now):
            return None
        if now.lost_since is None:
            said = message(
                "I do not know where we are. Taps and hours go on; this ground is not counted. Keep count yourself."
            )
        else:
            said = message(
                "I do not know where we are since {time}. Taps and hours go on; this ground is not counted. "
                "Keep count yourself.",
                time=ClockTime(now.lost_since),
            )
        return Sentence(RECORDING, said, True, sound=self._sound)

    def _far(self, now):
        if now.away is not None:
            self._far_since = now.now if self._far_since is None else self._far_since
            self._far_last = now.now
        elif now.now - self._far_last > BACK_S:
            self._far_since = self._far_said = None
        since = self._far_since
        holds = now.state == "working" and since is not None and now.now - since >= FAR_S
        # a rank of its own inside, as that of `_lost`
        if not self._stands(_FAR, "", "away", holds, now):
            return None
        return Sentence(
            RECORDING, self._say_far(now), True, answers=((message("Change field"), CHANGE_FIELD),), sound=self._sound
        )

    def _say_far(self, now):
        if now.away is not None and (self._far_said is None or abs(now.away - self._far_said) > 0.1 * now.away):
            self._far_said = now.away  # said anew when it is another by a tenth
        return message(
            "You are {distance} from {field}. Recording goes on; it is not counted here. Change field?",
            distance=Distance(self._far_said), field=now.field,
        )  # fmt: skip

    def _stop(self, now):
        holds = now.state == "working" and now.stop_rule is not None
        if not self._stands(STOP_RULE, now.stop_rule, "stop rule", holds, now):
            return None
        return Sentence(STOP_RULE, now.stop_rule, True, 0, True, sound=self._sound)

    def _seeder(self, now):
        holds = now.state == "working" and now.seeder is not None
        if not self._stands(SEEDER, "", "seeder", holds, now):
            return None
        return Sentence(SEEDER, now.seeder, True, 0, True, sound=self._sound)

    def _advice(self, now):
        """Advice of the day: no sound, no outcome, and silent once acknowledged until its cause is gone."""
        labels = {(QUIET, ask.key): ask for ask in now.advice}
        self._known -= {known for known in self._known if known[0] == QUIET and known not in labels}
        self._asked = next((label for label in labels if label not in self._known), None)
        return self._asked and Sentence(QUIET, labels[self._asked].words, i_know=True)

    def _about_to_recover(self, now, turning):
        if now.state != "working":
            self._finished_ground.end_pass()
            return None
        if now.over is None or now.heading is None:
            return None
        e_on, e_off = thresholds(now.width, now.lap_sigma, now.sigma)
        verdict = self._finished_ground.feed(
            now.now, now.over, e_on, e_off, heading=now.heading, quiet=turning or _hold_back(now)
        )
        if verdict.sound:
            self._sound += 1
        if verdict.rising:
            self._follow_up.raised("recover", now, e=now.over, threshold=e_on, e_off=e_off)
        if not verdict.shown:
            return None
        if now.over > e_off:
            self._finished_words = (self._say_recover(now), now.move_side)
        said, side = self._finished_words
        return Sentence(RECOVER, said, now.over > e_off, side, True, sound=self._sound)

    def _say_recover(self, now):
        done, times, length = wording.covered(now.operation), wording.how_often(now.target), Length(now.move)
        finished = now.over > now.width / 2
        side = now.move_side if now.move > 0 else 0
        values = {"done": done, "times": times} | ({"length": length} if side else {})
        if side < 0:
            if finished:
                return message("{Done} {times} already: this pass is finished. Move left {length}.", **values)
            return message("{Done} {times} already. Move left {length}.", **values)
        if side > 0:
            if finished:
                return message("{Done} {times} already: this pass is finished. Move right {length}.", **values)
            return message("{Done} {times} already. Move right {length}.", **values)
        if finished:
            return message("{Done} {times} already: this pass is finished.", **values)
        return message("{Done} {times} already.", **values)

    def _is_turning(self, now):
        """Return whether the tractor is turning, by the curve or by the heading over the last second."""
        if now.heading is None:
            self._headings.clear()
            return True
        past = self._headings
        past.append((now.now, now.heading))
        while len(past) > 2 and now.now - past[1][0] >= 1.0:
            past.popleft()
        seconds = now.now - past[0][0]
        rate = 0.0
        if seconds >= 1.0:
            rate = abs(turn_between(past[0][1], now.heading)) / seconds
        return abs(now.curvature) > TIGHTEST or rate > FASTEST_TURN


def _answers(now: Situation, yes: str, no: str) -> tuple[tuple[Message, str], ...]:
    """Return the two keys of a question."""
    return tuple(TAP_KINDS[kind].key(operation=Message(now.operation)) for kind in (yes, no))


def _hold_back(now: Situation) -> bool:
    """Say whether a word about covering again would be noise now, turns apart."""
    near_end = now.edge_ahead is not None and now.edge_ahead < now.reach + 2 * now.width
    # a strip narrower than the tool between finished ground: no move helps, so no warning
    closing = not now.move_side and now.over < _WHOLE * now.width
    return (
        now.reversing
        or now.speed is None
        or now.speed < SLOWEST
        or now.now - now.since < SETTLE_S
        # "good" means that e_on is at least 2.33 sigma, so no claim is within the error
        or now.position != "good"
        # near the row's end the headland lies ahead, and covering that is turning, not error
        or near_end
        or closing
    )
