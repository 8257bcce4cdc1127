"""Every kind of tap, one row each: states, detail, undo, words, refresh and effects.

States, checks, undo, the log of a report and the keys of the screens all read this table. Functions named
here lie in ``cabapp.session.taps``; a test fails while any part of a row is missing.
"""

import math
from dataclasses import dataclass, field
from typing import Any, TypeGuard

from cabapp.common.message import N_, Message
from cabapp.common.quantities import (
    Area,
    AreaRate,
    ClockTime,
    Day,
    DayAndTime,
    Length,
    Quantity,
    Speed,
    Temperature,
    Volume,
)
from cabapp.jobs.records.field_marks import MARKS, STONE_HIT
from cabapp.jobs.records.tool_parts import WINGS, numbers_off, part_of
from cabapp.planning.go_rules import ANSWERS
from cabapp.track.tool import MOST_SECTIONS
from store.errors import Refused
from store.limits import INSTANT_LIMIT_S
from store.values.value_judge import NOTE, TextRule, limits

_SHORT = TextRule(NOTE)
IDLE, READY, WORKING, STOPPED = "idle", "ready", "working", "stopped"
FINISHED, HANDED_OVER = "finished", "handed over"
OPEN = (READY, WORKING, STOPPED)
STATES = (IDLE, READY, WORKING, STOPPED, FINISHED, HANDED_OVER)

GATHER, REREAD = "gather", "reread"
"""What of the day a tap refreshes: its facts are gathered again, or first read from the store again."""


class TapRefused(Refused):
    """A tap that does not fit the state, or lacks what it needs; nothing was recorded."""


@dataclass(frozen=True, slots=True)
class Entry:
    """How the cab asks for a number, stepped in the farm's unit.

    `words`, `unknown`: said with the figure, and while there is none; ``{figure}`` is its place.
    `first`: where the first touch begins, SI.
    """

    words: str
    unknown: str
    first: float


@dataclass(frozen=True, slots=True)
class Value:
    """One value of a tap's detail.

    `refusal`: said when the value does not fit; ``{value}`` and ``{choices}`` are its places.
    `quantity`: what a number measures: the log of a report writes it in the farm's units.
    `entry`: how the cab asks for it, if it is a number with bounds; by taps of the kind's key.
    `low`, `high`: bounds of a number, SI.
    `exclusive`: which bounds are themselves refused: "", "low" or "both".
    `choices`: what can be chosen, instead of bounds; words are messages, in ``N_``.
    `default`: taken when nothing is given.
    `many`: a list of names, unchecked.
    `flag`: true or false, false when not given.
    `sections`: a sign for each section of the tool from the left: "1" works, "0" does not.
    """

    name: str
    refusal: str = ""
    low: float = float("-inf")
    high: float = float("inf")
    exclusive: str = ""
    choices: tuple[Any, ...] = ()
    required: bool = False
    default: Any = None
    many: bool = False
    flag: bool = False
    sections: bool = False
    quantity: type[Quantity] | None = None
    entry: Entry | None = None

    def check(self, value: Any) -> Any:
        """Return the value as it is kept.

        Raises TapRefused: it is lacking, or out of bounds.
        """
        if self.flag:
            return bool(value)
        if self.many:
            return [str(one) for one in value or ()]
        value = self.default if value is None else value
        if not self.refusal or (value is None and not self.required):
            return value
        if not self._fits(value):
            raise TapRefused(self.refusal, value=value, choices=tuple(Message(str(one)) for one in self.choices))
        return value

    def keeps(self, kept: Any) -> bool:
        """Return whether a tap can have kept this value: whatever a bundle brought is read by the same bounds."""
        if kept is None:
            return not self.required
        if self.flag:
            return isinstance(kept, bool)
        if self.many:
            return isinstance(kept, list) and all(isinstance(one, str) and _SHORT.fits(one) for one in kept)
        if self.refusal or self.quantity:
            return self._fits(kept) and (not _is_number(kept) or abs(kept) < INSTANT_LIMIT_S)
        return _SHORT.fits(kept) or _is_number(kept)

    def shown(self, kept: Any, unsaid: str) -> object:
        """Return a kept value as it stands in a message; ``unsaid`` in place of none."""
        if self.sections and kept:
            return numbers_off(part_of({self.name: kept})[0]) or Message("none")
        if self.quantity and (kept is None or _is_number(kept)):
            return self.quantity(kept)
        if isinstance(kept, str) and kept in self.choices:
            return Message(kept)
        return unsaid if kept is None else kept

    def _fits(self, value: Any) -> bool:
        if self.choices:
            return isinstance(value, (str, int)) and value in self.choices
        if self.sections:
            return isinstance(value, str) and 0 < len(value) <= MOST_SECTIONS and not value.strip("01")
        if not _is_number(value) or not math.isfinite(value):
            return False
        above = self.low < value if self.exclusive in ("low", "both") else self.low <= value
        return above and (value < self.high if self.exclusive == "both" else value <= self.high)


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


@dataclass(frozen=True, slots=True)
class TapKind:
    """One kind of tap.

    `name`: as it is stored.
    `words`: in the log of a report; ``{reason}`` and the values of the detail are its places.
    `transitions`: the state it leads to, by the state it is allowed in. Empty: written by the program alone.
    `undo`: what undo calls it; "" where it cannot be undone.
    `refresh`: ``GATHER``, ``REREAD`` or "".
    `why_not`: why it is refused in a state, where more can be said than the state itself says.
    `own_method`: made by a method of ``Session`` of its own, not by ``Session.tap``.
    `values`: the detail it takes.
    `kept`: the detail its completion keeps, where that is not ``values``.
    `written_table`: table of the row it writes besides itself, which undo takes back.
    `button`: words of its key where the screen's program makes the key.
    `menu`: whether the page behind "More" has a key for it; each value it takes, one or two, has an ``entry`` then.
    `switches`: whether it begins or ends work, or switches a part of the tool: its order among such taps is kept.
    `needs_place`: it keeps where it was made, or a place pointed out on the map; the refusal while neither is known.
    `listed`: whether the log of a report lists it.
    `completion`, `effects`: functions of ``session.taps``: what completes its detail, and what follows once it is
        durable.
    `words_when`: other words for one value of the detail.
    """

    name: str
    words: str
    transitions: dict[str, str] = field(kw_only=True)
    undo: str = field(kw_only=True)
    refresh: str = field(kw_only=True)
    why_not: dict[str, str] = field(default_factory=dict)
    own_method: bool = False
    values: tuple[Value, ...] = ()
    kept: tuple[Value, ...] = ()
    written_table: str = ""
    button: str = ""
    menu: bool = False
    switches: bool = False
    needs_place: str = ""
    listed: bool = True
    completion: str = ""
    effects: tuple[str, ...] = ()
    words_when: dict[tuple[str, Any], str] = field(default_factory=dict)

    @property
    def entered(self) -> bool:
        """Whether all its values, one or two, are numbers that the cab can ask for."""
        return 0 < len(self.values) <= 2 and all(value.entry for value in self.values)

    def key(self, **values: object) -> tuple[Message, str]:
        """Return the words of its key, and the kind the key stands for."""
        return Message(self.button, values), self.name

    def check(self, given: dict[str, Any]) -> dict[str, Any]:
        """Return the detail as it is kept.

        Raises TapRefused: a value is lacking or out of bounds.
        Raises TypeError: a value this kind does not take.
        """
        unknown = given.keys() - {value.name for value in self.values}
        if unknown:
            raise TypeError(f"{self.name} takes no {', '.join(sorted(unknown))}")
        return {value.name: value.check(given.get(value.name)) for value in self.values}


def _stay(*states: str) -> dict[str, str]:
    return {state: state for state in states}


_NOT_STARTED = N_("Work has not started yet. Press Start.")
_RECORDED = N_("Work is already being recorded.")

_KINDS = (
    # acts with a method of their own
    TapKind(
        "take_over", N_("Took over"), undo="", refresh="", own_method=True,
        transitions={IDLE: READY, FINISHED: READY, HANDED_OVER: READY},
        why_not={WORKING: N_("A stint is open. Stop and finish it, or hand it over, before another begins.")},
    ),
    TapKind(
        "hand_over", N_("Handed over"), undo="", refresh="", own_method=True, switches=True, effects=("end_work",),
        transitions={READY: HANDED_OVER, STOPPED: HANDED_OVER},
        why_not={WORKING: N_("Stop first. A hand-over is done standing, with the engine off.")},
    ),
    TapKind(
        "receive", N_("Received"), undo="", refresh="", own_method=True,
        transitions={IDLE: IDLE, FINISHED: IDLE, HANDED_OVER: IDLE},
        why_not={
            WORKING: N_("Stop first. A hand-over is received standing, with the engine off."),
            STOPPED: N_("A stint is open. Finish it, or hand it over, before receiving another."),
        },
    ),
    # taps that begin and end work
    TapKind(
        "start", N_("Started"), transitions={READY: WORKING}, undo=N_("start"), refresh=GATHER, switches=True,
        why_not={
            IDLE: N_("Nobody has taken over yet. Choose operator, tractor, tool and field first."),
            WORKING: _RECORDED,
            STOPPED: N_("You have stopped. Press Restart to go on."),
        },
    ),
    TapKind(
        "stop", N_("Stopped: {reason}"), transitions={WORKING: STOPPED}, undo=N_("stop"), refresh=GATHER, switches=True,
        effects=("end_work",),
        why_not={
            READY: N_("Work has not started yet, so there is nothing to stop."),
            STOPPED: N_("You have stopped already."),
        },
    ),
    TapKind(
        "restart", N_("Restarted"), transitions={STOPPED: WORKING}, undo=N_("restart"), refresh=GATHER, switches=True,
        why_not={READY: _NOT_STARTED, WORKING: _RECORDED},
    ),
    TapKind(
        "finish", N_("Finished"), refresh="", transitions=dict.fromkeys(OPEN, FINISHED), undo=N_("finish"),
        switches=True, effects=("end_work",),
    ),
    # answers to "Were you rolling since ...?" and "Stop counting from ...?"
    TapKind(
        "were_rolling", N_("“Yes, count it” from {from}"), transitions={READY: WORKING, STOPPED: WORKING},
        undo=N_("counting from earlier"), button=N_("Yes, count it"), refresh=GATHER,
        kept=(Value("from", required=True, quantity=ClockTime),), completion="question_since", effects=("answer_question",),
    ),
    TapKind(
        "not_rolling", N_("“No, driving”"), undo="", refresh="", transitions=_stay(READY, STOPPED),
        button=N_("No, driving"), effects=("answer_question",),
    ),
    TapKind(
        "stop_counting", N_("“Stop counting” from {from}"), transitions={WORKING: STOPPED},
        undo=N_("stop from earlier"), button=N_("Yes, stopped"), refresh=GATHER,
        kept=(Value("from", required=True, quantity=ClockTime),), completion="question_since", effects=("answer_question", "end_work"),
    ),
    TapKind(
        "still_working", N_("“Still working”"), undo="", refresh="", transitions=_stay(WORKING),
        button=N_("No, {operation}"), effects=("answer_question",),
    ),
    # taps that leave the state as it is
    TapKind(
        "width", N_("Wing {wing}"), refresh="", transitions=_stay(*OPEN), undo=N_("width change"), switches=True,
        values=(Value("wing", N_("Say which wing is up: {choices}."), choices=WINGS, required=True),),
        words_when={("wing", "all"): N_("Whole width"), ("wing", "both up"): N_("Both wings up")},
    ),
    TapKind(
        "sections", N_("Sections off: {on}"), refresh="", transitions=_stay(*OPEN), undo=N_("sections"), switches=True,
        values=(
            Value("on", N_("Say of each section of the tool whether it works."), sections=True, required=True),
        ),
        completion="part_of_tool",
    ),
    TapKind(
        "worked_width", N_("Working width {width_m}"), refresh="", transitions=_stay(*OPEN), undo="", switches=True,
        own_method=True, kept=(Value("width_m", N_("A part of a tool is no wider than any tool."), 0.0, limits("stint", "width_m")[1], required=True, quantity=Length),),
    ),
    TapKind(
        "pass_counted", N_("Passes counted by hand: {passes}, length {length_m}"), refresh="", transitions=_stay(WORKING, STOPPED),
        undo=N_("counted pass"),
        why_not={READY: N_("Press Start before counting a pass.")},
        values=(
            Value(
                "passes", N_("Count 1 to 5 passes at a time. To take one away, press Undo."),
                choices=(1, 2, 3, 4, 5), default=1,
            ),
            Value("length_m", N_("A pass is more than nothing and less than 20 km long."), 0, 20000, exclusive="both", quantity=Length),
        ),
        completion="only_told",
    ),
    TapKind("stop_reason", N_("Reason of the stop: {reason}"), undo="", refresh="", transitions=_stay(STOPPED)),
    TapKind(
        "mark", N_("Marked {kind}"), transitions=_stay(*OPEN), undo=N_("mark"), written_table="mark", refresh=GATHER,
        values=(
            Value(
                "kind", N_("There is no mark called {value}. Choose one of: {choices}."),
                choices=(*MARKS, STONE_HIT), default="rock",
            ),
            Value("note"),
        ),
        completion="mark_row", effects=("read_marks",),
    ),
    TapKind(
        "fuel", N_("Fuel in: {litres}"), transitions=_stay(*OPEN), undo=N_("fuel"), written_table="fuel_entry", refresh=REREAD,
        values=(
            Value(
                "litres", N_("Say how much fuel went in, more than nothing and less than 5000 litres."),
                *limits("fuel_entry", "litres"), exclusive="both", required=True, quantity=Volume,
            ),
            Value("price_per_l"),
        ),
        completion="fuel_row",
    ),
    TapKind(
        "look_first", N_("Looked first"), undo="", transitions=_stay(*OPEN), refresh=GATHER,
        values=tuple(Value(answer, flag=True) for answer in ANSWERS),
    ),
    TapKind(
        "walk_round", N_("Walk round"), undo="", transitions=_stay(READY, STOPPED), refresh=REREAD,
        values=(Value("fine", many=True), Value("fault", many=True)),
    ),
    TapKind(
        "seeder", N_("Seeder is here"), button=N_("Seeder is here"), menu=True, transitions=_stay(*OPEN),
        undo=N_("seeder"), refresh=REREAD,
        needs_place=N_("I do not know where we are, so I cannot note where the seeder is."),
    ),
    TapKind(
        "seeder_pace", N_("Seeder pace {rate}, {seeded} seeded"), transitions=_stay(*OPEN), undo=N_("pace of the seeder"), refresh=REREAD,
        values=(
            Value("rate", N_("Say how much ground the seeder does in an hour: less than 72 ha (178 ac)."), 0, 200, quantity=AreaRate),
            Value("seeded", N_("Say how much ground of this field is seeded."), 0, 1e8, quantity=Area),
        ),
    ),
    TapKind(
        "rain", N_("Rain expected {at}"), transitions=_stay(*OPEN), undo=N_("rain"), refresh=GATHER,
        values=(Value("hours", N_("Say in how many hours rain is coming, 3 days at most."), 0, 72, exclusive="low"),),
        kept=(Value("at", quantity=DayAndTime),), words_when={("at", None): N_("No rain expected")},
        completion="rain_time",
    ),
    TapKind(
        "weather", N_("Weather: wind {wind}, air {air}"), transitions=_stay(*OPEN), undo=N_("weather"), refresh=GATHER,
        values=(
            Value("wind", N_("Say how hard the wind blows: less than 40 m/s (90 mph)."), 0, 40, quantity=Speed,
                  entry=Entry(N_("Wind {figure}"), N_("Wind: not known"), 3.0)),
            Value("air", N_("Say how warm the air is, between -20 and 50 degrees C."), -20, 50, quantity=Temperature,
                  entry=Entry(N_("Air {figure}"), N_("Air: not known"), 15.0)),
        ),
    ),
    TapKind(
        "soil", N_("Soil temperature read: {celsius}"), transitions=_stay(READY, STOPPED), undo=N_("soil temperature"),
        refresh=REREAD,
        values=(
            Value(
                "celsius", N_("Say how warm the soil is at seeding depth, between -5 and 45 degrees C."),
                -5, 45, required=True, quantity=Temperature,
            ),
        ),
    ),
    TapKind(
        "seeded", N_("Told the day of seeding: {at}"), transitions=_stay(READY, STOPPED), undo=N_("day of seeding"),
        refresh=REREAD,
        values=(
            Value("days_ago", N_("Say how many days ago this field was seeded, 90 at most."), 0, 90, required=True),
        ),
        kept=(Value("at", required=True, quantity=Day),),
        completion="seeding_time",
    ),
    TapKind(
        "grease", N_("Greased"), transitions=_stay(READY, STOPPED), undo=N_("grease"), button=N_("Greased"),
        refresh=REREAD,
    ),
    TapKind(
        "hitching_ok", N_("Hitching looked at"), undo="", refresh="", transitions=_stay(*OPEN),
        button=N_("It is right"), effects=("clear_notice",),
    ),
    TapKind(
        "i_know", N_("I know"), undo="", refresh="", transitions=_stay(*OPEN), button=N_("I know"), listed=False,
        completion="something_to_silence", effects=("silence",),
    ),
    TapKind("caution", N_("Read the cautions"), undo="", refresh="", transitions=_stay(*STATES)),
    TapKind(
        "undo", N_("Took it back"), undo="", transitions=_stay(*OPEN, FINISHED), button=N_("Undo {tap}"),
        refresh=REREAD, listed=False,
        why_not={HANDED_OVER: N_("A hand-over cannot be undone. Take over again to go on with the field.")},
        completion="undone_tap", effects=("take_back_row",),
    ),
    # written by the program
    TapKind("warned", N_("Warned"), transitions={}, undo="", refresh="", listed=False),
    TapKind("check_skipped", N_("Check skipped"), transitions={}, undo="", refresh=""),
)  # fmt: skip

TAP_KINDS: dict[str, TapKind] = {kind.name: kind for kind in _KINDS}

TAPS = tuple(kind.name for kind in _KINDS if kind.transitions)
"""Kinds that a person makes."""

WHY_NOT_IN_STATE: dict[str, str] = {
    IDLE: N_("Nobody has taken over yet. Take over first."),
    READY: N_("A stint is open but work has not started. Press Start, or finish it."),
    WORKING: N_("Not while work is being recorded. Stop first."),
    STOPPED: N_("Not while stopped. Restart, finish, or hand over first."),
    FINISHED: N_("This stint is finished. Take over to begin another."),
    HANDED_OVER: N_("This stint has been handed over. The next operator takes over first."),
}


def is_odd(tap: Any) -> bool:
    """Return whether a tap of a known kind says what no such tap can; those who count and show leave it out."""
    kind, detail = TAP_KINDS.get(tap.kind), tap.detail or {}
    return kind is not None and not all(value.keeps(detail.get(value.name)) for value in kind.kept or kind.values)


def tap_words(tap: Any) -> Message:
    """Return what a report's log says of a tap.

    `tap`: of any kind; one of a newer version is named by its kind.
    """
    kind, detail = TAP_KINDS.get(tap.kind), tap.detail or {}
    if kind is None:
        return Message(tap.kind.replace("_", " ").capitalize())
    for (name, value), words in kind.words_when.items():
        if detail.get(name, value) == value:
            return Message(words)
    unsaid = tap.reason or "something"
    shown = {one.name: one.shown(detail.get(one.name), unsaid) for one in kind.kept or kind.values}
    return Message(kind.words, {**shown, "reason": tap.reason or "no reason given"})
