"""Collects every word and sentence that can come before an operator's eyes, out of the code itself.

    python tests/window/collect_words.py            what phrases.json lacks, and what nobody says any more
    python tests/window/collect_words.py --write    write phrases.json anew

Two kinds. The screens say their words with `say("...")`, in code and in layout files. The session,
the receiver, the store and the exchange speak plain English sentences; those are taken from their
string constants and f-strings, each figure of an f-string with the name of what makes it.
"""

import ast
import importlib
import json
import os
import re
import sys
from pathlib import Path

os.environ.setdefault("KIVY_NO_ARGS", "1")
os.environ.setdefault("KIVY_LOG_MODE", "PYTHON")
ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))
phrases = importlib.import_module("cabapp.screens.widgets.phrase_matcher")

SCREENS = ROOT / "cabapp" / "screens"
ENGLISH = SCREENS / "widgets" / "phrases.json"
# modules all of whose sentences may be read in the cab
SPEAKING = (
    *sorted(str(path.relative_to(ROOT)) for path in (ROOT / "cabapp/session").rglob("*.py")),
    *sorted(str(path.relative_to(ROOT)) for path in (ROOT / "cabapp/jobs").rglob("*.py") if path.stem not in ("stint_reader", "time_split", "trace_measurement")),
    "cabapp/common/wording.py",
    *(f"cabapp/position/{name}.py" for name in (
        "boundaries/boundary_geojson", "calibration/side_offset_check", "boundaries/field_files", "boundaries/field_readers",
        "receivers/discovery", "receivers/receiver_report", "receivers/receiver_thread", "recordings/raw_log",
        "recordings/replay_source", "receivers/receiver_group", "boundaries/boundary_search", "boundaries/boundary_drive",
    )),
    *(f"cabapp/tablet/{name}.py" for name in ("exchange_runner", "automatic_backup", "hardware_status")),
    *(f"cabapp/screens/{name}.py" for name in ("setup/form_fields", "system/message_queue", "stint/sheet_text", "system/event_loop")),
    "cabapp/planning/emergence.py",
)  # fmt: skip
# below the cab, what is refused anywhere, and what these functions say, may be read in it
BELOW = ("store", "sync")
SAYING = ("go_on_in_memory", "_in_memory", "mend", "fault", "words")
# constants that look like words and are none: of formats, of SQL, of threads, and keys of tables
NOT_SAID = re.compile(
    r"PRAGMA .*|SELECT .*|\w+/\w+|MultiPolygon|Polygon|UTC|WGS84|GeoJSON|handed over|stop rule|receiver (scout|\{name\})|.*\.sqlite|.*\{\*\}.*"
)
MUTE = ("ValueError", "TypeError", "KeyError", "RuntimeError", "getLogger", "TypeVar", "compile")
MUTE_METHODS = (
    "exception",
    "warning",
    "error",
    "info",
    "debug",
    "get",
    "strftime",
    "startswith",
    "endswith",
    "glob",
    "fullmatch",
    "match",
    "sub",
    "split",
    "encode",
)


PLAIN = {"join": "list", "len": "number"}


def collected() -> set[str]:
    """Return everything, as it stands in phrases.json."""
    return said_by_screens() | said_from_tables() | spoken()


def said_by_screens() -> set[str]:
    """Return every string that is given to `say` in the screens' code and layouts."""
    found = set()
    for path in SCREENS.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Call)
                and _name(node.func) in ("translate", "complain", "refuse", "FormRefused")
                and node.args
            ):
                first = node.args[0]
                branches = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
                found |= {b.value for b in branches if isinstance(b, ast.Constant) and len(b.value) > 1}
    for path in SCREENS.rglob("*.kv"):
        found |= set(re.findall(r'translate\("([^"]*)"', path.read_text(encoding="utf-8")))
    return found


def said_from_tables() -> set[str]:
    """Return every entry of the tables whose entries are said one by one."""
    from cabapp.common.wording import WAYS, side, times
    from cabapp.jobs.records import stint_state
    from cabapp.jobs.records.field_marks import MARKS, STONE_HIT
    from cabapp.screens.setup import form_fields
    from cabapp.screens.stint import sheet_text
    from cabapp.session.handover import sheet_builder
    from cabapp.session.handover.sheet_answers import ASKED
    from cabapp.tablet.tablet_settings import LIGHTS

    found = {kind.capitalize() for kind in MARKS} | set(LIGHTS) | set(stint_state.UNDOABLE.values())
    found |= {*MARKS, STONE_HIT, *sheet_builder.STATES, *(state.capitalize() for state in sheet_builder.STATES)}
    found |= {word for one in ASKED for word in (one.name, *one.answers)} | set(WAYS)
    found |= {*phrases.DAYS, *phrases.MONTHS, phrases.DATE}
    found |= set(form_fields.OPERATIONS) | {times(n) for n in (1, 2, 3)} | {side(-1), side(1)} | set(sheet_text.TITLES)
    for form in form_fields.FORMS.values():
        found |= {form.title} | {line.words for line in form.lines}
        found |= {name for line in form.lines if line.kind == "choice" for _, name in line.choices}
    for name, wanted in (
        ("stint/stop_screen", ["REASONS"]), ("work/pass_screen", ["MARKS", "WINGS", "AREAS"]), ("stint/inspection_screen", ["POINTS", "QUESTIONS"]),
        ("stint/finish_screen", ["KINDS", "CERTAINTIES"]),
    ):  # fmt: skip
        for node in ast.parse((SCREENS / f"{name}.py").read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", None) in wanted:
                found |= set(_leaves(ast.literal_eval(node.value)))
    reasons = {word for word in found if word in ast.literal_eval(_value_of("stint/stop_screen", "REASONS"))}
    return {word for word in found if word != "all"} | {reason.capitalize() for reason in reasons}


def _value_of(module, name):
    for node in ast.parse((SCREENS / f"{module}.py").read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", None) == name:
            return node.value
    raise LookupError(name)


def _leaves(value):
    """Give the words of a table: of pairs (key, words) the words, of a dict its values."""
    if isinstance(value, dict):
        yield from value.values()
    elif isinstance(value, tuple) and len(value) == 2 and all(isinstance(v, str) for v in value):
        yield value[1]
    else:
        for one in value:
            yield from [one] if isinstance(one, str) else _leaves(one)


def spoken() -> set[str]:
    """Return the sentences of the layers below the screens, as the phrase book writes them."""
    found = set()
    for name in SPEAKING:
        found |= _spoken_in(ast.parse((ROOT / name).read_text(encoding="utf-8")))
    for path in (path for folder in BELOW for path in (ROOT / folder).rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            refused = isinstance(node, ast.Call) and "Refused" in _name(node.func)
            if refused or (isinstance(node, ast.FunctionDef) and node.name in SAYING):
                found |= _spoken_in(node)
    return {one for one in map(phrases.bare, found) if one}


def _spoken_in(tree) -> set[str]:
    found, skipped = set(), set()
    for node in ast.walk(tree):
        if node in skipped:
            skipped |= set(ast.iter_child_nodes(node))
            continue
        if isinstance(node, ast.Call) and (_name(node.func) in MUTE or getattr(node.func, "attr", "") in MUTE_METHODS):
            skipped |= set(ast.iter_child_nodes(node))
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skipped.add(node.value)  # a docstring
        elif isinstance(node, (ast.Subscript, ast.Compare)):
            skipped |= {child for child in ast.iter_child_nodes(node) if isinstance(child, (ast.Constant, ast.Tuple))}
        elif isinstance(node, ast.Dict):
            skipped |= {key for key in node.keys if key}
        elif isinstance(node, ast.JoinedStr):
            skipped |= {v for v in node.values if isinstance(v, ast.Constant)}
            skipped |= {v.format_spec for v in node.values if isinstance(v, ast.FormattedValue) and v.format_spec}
            found.add(_template(node))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and _is_said(node.value):
            found.add(node.value.replace("{", "{{").replace("}", "}}"))
    # units alone are the same in every language
    return {
        one for one in found if re.search(r"[A-Za-z]{3}", re.sub(r"\{\w*\}", "", one)) and not NOT_SAID.fullmatch(one)
    }


def _is_said(text: str) -> bool:
    """Say whether a constant is for a person: several words, or one that begins like a sentence."""
    return bool(re.match(r"[ ,;:.(]*[A-Za-z]", text)) and (
        " " in text.strip() or text[:1].isupper() or text[:1] in " ,;:"
    )


def _template(node: ast.JoinedStr) -> str:
    parts, names = [], []
    for value in node.values:
        if isinstance(value, ast.Constant):
            parts.append(value.value)
            continue
        name = _figure(value.value)
        number = names.count(name)
        names.append(name)
        parts.append("{" + name + (str(number + 1) if number else "") + "}")
    return "".join(parts)


def _figure(node) -> str:
    """Return a name for what an expression gives: the last name in it that says something."""
    if isinstance(node, ast.Call):
        name = getattr(node.func, "attr", None) or getattr(node.func, "id", "")
        if name in ("capitalize", "replace", "strip", "title"):
            return _figure(node.func.value)
        if name in ("round", "max", "min", "abs", "float", "int", "str"):
            return _figure(node.args[0])
        if name == "get" and isinstance(node.args[0], ast.Constant):
            return node.args[0].value
        if name in PLAIN:
            return PLAIN[name]
        return name.removeprefix("say_").removeprefix("_say_").strip("_") or "figure"
    if isinstance(node, ast.Attribute):
        return node.attr.strip("_")
    if isinstance(node, ast.Name):
        return node.id.strip("_")
    if isinstance(node, ast.BinOp):
        return _figure(node.left)
    if isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant) and isinstance(node.slice.value, str):
        return node.slice.value
    if isinstance(node, ast.Subscript):
        return _figure(node.value)
    return "figure"


def _name(node) -> str:
    return getattr(node, "id", None) or getattr(node, "attr", "")


if __name__ == "__main__":
    kept = json.loads(ENGLISH.read_text(encoding="utf-8"))
    all_of_it = collected()
    for sign, words in (("+", sorted(all_of_it - set(kept))), ("-", sorted(set(kept) - all_of_it))):
        for word in words:
            print(sign, word)
    if "--write" in sys.argv:
        ENGLISH.write_text(
            json.dumps({w: w for w in sorted(all_of_it)}, ensure_ascii=False, indent=1) + "\n", encoding="utf-8"
        )
