"""The walk of one fix and of one tap: which file hands on to which, in the order of the calls, and what each is for.

python -m tests.bench.handoffs
"""

import ast
import sys
import tempfile
from pathlib import Path

from cabapp.common.clock import ManualClock
from cabapp.position.recordings.replay_source import Replay
from cabapp.session import Session
from store import open_store
from tests.session.conftest import along, key, rows, stock

ROOT = Path(__file__).resolve().parents[2]
T0 = 1_779_000_000.0
VALUES = {
    "fix", "view", "sentence", "situation", "day_facts", "pose", "tool", "units", "quantities", "wording", "errors",
    "models", "clock", "angles", "message", "work_switches", "farm_format", "limits", "swept_ground", "arrays",
}  # fmt: skip
"""Modules of plain values: to make or read one is no hand-off."""


def walk(act) -> list[str]:
    """Return the hand-offs "file -> file" of a call, each once, in the order they first occur."""
    found: dict[str, None] = {}

    def note(frame, event, _arg):
        if event != "call" or frame.f_back is None:
            return
        ends = [Path(one.f_code.co_filename) for one in (frame.f_back, frame)]
        if all(path.is_relative_to(ROOT) and ".venv" not in path.parts and "tests" not in path.parts for path in ends):
            a, b = (path.stem for path in ends)
            if a != b and not {a, b} & VALUES:
                found.setdefault(f"{a} -> {b}")

    sys.setprofile(note)
    try:
        act()
    finally:
        sys.setprofile(None)
    return list(found)


def files(steps: list[str]) -> list[str]:
    """Return the files that a walk enters, each once, in the order they first occur."""
    return list(dict.fromkeys(step.split(" -> ")[1] for step in steps))


def walks() -> dict[str, list[str]]:
    """Return both walks of a session in the middle of a pass."""
    fixes = along(rows([-6.0, 0.0], -200.0, 200.0), T0 + 10.0)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "logbook.sqlite", "tablet") as store:
        stock(store)
        clock = ManualClock(T0)
        session = Session(store, clock, Replay(fixes, "a drive"))
        session.take_over(key("ann"), key("red"), key("roller"), key("field"))
        clock.advance(10.0)
        session.tick()
        session.tap("start")
        for _ in range(100):
            clock.advance(1.0)
            session.tick()
        clock.advance(1.0)
        return {"one fix": walk(session.tick), "one tap (stop)": walk(lambda: session.tap("stop", reason="fuel"))}


def purpose(name: str) -> str:
    """Return what a module is for, by its own first line."""
    path = next(path for top in ("cabapp", "store", "sync") for path in (ROOT / top).rglob(f"{name}.py"))
    return (ast.get_docstring(ast.parse(path.read_text("utf-8"))) or "").partition("\n")[0]


def main() -> None:
    """Print both walks."""
    for name, steps in walks().items():
        print(f"{name}: {len(steps)} hand-offs, {len(files(steps))} files entered")
        for step in steps:
            print(f"    {step}")
        for entered in files(steps):
            print(f"    {entered:22} {purpose(entered)}")


if __name__ == "__main__":
    main()
