"""All words of the screens are in one file, and a screen says no word that is not in it."""

import ast
import importlib
import json
import os
import re
from pathlib import Path

import pytest

os.environ.setdefault("KIVY_NO_ARGS", "1")
os.environ.setdefault("KIVY_LOG_MODE", "PYTHON")

SCREENS = Path(__file__).parents[2] / "cabapp" / "screens"
words = importlib.import_module("cabapp.screens.parts.words")


def said_in_code():
    """Return every string that is given to `say` in the screens' code."""
    found = set()
    for path in [*SCREENS.glob("*.py"), *SCREENS.glob("parts/*.py")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "say" and node.args:
                first = node.args[0]
                branches = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
                found |= {b.value for b in branches if isinstance(b, ast.Constant)}
    for path in [*SCREENS.glob("*.kv"), *SCREENS.glob("parts/*.kv")]:
        found |= set(re.findall(r'(?<![.\w])say\("([^"]*)"\)', path.read_text(encoding="utf-8")))
    return found


def said_from_tables():
    """Return every string of the tables whose entries are given to `say`."""
    from cabapp.screens import forms
    from cabapp.screens.parts.settings import LIGHTS
    from cabapp.session import rules
    from cabapp.session.acts import MARKS
    from cabapp.session.words import times

    found = {kind.capitalize() for kind in MARKS} | set(LIGHTS) | set(rules.UNDOABLE.values())
    found |= set(forms.OPERATIONS) | {times(n) for n in (1, 2, 3)}
    for form in forms.FORMS.values():
        found |= {form.title} | {line.words for line in form.lines}
        found |= {name for line in form.lines if line.kind == "choice" for _, name in line.choices}
    source = {name: (SCREENS / f"{name}.py").read_text(encoding="utf-8") for name in ("stop", "pass_screen", "looking", "finish", "mop_up")}
    tables = {}
    for name, wanted in (("stop", ["REASONS"]), ("pass_screen", ["MARKS", "WINGS", "AREAS"]), ("looking", ["POINTS"]), ("finish", ["KINDS", "CERTAINTIES"]), ("mop_up", ["WAYS"])):
        for node in ast.parse(source[name]).body:
            if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", None) in wanted:
                tables[node.targets[0].id] = ast.literal_eval(node.value)
    found |= {reason.capitalize() for reason in tables["REASONS"]} | set(tables["POINTS"]) | set(tables["CERTAINTIES"])
    found |= set(tables["WAYS"]) | {said for _, said in (*tables["MARKS"], *tables["WINGS"])} | {k.capitalize() for k, _ in tables["WINGS"] if k != "all"}
    return found | set(tables["AREAS"].values()) | set(tables["KINDS"].values())


def test_the_file_holds_every_word_and_no_other():
    """words.json has just the words that the screens say, so a translator sees all of them once."""
    kept = json.loads(words.ENGLISH.read_text(encoding="utf-8"))
    said = said_in_code() | said_from_tables()
    assert set(kept) == said, f"lacking {sorted(said - set(kept))}, not said {sorted(set(kept) - said)}"
    assert list(kept.values()) == list(kept), "the English of a word is the word"


def test_no_page_has_words_of_its_own():
    """In the layout files every text with letters is said, so that none stays English by mistake."""
    for path in [*SCREENS.glob("*.kv"), *SCREENS.glob("parts/*.kv")]:
        for line in path.read_text(encoding="utf-8").splitlines():
            text = re.match(r"\s*(text|title|remark|words): (.*)", line)
            bare = re.sub(r'say\("[^"]*"\)|== "[^"]*"', "", text[2]) if text else ""
            own = [literal for literal in re.findall(r'"([^"]*)"', bare) if re.search("[a-z]{2}", literal)]
            assert not own, (path.name, line)


def test_a_language_is_spoken_where_it_has_words(tmp_path):
    """A language file's words are said, what it lacks stays English, and its slips do no harm."""
    try:
        (tmp_path / "x.json").write_text(json.dumps({"Fuel": "Carburant", "{area} to finish": "{acre} reste", "Back": ""}))
        words.use(tmp_path / "x.json")
        assert words.say("Fuel") == "Carburant"
        assert words.say("Back") == "Back" and words.say("More") == "More"
        assert words.say("{area} to finish", area="2 ac") == "2 ac to finish"
        (tmp_path / "bad.json").write_text("{")
        words.use(tmp_path / "bad.json")
        assert words.say("Fuel") == "Fuel"
        words.use(tmp_path / "missing.json")
        assert words.say("Fuel") == "Fuel"
    finally:
        words.use(None)


@pytest.mark.parametrize("placeholder", ["area", "time"])
def test_figures_have_a_place_in_the_words(placeholder):
    """Words with figures name them in braces, so a translation can put them anywhere."""
    kept = json.loads(words.ENGLISH.read_text(encoding="utf-8"))
    assert any(f"{{{placeholder}}}" in text for text in kept)
