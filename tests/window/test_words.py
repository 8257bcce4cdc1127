"""Every message can be translated: all are in the template, and each is given what stands in its places."""

import ast
import importlib
import os
import re
import string
from pathlib import Path

import pytest

from cabapp.common.extract_messages import keywords, sources, template
from cabapp.common.farm_format import FarmFormat
from cabapp.common.quantities import Area, Day
from cabapp.common.units import Units
from store.errors import Refused, message, plural
from tests.window.pseudo_language import write_language

os.environ.setdefault("KIVY_NO_ARGS", "1")
os.environ.setdefault("KIVY_LOG_MODE", "PYTHON")

ROOT = Path(__file__).parents[2]
SCREENS = ROOT / "cabapp" / "screens"
words = importlib.import_module("cabapp.screens.widgets.translation")
METRIC = FarmFormat("UTC", Units("metric"))


@pytest.fixture
def use():
    """Return the function that takes a language, and take English again afterwards."""
    yield words.use
    words.use(None)


def calls():
    """Yield every call in the source that holds a message: its place, name, and syntax tree."""
    named = {*keywords(), "N_"}
    for path in sources():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            name = isinstance(node, ast.Call) and (getattr(node.func, "id", None) or getattr(node.func, "attr", None))
            if name in named and node.args:
                yield f"{path.relative_to(ROOT)}:{node.lineno}", name, node


def places(text):
    """Return the names of the places in a message, a capital at the beginning or not."""
    fields = [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
    return {name[:1].lower() + name[1:] for name in fields}


def test_every_message_is_given_what_stands_in_its_places():
    """The named places of each message in the source are just the values it is made with."""
    seen = 0
    for where, name, call in calls():
        texts = [one.value for one in call.args[: 2 if name == "plural" else 1] if isinstance(one, ast.Constant)]
        given = {one.arg for one in call.keywords}
        if None in given or name == "N_" or not texts:
            continue
        seen += 1
        given |= {"count"} if name == "plural" else set()
        needed = set().union(*map(places, texts)) if given else set()
        own = {"name"} if name == "refuse" else set()  # a reader's own refusals name its file
        counted = {"count"} if name == "plural" else set()  # the number may stand there in another form, or not at all
        assert needed - own - counted == given - counted, (where, texts)
    assert seen > 300


def test_no_message_is_put_together_before_it_is_translated():
    """Messages are whole literals: an f-string or a sum of strings would never be found in a catalog."""
    glued = [
        (where, ast.unparse(call.args[0]))
        for where, _name, call in calls()
        if isinstance(call.args[0], ast.JoinedStr | ast.BinOp | ast.IfExp)
    ]
    assert not glued


def test_the_template_has_code_and_layouts():
    """Messages are found in modules, in refusals of every kind, and in layout files."""
    found = {text for one in template() for text in ([one.id] if isinstance(one.id, str) else one.id)}
    assert {"Work has not started yet. Press Start.", "Write down", "Fuel", "{field} is still empty."} <= found


def test_no_page_has_words_of_its_own():
    """In the layout files every text with letters is translated, so that none stays English by mistake."""
    for path in SCREENS.rglob("*.kv"):
        for line in path.read_text(encoding="utf-8").splitlines():
            text = re.match(r"\s*(text|title|remark|words): (.*)", line)
            bare = re.sub(r'translate\("[^"]*"|== "[^"]*"', "", text[2]) if text else ""
            own = [literal for literal in re.findall(r'"([^"]*)"', bare) if re.search("[a-z]{2}", literal)]
            assert not own, (path.name, line)


def test_a_language_is_used_where_it_has_words(tmp_path, use, caplog):
    """A catalog's messages are shown, what it lacks stays English, and its slips do no harm."""
    head = 'msgid ""\nmsgstr "Content-Type: text/plain; charset=utf-8\\nPlural-Forms: nplurals=2; plural=n>1;\\n"\n'
    body = {"Fuel": "Carburant", "{area} to finish": "{acre} reste", "Back": "", "Area {area}": "{area} de surface"}
    po = "".join(f'\nmsgid "{one}"\nmsgstr "{other}"\n' for one, other in body.items())
    po += '\nmsgid "{count} gap"\nmsgid_plural "{count} gaps"\nmsgstr[0] "{count} trou"\nmsgstr[1] "{count} trous"\n'
    (tmp_path / "x.po").write_text(head + po)
    use(tmp_path / "x.po", METRIC)
    assert words.translate("Fuel") == "Carburant"
    assert words.translate("Back") == "Back" and words.translate("More") == "More"
    assert words.translate("Area {area}", area=Area(50000.0)) == "5.0 ha de surface"
    assert [words.translate(plural("{count} gap", "{count} gaps", n)) for n in (0, 1, 2)] == [
        "0 trou", "1 trou", "2 trous",
    ]  # fmt: skip
    assert words.translate("{area} to finish", area="2 ac") == "2 ac to finish" and "does not take" in caplog.text
    for bad in ("msgid {", 'msgid ""\nmsgstr "Plural-Forms: nplurals=x; plural=__import__;\\n"\n'):
        (tmp_path / "bad.po").write_text(bad)
        use(tmp_path / "bad.po")
        assert words.translate("Fuel") == "Fuel"
    use(tmp_path / "missing.po")
    assert words.translate("Fuel") == "Fuel"


def test_every_message_is_translated_with_its_values(tmp_path, use):
    """Each message of the program with figures in its places comes out foreign, the figures still there."""
    said = write_language(tmp_path / "foreign.po")
    use(tmp_path / "foreign.po")
    for one in template():
        if not one.id:
            continue
        texts = one.id if isinstance(one.id, tuple) else (one.id,)
        values = {name: f"{k}7" for k, name in enumerate(sorted(set().union(*map(places, texts))), 1)}
        shown = (
            words.translate(texts[0], **values)
            if len(texts) == 1
            else words.translate(plural(*texts, 7, **{k: v for k, v in values.items() if k != "count"}))
        )
        assert not re.findall("[A-Za-z]{3,}", re.sub(r"\[/?b\]", "", shown)), (texts, shown)
        assert all(value in shown for name, value in values.items() if name != "count"), (texts, shown)
    assert len(said) > 300


def test_names_stay_what_they_are(tmp_path, use):
    """An operator called "Fuel" keeps the name in a foreign sentence, and in a refusal."""
    write_language(tmp_path / "foreign.po")
    use(tmp_path / "foreign.po")
    assert words.translate("Fuel") != "Fuel"
    assert "Fuel" in words.translate(message("{name} keeps this", name="Fuel"))
    assert "Fuel" in words.translate(Refused("{name} keeps this", name="Fuel"))


def test_days_have_the_language_s_names(tmp_path, use):
    """The day of the week and the month are those of the language (CLDR)."""
    write_language(tmp_path / "foreign.po")
    assert words.translate(Day(1778780400)) == "Thursday 14 May"
    use(tmp_path / "foreign.po", METRIC)
    assert "трав" in words.translate(Day(1778780400))
