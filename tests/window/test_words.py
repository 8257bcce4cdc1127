"""All words of the cab are in one file, and whatever the cab says can be said in another language."""

import importlib
import importlib.util
import json
import os
import re
from pathlib import Path

import pytest

os.environ.setdefault("KIVY_NO_ARGS", "1")
os.environ.setdefault("KIVY_LOG_MODE", "PYTHON")

SCREENS = Path(__file__).parents[2] / "cabapp" / "screens"
words = importlib.import_module("cabapp.screens.widgets.translation")
phrases = importlib.import_module("cabapp.screens.widgets.phrase_matcher")
FIGURE = re.compile(r"(\{\w+\})")


@pytest.fixture(scope="module")
def collector():
    """Return the tool that collects the words from the code."""
    spec = importlib.util.spec_from_file_location("collect_words", Path(__file__).with_name("collect_words.py"))
    tool = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(tool)
    return tool


@pytest.fixture
def spoken():
    """Return a function that speaks a language file's words, and English again afterwards."""
    yield words.use
    words.use(None)


def foreign(text, letters="абвгдежзийклмнопрстуфхцчшщъ"):
    """Return a text none of whose letters are English, and its figures where they were."""
    parts = FIGURE.split(text)
    for k in range(0, len(parts), 2):
        parts[k] = re.sub("[A-Za-z]", lambda m: letters[(ord(m[0]) | 32) - 97], parts[k])
    return "".join(parts)


@pytest.fixture(scope="module")
def tongue(tmp_path_factory):
    """Return a language file in which every word is foreign."""
    kept = json.loads(words.ENGLISH.read_text(encoding="utf-8"))
    path = tmp_path_factory.mktemp("tongue") / "foreign.json"
    path.write_text(json.dumps({word: foreign(word) for word in kept}, ensure_ascii=False), encoding="utf-8")
    return path


def english_in(text):
    """Return the English words of a text, units apart."""
    return re.findall(r"[A-Za-z]{3,}", text)


def test_the_file_holds_every_word_and_no_other(collector):
    """phrases.json has just what the code can say, so a translator sees all of it once."""
    kept = json.loads(words.ENGLISH.read_text(encoding="utf-8"))
    said = collector.collected()
    how = "python tests/window/collect_words.py --write makes it anew"
    assert set(kept) == said, f"lacking {sorted(said - set(kept))}, not said {sorted(set(kept) - said)}; {how}"
    assert list(kept.values()) == list(kept), "the English of a word is the word"


def test_no_page_has_words_of_its_own():
    """In the layout files every text with letters is said, so that none stays English by mistake."""
    for path in SCREENS.rglob("*.kv"):
        for line in path.read_text(encoding="utf-8").splitlines():
            text = re.match(r"\s*(text|title|remark|words): (.*)", line)
            bare = re.sub(r'translate\("[^"]*"|== "[^"]*"', "", text[2]) if text else ""
            own = [literal for literal in re.findall(r'"([^"]*)"', bare) if re.search("[a-z]{2}", literal)]
            assert not own, (path.name, line)


def test_a_language_is_spoken_where_it_has_words(tmp_path, spoken):
    """A language file's words are said, what it lacks stays English, and its slips do no harm."""
    (tmp_path / "x.json").write_text(json.dumps({"Fuel": "Carburant", "{area} to finish": "{acre} reste", "Back": ""}))
    spoken(tmp_path / "x.json")
    assert words.translate("Fuel") == "Carburant"
    assert words.translate("Back") == "Back" and words.translate("More") == "More"
    assert words.translate("{area} to finish", area="2 ac") == "2 ac to finish"
    (tmp_path / "bad.json").write_text("{")
    spoken(tmp_path / "bad.json")
    assert words.translate("Fuel") == "Fuel"
    spoken(tmp_path / "missing.json")
    assert words.translate("Fuel") == "Fuel"


def test_every_sentence_is_found_again_with_figures_in_it(tongue, spoken):
    """Each phrase with figures put in, as the session or a receiver says it, comes out foreign, and
    the figures are still there."""
    spoken(tongue)
    kept = json.loads(words.ENGLISH.read_text(encoding="utf-8"))
    for phrase in kept:
        names = list(dict.fromkeys(FIGURE.findall(phrase)))
        figures = {name: f"{k}7 ac" for k, name in enumerate(names, 1)}
        english = phrase
        for name, figure in figures.items():
            english = english.replace(name, figure)
        said = words.translate(english)
        left = english_in(re.sub(r"\[/?b\]", "", said))
        assert not left, (english, said)
        assert all(figure in said for figure in figures.values()), (english, said)


@pytest.mark.parametrize(
    "sentence",
    [
        "Rolled twice already: this pass is finished. Move left 6 ft.",
        "Rock ahead on the left, 40 ft.",
        "I do not know where we are since 10:31. Taps and hours go on; this ground is not counted. Keep count yourself.",
        "61 ac seeded and not finished; you catch up in 40 min. With 1 h 10 for gaps, rocks, grease, fuel you still finish together.",
        "This ground closes Thursday 14 May (an estimate) and needs 11 h more: more than there is by day. Say so, or get help.",
        "65 % done, 20 % too few, 15 % not at all; next pass from this end, at the north-east end, on the left, lapping 21 ft.",
        "Crop showing: stop and ring 555 0100.",
        "Watch. Stopped for: rain. It is wet.",
    ],
)
def test_sentences_put_together_from_parts_are_foreign_throughout(tongue, spoken, sentence):
    """Sentences that the session puts together from several phrases leave no English behind."""
    spoken(tongue)
    assert not english_in(words.translate(sentence)), words.translate(sentence)


def test_names_stay_what_they_are(tongue, spoken):
    """An operator called "Well" keeps the name in a foreign sentence."""
    spoken(tongue, frozenset({"Well"}))
    said = words.translate("Well handed this field over. Go through the sheet and show the next pass on the map first.")
    assert english_in(said) == ["Well"]


def test_english_needs_no_book():
    """Without a language file every sentence is said as it is."""
    words.use(None)
    assert words.translate("Rock ahead on the left, 40 ft.") == "Rock ahead on the left, 40 ft."
