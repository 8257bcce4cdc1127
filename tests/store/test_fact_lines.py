"""The lines of a page are read as strictly as the standard library can be made to read them."""

import json
import random

import pytest

from store.facts.fact_lines import InvalidFact, is_hash, is_seq, is_uuid, parse_lines

ID = "1f0c22ab-0000-4000-8000-00000000000a"

GOOD = '{"a": [{}, {"b": "x"}]}\n{"a": "}"}\n{"c": {"d": [1.5, null]}}\n'


def standard(text):
    """Return the objects on whole lines by the standard library, or None if one is none."""
    try:
        found = [json.loads(line) for line in text.removesuffix("\n").split("\n")]
    except ValueError:
        return None
    bare = all(line[:1] == "{" and line[-1:] == "}" for line in text.split("\n")[:-1])
    sound = text.endswith("\n") and bare and "NaN" not in text and "Infinity" not in text
    return found if sound else None


def ours(text):
    try:
        return parse_lines(text.encode())
    except InvalidFact:
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
        '{"a": 1e999}\n',
        '{"a": {"b": [-1e999]}}\n',
        '{"a": "\\ud800"}\n',
        '{"a":' * 5000 + "1" + "}" * 5000 + "\n",
    ],
)
def test_what_is_not_one_object_a_line_is_refused(text):
    """Lines that are cut, joined, broken, blank or no JSON object are refused, in words."""
    with pytest.raises(InvalidFact, match="record"):
        parse_lines(text.encode())


def test_what_is_taken_is_what_the_standard_library_takes():
    """Of 20,000 altered pages ours and the standard library take the same ones, and read the same."""
    chance, taken = random.Random(11), 0
    for _ in range(20_000):
        letters = list(GOOD)
        for _ in range(chance.randint(1, 3)):
            place = chance.randrange(len(letters))
            letters[place : place + chance.randint(0, 2)] = chance.choice('\n{}[],"1 :')
        text = "".join(letters)
        assert ours(text) == standard(text), text
        taken += ours(text) is not None
    assert taken > 500
    assert ours(GOOD) == standard(GOOD) is not None


@pytest.mark.parametrize(
    ("check", "good", "bad"),
    [
        (
            is_hash,
            ["0123456789abcdef" * 4],
            ["a" * 63, "a" * 65, "A" * 64, "g" * 64, "٣" * 64, b"a" * 64, None, "a" * 64 + "\n"],
        ),
        (is_uuid, [ID], [ID[:-1], ID + "0", ID.upper(), ID.replace("-", ""), "", None, 7, ID + "\n"]),
        (is_seq, [1, 2**31 - 2], [0, -1, 2**31 - 1, True, 1.0, "1", None]),
    ],
)
def test_ids_hashes_and_numbers_have_one_form(check, good, bad):
    """Each is taken in exactly the form in which it is written, up to its limits, and in no other."""
    assert [check(value) for value in good] == [True] * len(good)
    assert [check(value) for value in bad] == [False] * len(bad)
