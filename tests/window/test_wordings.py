"""No wording of the cab's line or of the page of the day is left that no window test names."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
SAYING = (
    "advice/day_advisor",
    "advice/day_summary",
    "warnings/warning_evaluator",
    "warnings/situation_reader",
    "warnings/situation",
)  # modules whose sentences the day and the judge say
FEWEST = 5  # words: shorter ones are parts of sentences, not sentences


def constants(path, whole):
    """Yield a module's wordings but for docstrings; of one with figures in it the pieces between them.

    With ``whole`` only the longest piece of each that has words enough to be a sentence.
    """
    tree = ast.parse(path.read_text())
    spoken = [node for node in ast.walk(tree) if isinstance(node, ast.JoinedStr | ast.Constant)]
    passed = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    passed |= {id(part) for node in spoken if isinstance(node, ast.JoinedStr) for part in node.values}
    for node in spoken:
        if id(node) in passed:
            continue
        parts = node.values if isinstance(node, ast.JoinedStr) else [node]
        pieces = [
            part.value.strip() for part in parts if isinstance(part, ast.Constant) and isinstance(part.value, str)
        ]
        if not whole:
            yield from pieces
        elif len(re.findall(r"\w+", " ".join(piece or "" for piece in pieces))) + len(parts) - len(pieces) >= FEWEST:
            yield max(pieces, key=len)


def test_every_wording_is_named_in_a_window_test():
    """The telling piece of each sentence in the modules that speak stands in a window test, or holds one
    that does: whoever adds a sentence is told to read it in a window too."""
    named = [
        words
        for path in (ROOT / "tests" / "window").glob("test_*.py")
        for words in constants(path, whole=False)
        if len(words) >= 8 and " " in words
    ]
    unread = {
        words
        for module in SAYING
        for words in constants(ROOT / "cabapp" / "session" / f"{module}.py", whole=True)
        if not any(words in one or one in words for one in named)
    }
    assert not unread
