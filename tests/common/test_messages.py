"""Messages: their values, plurals and quantities, in English, in another language, and kept in a record."""

import pytest

from cabapp.common import quantities
from cabapp.common.farm_format import FarmFormat
from cabapp.common.message import Message, as_json, from_json, message, plural
from cabapp.common.quantities import KINDS, Area, ClockTime, Length
from cabapp.common.rendering import ENGLISH, load_catalog, render
from cabapp.common.units import Units
from cabapp.jobs.records.pending_handovers import kept, messages_of
from store.errors import Refused, StoreRefused

METRIC = FarmFormat("Etc/GMT+6", Units("metric"))
POLISH = """msgid ""
msgstr ""
"Language: pl\\n"
"Content-Type: text/plain; charset=utf-8\\n"
"Plural-Forms: nplurals=3; plural=(n==1 ? 0 : n%10>=2 && n%10<=4 && (n%100<10 || n%100>=20) ? 1 : 2);\\n"

msgid "{count} gap, {length} wide"
msgid_plural "{count} gaps, {length} wide"
msgstr[0] "{count} luka, {length}"
msgstr[1] "{count} luki, {length}"
msgstr[2] "{count} luk, {length}"

msgid "{Kind} ahead."
msgstr "Przed nami {kind}."

msgid "rock"
msgstr "głaz"
"""


@pytest.fixture
def polish(tmp_path):
    """Return a catalog with three plural forms."""
    (tmp_path / "pl.po").write_text(POLISH, encoding="utf-8")
    return load_catalog(tmp_path / "pl.po")


def gaps(count):
    return plural("{count} gap, {length} wide", "{count} gaps, {length} wide", count, length=Length(2.0))


def test_a_message_is_rendered_in_the_language_and_units(polish):
    """Three plural forms (CLDR 44, Polish: 1, 2 to 4, 5 and more), and lengths of the farm."""
    assert [render(gaps(n), polish, METRIC) for n in (1, 2, 5, 22)] == [
        "1 luka, 2.0 m", "2 luki, 2.0 m", "5 luk, 2.0 m", "22 luki, 2.0 m",
    ]  # fmt: skip
    assert [render(gaps(n)) for n in (1, 2)] == ["1 gap, 7 ft wide", "2 gaps, 7 ft wide"]


def test_the_translator_decides_about_the_capital(polish):
    """A place with a capital takes its value with one; the translation has another order."""
    ahead = message("{Kind} ahead.", kind=message("rock"))
    assert (render(ahead), render(ahead, polish)) == ("Rock ahead.", "Przed nami głaz.")
    assert render(message("{Kind} ahead.", kind="rock"), polish) == "Przed nami rock.", "a name is no word"


@pytest.mark.parametrize("bad", ["{kind} {nothing}", "{", "{kind.more}", "{0}"])
def test_a_slip_of_the_translator_leaves_english(tmp_path, bad):
    """Wrong places, an open brace, an attribute: the English sentence is shown."""
    text = POLISH.replace("Przed nami {kind}.", bad)
    (tmp_path / "bad.po").write_text(text, encoding="utf-8")
    assert render(message("{Kind} ahead.", kind="rock"), load_catalog(tmp_path / "bad.po")) == "Rock ahead."


@pytest.mark.parametrize("bad", ["msgid {", "no catalog", POLISH.replace("nplurals=3", "nplurals=x"), "\x00"])
def test_a_damaged_language_file_is_english_or_harmless(tmp_path, bad):
    """Whatever stands in the file, a catalog comes back that renders every message."""
    (tmp_path / "bad.po").write_text(bad, encoding="utf-8")
    assert render(message("Move left."), load_catalog(tmp_path / "bad.po")) == "Move left."
    assert load_catalog(tmp_path / "none.po") is ENGLISH and load_catalog(None) is ENGLISH


def test_a_refusal_is_a_message():
    """A refusal takes a sentence with values, or a message; both are rendered in the farm's units."""
    for refused in (
        Refused("Move {length}.", length=Length(2.0)),
        StoreRefused(message("Move {length}.", length=Length(2.0))),
    ):
        assert (str(refused), render(refused, farm=METRIC)) == ("Move 7 ft.", "Move 2.0 m.")


@pytest.mark.parametrize("kind", KINDS.values(), ids=KINDS)
def test_every_quantity_is_written_and_may_be_unknown(kind):
    """Every kind of quantity has a text, one for "not known", and comes back out of a record."""
    assert kind(None).text(METRIC) == "–" and kind(100.0).text(METRIC) not in ("", "–")
    assert from_json(as_json(message("{x}", x=kind(100.0)))) == message("{x}", x=kind(100.0))
    assert kind in vars(quantities).values()


def test_messages_are_kept_in_a_record():
    """What is kept is plain JSON, one without values its sentence, and comes back equal."""
    said = [
        message("left for {name}", name="Tam"), message("all is well"), gaps(2),
        message("{area} at {time}: {jobs}", area=Area(9000.0), time=ClockTime(0.0), jobs=(message("fuel"), "Tam")),
    ]  # fmt: skip
    assert kept(said)[1] == "all is well"
    assert messages_of(kept(said)) == said


@pytest.mark.parametrize("bad", [
    5, None, {"id": "{x}", "values": 5}, {"id": "{x}", "values": {"y": 1}}, {"Area": "wide"}, {}, {"id": "a", "plural": 3},
    {"id": "{t}", "values": {"t": {"ClockTime": 1e300}}}, {"id": "{", "values": {"x": 1}}, {"Furlong": 1.0}, [[]],
    {"id": "a", "plural": "b", "count": "many"}, {"id": "{x.y}", "values": {"x": 1}},
])  # fmt: skip
def test_a_record_from_elsewhere_harms_nothing(bad):
    """Whatever a sheet from another version holds, it is shown as it stands or as a message."""
    (said,) = messages_of([bad])
    assert isinstance(said, Message) and render(said, farm=METRIC) == str(said)
    assert messages_of(bad if not isinstance(bad, list) else 3) == []
