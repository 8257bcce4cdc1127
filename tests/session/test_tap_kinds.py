"""The registry of taps: every row complete, every bound kept, nothing that only half knows a kind."""

import ast
import functools
import math
import re
from dataclasses import MISSING, fields, replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from cabapp.common.extract_messages import template
from cabapp.common.farm_format import FarmFormat
from cabapp.common.message import Message
from cabapp.common.rendering import render
from cabapp.common.units import Units
from cabapp.jobs.records import stint_state, tap_kinds
from cabapp.jobs.records.tap_kinds import GATHER, REREAD, STATES, TAP_KINDS, TapKind, TapRefused
from cabapp.session.taps.tap_details import COMPLETIONS
from cabapp.session.taps.tap_effects import EFFECTS
from store import models

ROOT = Path(__file__).resolve().parents[2] / "cabapp"


def problems(kind: TapKind, completions=COMPLETIONS, effects=EFFECTS, read=None) -> list[str]:
    """Return what is missing of a row of the registry, or of the functions it names."""
    found = []
    if not kind.words:
        found.append("no words in the log of a report")
    if not set(kind.transitions.items()) <= {(a, b) for a in STATES for b in STATES}:
        found.append("a state that is none")
    if kind.why_not.keys() & kind.transitions.keys() or not all(kind.why_not.values()):
        found.append("refused where it is allowed, or without a sentence")
    if kind.refresh not in ("", GATHER, REREAD):
        found.append("refreshes nothing that there is")
    if kind.name in (read_by_the_day() if read is None else read) and not kind.refresh:
        found.append("read by the day, which it does not refresh")
    if kind.completion and kind.completion not in completions:
        found.append("no function completes its detail")
    if not set(kind.effects) <= effects.keys():
        found.append("an effect without a function")
    if bool(kind.written_table) != kind.completion.endswith("_row"):
        found.append("writes a row that no table, or takes back a row that no function, knows")
    if kind.written_table and not (
        kind.undo and hasattr(models.Mark.metadata.tables.get(kind.written_table), "columns")
    ):
        found.append("a row that is not taken back")
    ends = {after for before, after in kind.transitions.items() if after != before}
    if ends & {"stopped", "finished", "handed over"} and "end_work" not in kind.effects:
        found.append("ends work without settling it")
    if kind.transitions and not kind.own_method and not kind.menu and kind.name not in offered():
        found.append("no screen offers it")
    if kind.menu and not (kind.button and (kind.entered or not kind.values)):
        found.append("a key of the menu without words, or with a detail that is not asked for")
    found += [f"{one.name}: asked for without bounds" for one in kind.values
              if one.entry and not (math.isfinite(one.low) and math.isfinite(one.high))]  # fmt: skip
    places = set(re.findall(r"{(\w+)}", kind.words)) - {"reason"}
    kept = {one.name: one for one in kind.kept or kind.values}
    if not places <= kept.keys():
        found.append("words with a place nothing stands in")
    found += [f"{name}: a number or choice the log of a report does not show" for name, one in kept.items()
              if (number(one) or one.choices) and name not in places]  # fmt: skip
    found += [f"{name}: a number without its quantity" for name, one in kept.items()
              if number(one) and not (one.quantity or one.choices)]  # fmt: skip
    found += [
        f"{one.name}: bounds or choices without a refusal" for one in kind.values if bounded(one) and not one.refusal
    ]
    return found


def said(kind: TapKind) -> set[str]:
    """Return everything of a row that is shown to a person."""
    entries = [text for one in kind.values if one.entry for text in (one.entry.words, one.entry.unknown)]
    choices = [text for one in (*kind.values, *kind.kept) for text in one.choices if isinstance(text, str)]
    refusals = [one.refusal for one in kind.values]
    texts = [kind.words, kind.undo, kind.button, kind.needs_place, *kind.why_not.values(), *kind.words_when.values()]
    return {*texts, *entries, *choices, *refusals} - {""}


@functools.cache
def messages() -> set[str]:
    """Return the ids of the template for translators."""
    return {one.id for one in template() if isinstance(one.id, str)}


def bounded(value) -> bool:
    return bool(value.choices or value.required or math.isfinite(value.low) or math.isfinite(value.high))


def number(value) -> bool:
    return bool(value.quantity or math.isfinite(value.low) or any(isinstance(one, int) for one in value.choices))


def sources(*folders):
    for folder in folders:
        for path in (ROOT / folder).rglob("*"):
            if path.suffix in (".py", ".kv"):
                yield path.read_text(encoding="utf-8")


def read_by_the_day() -> set[str]:
    """Return the kinds that what is known of the day is made from."""
    text = "\n".join(sources("session/advice", "jobs/fields"))
    asked = re.findall(r'taps_of_kind\(store, "(\w+)"', text) + re.findall(r'last\.get\("(\w+)"', text)
    return {*asked, *re.findall(r't(?:ap)?\.kind == "(\w+)"', text)}


def called(text: str) -> set[str]:
    """Return the kinds that a program or .kv file makes by name: ``do("fuel", ...)``, or a key of ``TAP_KINDS["fuel"]``."""
    try:
        tree = ast.parse(text)
    except SyntaxError:  # a .kv file
        return set(re.findall(r'^\s*on_\w+:.*\bapp\.do\(\s*"(\w+)"', text, re.MULTILINE))
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            function = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if function == "key" and ast.unparse(node.func.value).startswith("TAP_KINDS["):
                found |= constants(node.func.value.slice)
            elif function in ("do", "attempt", "tap", "_tap") and node.args:
                found |= constants(node.args[0])
            elif function == "_answers":
                found |= {name for one in node.args for name in constants(one)}
    return found


def misnamed(text: str) -> list[str]:
    """Return the calls of a program or .kv file that give a tap a detail its kind does not take, or not one it requires."""
    try:
        trees = [ast.parse(text)]
    except SyntaxError:  # a .kv file
        trees = [ast.parse(call) for call in re.findall(r"^\s*on_\w+:.*\b(app\.do\(.*\))", text, re.MULTILINE)]
    found = []
    for node in (node for tree in trees for node in ast.walk(tree)):
        if isinstance(node, ast.Call) and node.args and getattr(node.func, "attr", "") in ("do", "tap", "_tap"):
            for kind in (TAP_KINDS[name] for name in constants(node.args[0]) if name in TAP_KINDS):
                taken = {one.name for one in kind.values} | ({"lat", "lon"} if kind.needs_place else {"reason"})
                given = {one.arg for one in node.keywords}
                found += [f"{kind.name}: {one}" for one in sorted(given - taken - {None})]
                if None not in given:  # no ``**detail``
                    found += [
                        f"{kind.name}: no {one.name}" for one in kind.values if one.required and one.name not in given
                    ]
    return found


def constants(node: ast.expr) -> set[str]:
    """Return the words an expression can be: itself, or both ends of a condition."""
    if isinstance(node, ast.IfExp):
        return constants(node.body) | constants(node.orelse)
    return {node.value} if isinstance(node, ast.Constant) and isinstance(node.value, str) else set()


@functools.cache
def offered() -> set[str]:
    """Return the kinds called by a screen, answered to a question, or entered behind a key of the day's screen."""
    texts = list(sources("screens", "session"))
    names = {name for text in texts for name in called(text)}
    opened = {
        name for text in texts for name in re.findall(r'^ +on_release: root\.open\("(\w+)"\)', text, re.MULTILINE)
    }
    return names | {kind.name for kind in TAP_KINDS.values() if kind.entered} & opened


@pytest.mark.parametrize(
    ("text", "kinds"),
    [
        ('SCREENS = {"dust": 1}\napp.go("dust")\n"""do("dust")"""', set()),
        ('<Page>:\n    Key:\n        shown: root.part == "dust"\n        # app.do("dust")\n', set()),
        ('self.app.do("fuel", litres=1)\nself._tap("mark", kind="dust")', {"fuel", "mark"}),
        ('app.do("restart" if state == "stopped" else "start")', {"restart", "start"}),
        ('_answers(now, "stop", "start")\nTAP_KINDS["undo"].key()\nWORDS["dust"].key()', {"stop", "start", "undo"}),
        ('<Page>:\n    Key:\n        on_release: app.do("dust", side=1)\n', {"dust"}),
    ],
)
def test_only_a_call_makes_a_tap(text, kinds):
    """A kind's name as a screen, a part, a condition or in a remark offers no tap."""
    assert called(text) == kinds


@pytest.mark.parametrize(
    ("text", "wrong"),
    [
        ('app.do("fuel", litres=1)\napp.do("seeder", lat=1, lon=2)\nsession.tap("stop", reason="fuel")', []),
        ('app.do("mark" if rock else "seeder", kind="rock")', ["seeder: kind"]),
        ('app.do("width")\napp.do("width", **wing)', ["width: no wing"]),
        ('<Page>:\n    Key:\n        on_release: app.do("width", wings="all")\n', ["width: wings", "width: no wing"]),
    ],
)
def test_a_detail_no_kind_takes_is_found(text, wrong):
    """A misspelt name in a call is seen, in a program and in a .kv file."""
    assert misnamed(text) == wrong


def test_screens_and_session_give_taps_only_what_they_take():
    """No call of a tap names a detail its kind has not."""
    assert [wrong for text in sources("screens", "session") for wrong in misnamed(text)] == []


@pytest.mark.parametrize("kind", TAP_KINDS.values(), ids=TAP_KINDS.keys())
def test_every_kind_is_complete(kind):
    """Words, states, functions, refresh, undo and a key on a screen: nothing of a kind is missing."""
    assert problems(kind) == []


@pytest.mark.parametrize("kind", TAP_KINDS.values(), ids=TAP_KINDS.keys())
def test_every_text_of_a_kind_can_be_translated(kind):
    """Words, refusals, keys and choices are all in ``N_``: the template for translators has them."""
    assert said(kind) - messages() == set()


def examples() -> list[TapKind]:
    """Return the kinds DEVELOPERS.md shows how to write."""
    text = (ROOT.parent / "DEVELOPERS.md").read_text("utf-8")
    shown = re.findall(r"^    TapKind\(.*?^    \),$", text, re.MULTILINE | re.DOTALL)
    return [eval(one.strip().rstrip(","), dict(vars(tap_kinds))) for one in shown]


def test_the_examples_of_the_documentation_are_complete_kinds():
    """They are no kinds that there are; the number asked by keys lacks nothing, the choice only its screen."""
    number_asked, chosen = examples()
    assert not {number_asked.name, chosen.name} & TAP_KINDS.keys()
    assert number_asked.entered and problems(number_asked) == []
    assert problems(chosen) == ["no screen offers it"] and any(one.choices and one.required for one in chosen.values)


@pytest.mark.parametrize(
    ("name", "forgotten"),
    [
        ("start", {"words": ""}), ("start", {"transitions": {"ready": "at work"}}), ("grease", {"refresh": ""}),
        ("grease", {"refresh": "later"}), ("restart", {"why_not": {"stopped": "No."}}), ("restart", {"why_not": {"ready": ""}}),
        ("mark", {"written_table": ""}), ("mark", {"completion": ""}), ("mark", {"undo": ""}), ("mark", {"written_table": "no table"}),
        ("rain", {"completion": "rain_tomorrow"}), ("undo", {"effects": ("take_it_back",)}), ("stop", {"effects": ()}),
        ("stop_counting", {"effects": ("answer_question",)}), ("seeder", {"button": ""}), ("width", {"values": ()}),
        ("soil", {"words": "Soil"}), ("width", {"words": "Wing"}), ("soil", {"values": (replace(TAP_KINDS["soil"].values[0], quantity=None),)}),
        ("rain", {"words": "Rain"}), ("rain", {"kept": ()}), ("pass_counted", {"words": "By hand: {length_m}"}),
        ("weather", {"name": "dust"}), ("soil", {"menu": True, "button": "Soil"}),
        ("grease", {"name": "oil"}), ("soil", {"values": (replace(TAP_KINDS["soil"].values[0], refusal=""),)}),
    ],
)  # fmt: skip
def test_forgetting_any_one_part_of_a_kind_is_found(name, forgotten):
    """The test above fails when one part of a row is left out or wrong."""
    assert problems(replace(TAP_KINDS[name], **forgotten))


def test_the_kinds_the_day_is_made_from_are_found():
    """The scan sees those read by name from the store, the open stint and its taps."""
    assert {"seeded", "soil", "grease", "rain", "look_first", "weather", "seeder", "seeder_pace"} <= read_by_the_day()


def test_undo_refresh_states_and_words_cannot_be_left_out():
    """They have no default, so a row without them is an error of the program at once."""
    needed = {one.name for one in fields(TapKind) if one.default is MISSING and one.default_factory is MISSING}
    assert needed == {"name", "words", "transitions", "undo", "refresh"}
    with pytest.raises(TypeError, match="undo"):
        TapKind("oil", "Oiled", transitions={}, refresh="")


def test_no_function_is_left_without_a_kind():
    """Every function of the tables is named by a kind."""
    assert {kind.completion for kind in TAP_KINDS.values()} - {""} == COMPLETIONS.keys()
    assert {name for kind in TAP_KINDS.values() for name in kind.effects} == EFFECTS.keys()


def test_a_kind_the_program_writes_itself_is_in_the_registry():
    """Kinds given by name to the store or to a row of the session are all registered."""
    written = set()
    for text in sources("session", "jobs"):
        for node in ast.walk(ast.parse(text)):
            name = getattr(node.func, "id", "") if isinstance(node, ast.Call) else ""
            if name == "TapRow" and isinstance(node.args[0], ast.Constant):
                written.add(node.args[0].value)
            if name == "Tap":
                written |= {
                    k.value.value for k in node.keywords if k.arg == "kind" and isinstance(k.value, ast.Constant)
                }
    assert {"warned", "check_skipped", "caution"} <= written <= TAP_KINDS.keys()


def test_the_table_of_states_is_that_of_the_kinds():
    """The state machine allows just what the registry says, for every state and tap."""
    for kind in TAP_KINDS.values():
        for state in STATES if kind.transitions else ():
            if state in kind.transitions:
                assert stint_state.next_state(state, kind.name) == kind.transitions[state]
            else:
                with pytest.raises(TapRefused) as refused:
                    stint_state.next_state(state, kind.name)
                assert str(refused.value) == kind.why_not.get(state, tap_kinds.WHY_NOT_IN_STATE[state])
    assert set(tap_kinds.WHY_NOT_IN_STATE) == set(STATES)


def numbers(kinds):
    return [
        pytest.param(kind, value, id=f"{kind.name} {value.name}")
        for kind in kinds for value in kind.values if math.isfinite(value.low) and math.isfinite(value.high)
    ]  # fmt: skip


NUMBERS = numbers(TAP_KINDS.values())


def fitting(value):
    """Return something that a value takes: the first choice, every section, or the middle of its bounds."""
    if value.choices:
        return value.choices[0]
    return "1" if value.sections else (value.low + value.high) / 2


def given(kind, name, tried):
    """Return a detail with one value to be tried, and any that fits for the others that are required."""
    return {one.name: fitting(one) for one in kind.values if one.required} | {name: tried}


@pytest.mark.parametrize(("kind", "value"), [*NUMBERS, *numbers(examples())])
def test_every_bound_of_every_tap_is_kept(kind, value):
    """Just inside is kept as it is; just outside, and not a number, are refused with the kind's sentence."""
    least = max(1e-6, abs(value.high - value.low) * 1e-9)
    inside = [value.low + least, value.high - least, (value.low + value.high) / 2]
    outside = [value.low - least, value.high + least, math.nan, "12", True]
    (outside if value.exclusive in ("low", "both") else inside).append(value.low)
    (outside if value.exclusive == "both" else inside).append(value.high)
    for number in inside:
        assert kind.check(given(kind, value.name, number))[value.name] == number
    for number in outside:
        with pytest.raises(TapRefused) as refused:
            kind.check(given(kind, value.name, number))
        assert str(refused.value) == value.refusal


BOUNDS = {
    ("fuel", "litres"): (0, 5000), ("pass_counted", "length_m"): (0, 20000), ("rain", "hours"): (0, 72),
    ("soil", "celsius"): (-5, 45), ("seeded", "days_ago"): (0, 90), ("weather", "wind"): (0, 40),
    ("weather", "air"): (-20, 50), ("seeder_pace", "rate"): (0, 200), ("seeder_pace", "seeded"): (0, 1e8),
}  # fmt: skip
"""What a person may tell, SI; 200 m2/s are 72 ha/h, as the sentence of ``rate`` says (arithmetic)."""


def test_bounds_are_those_the_sentences_name():
    """A bound changed without its sentence is found: both stand here by themselves."""
    assert {(p.values[0].name, p.values[1].name): (p.values[1].low, p.values[1].high) for p in NUMBERS} == BOUNDS
    required = {(kind.name, one.name) for kind in TAP_KINDS.values() for one in kind.values if one.required}
    assert required == {
        ("width", "wing"),
        ("sections", "on"),
        ("fuel", "litres"),
        ("soil", "celsius"),
        ("seeded", "days_ago"),
    }


@pytest.mark.parametrize("kind", [*TAP_KINDS.values(), *examples()], ids=lambda kind: kind.name)
def test_choices_flags_lists_and_unknown_values(kind):
    """Each choice is kept and any other refused; what a kind does not take is a mistake in the program."""
    for value in kind.values:
        for choice in value.choices:
            assert kind.check(given(kind, value.name, choice))[value.name] == choice
        if value.choices:
            with pytest.raises(TapRefused, match=re.escape(value.refusal.split("{")[0][:20])):
                kind.check(given(kind, value.name, "nothing like it"))
        if value.required:
            with pytest.raises(TapRefused) as refused:
                kind.check(given(kind, value.name, None))
            assert refused.value.message.id == value.refusal
        if value.flag:
            assert kind.check(given(kind, value.name, 1))[value.name] is True
            assert kind.check(given(kind, value.name, None))[value.name] is False
        if value.many:
            assert kind.check(given(kind, value.name, (1, "tyres")))[value.name] == ["1", "tyres"]
    with pytest.raises(TypeError, match="takes no nonsense"):
        kind.check({"nonsense": 1})


def words(kind, detail=None, reason=None, system="us"):
    said = tap_kinds.tap_words(SimpleNamespace(kind=kind, detail=detail, reason=reason))
    return render(said, farm=FarmFormat("UTC", Units(system)))


def test_the_log_of_a_report_has_words_for_every_tap():
    """With and without a detail, in the farm's units, and for a kind of a newer version."""
    assert all(words(kind) for kind in TAP_KINDS)
    assert words("stop") == "Stopped: no reason given" and words("stop", reason="fuel") == "Stopped: fuel"
    assert words("width", {"wing": "left up"}) == "Wing left up" and words("width", {"wing": "all"}) == "Whole width"
    assert words("width", {"wing": "both up"}) == "Both wings up"
    assert words("sections", {"on": "10010"}) == "Sections off: 2 to 3, 5"
    assert words("sections", {"on": "11"}) == "Sections off: none"
    assert words("fuel", {"litres": 38.0}) == "Fuel in: 10 gal"
    assert words("mark", {"kind": "pole", "row": "x"}) == "Marked pole" and words("sing_along") == "Sing along"


LOGGED = [
    ("fuel", {"litres": 200.0}, "Fuel in: 53 gal", "Fuel in: 200 L"),
    ("pass_counted", {"passes": 2, "length_m": 91.44}, "Passes counted by hand: 2, length 300 ft", "Passes counted by hand: 2, length 91.4 m"),
    ("pass_counted", {"passes": 2}, "Passes counted by hand: 2, length –", "Passes counted by hand: 2, length –"),
    ("soil", {"celsius": 15.0}, "Soil temperature read: 59 °F", "Soil temperature read: 15 °C"),
    ("weather", {"wind": 4.4704, "air": 25.0}, "Weather: wind 10.0 mph, air 77 °F", "Weather: wind 16.1 km/h, air 25 °C"),
    ("weather", {"wind": None, "air": 0}, "Weather: wind –, air 32 °F", "Weather: wind –, air 0 °C"),
    ("seeder_pace", {"rate": 100 / 36, "seeded": 202342.8}, "Seeder pace 2.5 ac/h, 50 ac seeded", "Seeder pace 1.0 ha/h, 20 ha seeded"),
    ("rain", {"at": 1778780400.0}, "Rain expected 14 May 17:40", "Rain expected 14 May 17:40"),
    ("rain", {"at": None}, "No rain expected", "No rain expected"),
    ("seeded", {"at": 1778780400.0}, "Told the day of seeding: Thursday 14 May", "Told the day of seeding: Thursday 14 May"),
    ("were_rolling", {"from": 1778780400.0}, "“Yes, count it” from 17:40", "“Yes, count it” from 17:40"),
    ("stop_counting", {"from": 1778780400.0}, "“Stop counting” from 17:40", "“Stop counting” from 17:40"),
    ("fuel", {"litres": "much"}, "Fuel in: much", "Fuel in: much"),
    ("worked_width", {"width_m": 4.572}, "Working width 15 ft", "Working width 4.6 m"),
]  # fmt: skip
"""10 mph are 4.4704 m/s and 50 ac 202 342.8 m2 (NIST SP 811); 2.5 ac are 1.01 ha (arithmetic)."""


@pytest.mark.parametrize(("kind", "detail", "us", "metric"), LOGGED)
def test_the_log_writes_numbers_in_the_units_of_the_farm(kind, detail, us, metric):
    """The kind's own quantities write them; a dash for what was not told, and what is no number as it is."""
    assert (words(kind, detail), words(kind, detail, system="metric")) == (us, metric)


def test_every_number_of_every_kind_is_tried_in_the_log():
    """A kind with a number that the table above leaves out is found, and a value no kind keeps."""
    kept = {(kind.name, one.name): one for kind in TAP_KINDS.values() for one in kind.kept or kind.values}
    tried = {(kind, name) for kind, detail, *_ in LOGGED for name in detail}
    assert {which for which, one in kept.items() if number(one)} <= tried <= kept.keys()


def test_a_choice_in_the_log_is_a_message():
    """The chosen word is translated as it is shown; a word that was never a choice stays what it is."""
    for kind in (*TAP_KINDS.values(), *examples()):
        for value in kind.kept or kind.values:
            for choice in value.choices:
                assert value.shown(choice, "") == (Message(choice) if isinstance(choice, str) else choice)
    assert TAP_KINDS["mark"].kept == () and TAP_KINDS["mark"].values[0].shown("Fuel", "") == "Fuel"
