"""The template of all messages, for translators: extracted by Babel from the source.

python -m cabapp.common.extract_messages > rollbook.pot
"""

import ast
import re
import sys
from collections.abc import Collection, Iterator
from importlib.resources import files
from pathlib import Path
from typing import BinaryIO

from babel.messages.catalog import Catalog
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import write_po

from store.errors import Refused

PACKAGES = ("cabapp", "store", "sync")
CALLS: dict[str, tuple[int, ...] | None] = {
    "message": None,
    "plural": (1, 2),
    "translate": None,
    "note": None,
    "note_count": (1, 2),
    "refuse": None,
}
"""Functions whose first argument is the text of a message, or the first two."""
_Found = tuple[int, str, str | tuple[str, ...], list[str]]
_IN_LAYOUT = re.compile(r'translate\("((?:[^"\\]|\\.)*)"')


def extract_modules(
    fileobj: BinaryIO, keywords: Collection[str], comment_tags: object, options: object
) -> Iterator[_Found]:
    """Yield the messages of a module, as a method of extraction for Babel: in calls, and all strings in ``N_``."""
    for node in ast.walk(ast.parse(fileobj.read())):
        if not isinstance(node, ast.Call) or not node.args:
            continue
        name = getattr(node.func, "id", None) or getattr(node.func, "attr", "")
        texts = [one.value for one in node.args[:2] if isinstance(one, ast.Constant) and isinstance(one.value, str)]
        if name == "N_":
            yield from ((node.lineno, "message", text, []) for text in _strings(node.args[0]))
        elif name in keywords and texts:
            yield node.lineno, str(name), tuple(texts) if len(texts) > 1 else texts[0], []


def _strings(node: ast.AST) -> Iterator[str]:
    """Yield the strings of a table of words; of a mapping those of its values."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        yield node.value
    for child in node.values if isinstance(node, ast.Dict) else ast.iter_child_nodes(node):
        yield from _strings(child)


def extract_kv(fileobj: BinaryIO, keywords: object, comment_tags: object, options: object) -> Iterator[_Found]:
    """Yield the messages of a layout file, as a method of extraction for Babel."""
    for number, line in enumerate(fileobj.read().decode().splitlines(), 1):
        for text in _IN_LAYOUT.findall(line):
            yield number, "translate", text, []


def keywords() -> dict[str, tuple[int, ...] | None]:
    """Return the calls that hold a message: the functions, and every kind of refusal in the program."""
    return CALLS | dict.fromkeys(refusals())


def refusals(of: type = Refused) -> set[str]:
    """Return the names of ``Refused`` and of all classes in the source that derive from it."""
    found, texts = {of.__name__}, [path.read_text(encoding="utf-8") for path in sources()]
    while True:
        derived = re.compile(rf"^class (\w+)\((?:{'|'.join(found)})\):", re.MULTILINE)
        more = {name for text in texts for name in derived.findall(text)} - found
        if not more:
            return found
        found |= more


def sources() -> Iterator[Path]:
    """Yield the program's modules."""
    for package in PACKAGES:
        yield from sorted(Path(str(files(package))).rglob("*.py"))


def template() -> Catalog:
    """Return all messages of the program, each with the files it stands in."""
    catalog = Catalog(project="Rollbook", charset="utf-8")
    for package in PACKAGES:
        found = extract_from_dir(
            Path(str(files(package))),
            [("**.py", f"{__spec__.name}:extract_modules"), ("**.kv", f"{__spec__.name}:extract_kv")],
            keywords=keywords(),
            strip_comment_tags=True,
        )
        for name, line, text, _comments, context in found:
            catalog.add(text, locations=[(f"{package}/{name}", line)], context=context)
    return catalog


if __name__ == "__main__":
    write_po(sys.stdout.buffer, template(), sort_by_file=True, omit_header=False)
