"""A page is read in one go as strictly as line by line."""

import json
import random

import pytest

from store.changes import fits
from store.lines import Unfit, parse_lines
from store.models import Tap

GOOD = '{"a": [{}, {"b": "x"}]}\n{"a": "}"}\n{"c": {"d": [1.5, null]}}\n'


def line_by_line(text):
    """Return the objects on whole lines by the standard library, or None if one is none."""
    try:
        found = [json.loads(line) for line in text.removesuffix("\n").split("\n")]
    except ValueError:
        return None
    bare = all(line[:1] == "{" and line[-1:] == "}" for line in text.split("\n")[:-1])
    sound = text.endswith("\n") and bare and "NaN" not in text and "Infinity" not in text
    return found if sound else None


def one_go(text):
    try:
        return parse_lines(text)
    except Unfit:
        return None


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n",
        "{}",
        "{}\n\n{}\n",
        "{}\n{}",
        "[1]\n",
        " {}\n",
        "{} \n",
        "{}{}\n",
        "{},{}\n",
        '{"a": [{}\n{}]}\n',
        '{"a": [{}\n{}]}\n{},{}\n',
        '{"a": [{}\n{}], "a": 1}\n',
        '{},"",{}\n',
        '{"a": "}\n{"}\n',
        '{"a": NaN}\n',
        '{"a": -Infinity}\n',
        '{"a": "\\ud800"}\n',
        '{"a":' * 5000 + "1" + "}" * 5000 + "\n",
    ],
)
def test_what_is_not_one_object_a_line_is_refused(text):
    """Lines that are cut, joined, broken, blank or no JSON object are refused, in words."""
    with pytest.raises(Unfit, match="record"):
        parse_lines(text)


def test_one_go_takes_what_line_by_line_takes_and_nothing_else():
    """Of 20,000 altered pages both ways of reading take the same ones, and read the same."""
    chance, taken = random.Random(11), 0
    for _ in range(20_000):
        letters = list(GOOD)
        for _ in range(chance.randint(1, 3)):
            place = chance.randrange(len(letters))
            letters[place : place + chance.randint(0, 2)] = chance.choice('\n{}[],"1 :')
        text = "".join(letters)
        assert one_go(text) == line_by_line(text), text
        taken += one_go(text) is not None
    assert taken > 500
    assert one_go(GOOD) == line_by_line(GOOD) is not None


def test_infinity_fits_no_column():
    """A number too large for a float, which a page may spell, is taken nowhere, however deep."""
    (found,) = parse_lines('{"a": 1e999, "b": {"c": [1e999]}}\n')
    columns = Tap.__table__.columns
    assert not fits(columns["lat"], found["a"]) and not fits(columns["detail"], found["b"])
    assert fits(columns["detail"], {"c": [1e99]})
