"""Every part of every screen has a way in and is gone to by a test; read from the sources, without a window."""

import ast
import re
from pathlib import Path

import pytest

from tests.window.screen_parts import ELSEWHERE, TOURED

SCREENS = Path(__file__).parents[2] / "cabapp" / "screens"
REGISTRY = (SCREENS / "system" / "screen_registry.py").read_text("utf-8")


def sources(screen: str) -> tuple[str, str]:
    """Return the .kv and the .py of a screen's class, with what that takes from modules beside it that set its part."""
    path = next(p for p in SCREENS.rglob("*_screen.py") if f"class {screen}(" in p.read_text("utf-8"))
    text = path.read_text("utf-8")
    for name in re.findall(rf"from cabapp\.screens\.{path.parent.name}\.(\w+) import", text):
        beside = path.with_name(f"{name}.py").read_text("utf-8")
        text += "\n" + beside.replace("from __future__ import annotations", "") if "self.part = " in beside else ""
    return path.with_suffix(".kv").read_text("utf-8"), text


def named(kv: str) -> set[str]:
    """Return the parts a .kv shows something for."""
    conditions = re.findall(r"root\.part [!=]= (\"\w[^\"]*\")|root\.part (?:not )?in \(([^)]*)\)", kv)
    return {part for pair in conditions for part in re.findall(r'"([^"]+)"', "".join(pair))}


def entered(kv: str, text: str) -> set[str]:
    """Return the parts with a way in: the first one, a key that sets or names one, a method in use that sets one."""
    found = set(re.findall(r'^ +part = StringProperty\("([^"]+)"\)', text, re.MULTILINE))
    found |= set(re.findall(r'on_release: root\.(?:part = |\w+\()"([^"]+)"', kv))
    found |= set(re.findall(r'setattr\(self, "part", "([^"]+)"\)', text))
    for method in (node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)):
        used = len(re.findall(rf"\b(?:self|root)\.{method.name}\b", kv + text)) or method.name.startswith("on_")
        for node in ast.walk(method) if used else ():
            if isinstance(node, ast.Assign) and "self.part" in ast.unparse(node.targets[0]):
                found |= {one.value for one in ast.walk(node.value) if isinstance(one, ast.Constant)}
    return found


PARTS = {
    (name, part): sources(screen)
    for name, screen in re.findall(r'"([^"]+)": ScreenRow\((\w+)', REGISTRY)
    for part in named(sources(screen)[0])
}


@pytest.mark.parametrize(("screen", "part"), sorted(PARTS))
def test_every_part_of_a_screen_has_a_way_in(screen, part):
    """A key of a part that is removed, or a method that shows one and is called no more, is found."""
    assert part in entered(*PARTS[screen, part])


def test_every_part_of_a_screen_is_gone_to_by_a_test():
    """A part that is new is in the list of the tour, or of the other tests, and none that is gone."""
    assert PARTS.keys() == TOURED | ELSEWHERE.keys() and not TOURED & ELSEWHERE.keys()
    for file, key in ELSEWHERE.values():
        assert f'"{key}"' in Path(__file__).with_name(file).read_text("utf-8"), key


@pytest.mark.parametrize(
    ("screen", "part", "gone"),
    [
        ("more", "fuel", 'root.part = "fuel"'), ("more", "fields", "root.list_fields()"), ("the day", "map", "root.open_map()"),
        ("the day", "rain", 'root.part = "rain"'), ("hand over", "more", 'root.turn_part("more")'),
        ("receiver", "both ways", "root.begin_both_ways()"),
    ],
)  # fmt: skip
def test_a_key_that_is_gone_leaves_its_part_without_a_way_in(screen, part, gone):
    """The first test above fails once the one key of a part is removed."""
    kv, text = PARTS[screen, part]
    assert part not in entered(kv.replace(f"on_release: {gone}", ""), text)
