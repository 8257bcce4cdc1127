"""Every message of the cab's line and of the day's screen is read off a window by some test."""

import ast
import re
from pathlib import Path

import pytest

from cabapp.common.extract_messages import template

ROOT = Path(__file__).parents[2]
WRITERS = (
    "advice/day_advisor",
    "advice/day_summary",
    "warnings/warning_evaluator",
    "warnings/situation_reader",
    "warnings/situation",
)  # modules whose messages the day and the warnings show
VARIANTS = re.compile(r": this pass is finished| on the (left|right)|, \{hours\} ago")  # read in tests of the session
PLACE = re.compile(r"\{\w+\}")
FEWEST = 5  # words: shorter messages stand in places of others


def read_in_windows():
    """Return the texts that window tests look for."""
    return {
        node.value
        for path in (ROOT / "tests" / "window").glob("test_*.py")
        if path.name != Path(__file__).name
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and len(node.value) >= 8 and " " in node.value
    } | {
        part.value
        for path in (ROOT / "tests" / "window").glob("test_*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.JoinedStr)
        for part in node.values
        if isinstance(part, ast.Constant) and len(part.value) >= 8 and " " in part.value
    }


def is_named(message, named):
    """Say whether a test looks for one of a message's sentences, whatever stands in the places, or for a piece
    of it: one that it begins with, or one of four words and more."""
    sentences = re.split(r"(?<=[.?;]) ", message)
    patterns = [re.compile(".{1,80}?".join(map(re.escape, PLACE.split(one.strip(" .;"))))) for one in sentences]
    pieces = [piece.strip() for piece in PLACE.split(message)]
    long = [piece for piece in pieces if len(re.findall(r"\w+", piece)) >= 4]
    return any(
        text in message
        or any(pattern.search(text) for pattern in patterns)
        or any(piece in text or text in piece for piece in long)
        or (pieces[0] and text.startswith(pieces[0]))
        for text in named
    )


def messages():
    """Return the sentences of the modules that show them, one of those that differ in what `VARIANTS` says."""
    files = {f"cabapp/session/{name}.py" for name in WRITERS}
    texts = {
        VARIANTS.sub("", text)
        for one in template()
        if files & {name for name, _line in one.locations}
        for text in (one.id if isinstance(one.id, tuple) else (one.id,))
    }
    return {text for text in texts if len(re.findall(r"\w+", text)) >= FEWEST}


@pytest.fixture(scope="module")
def named():
    """Return the texts that window tests look for."""
    return read_in_windows()


def test_every_message_is_named_in_a_window_test(named):
    """A sentence or a telling piece of each message stands in a window test: whoever adds a message is told to
    read it in a window too."""
    unread = {text for text in messages() if not is_named(text, named)}
    assert len(messages()) > 40 and not unread
