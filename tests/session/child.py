"""A tablet to be killed: a second of a replay for each line it is given, said when it is over."""

import json
import sys
from pathlib import Path

from cabapp.common.clock import ManualClock
from cabapp.position.fix import Fix
from cabapp.position.recordings.replay_source import Replay
from cabapp.session import Session
from store import open_store


def main(folder: Path) -> None:
    plan = json.loads((folder / "plan.json").read_text())
    fixes = [Fix(*row) for row in plan["fixes"]]
    clock = ManualClock(fixes[0].t - 1)
    store = open_store(folder / "logbook.sqlite", "tablet 1")
    session = Session(store, clock, Replay(fixes, "a drive made for a test"))
    if session.view.state == "idle":
        session.take_over(*plan["who"])
        session.tap("start")
    taps = iter(plan["taps"])
    coming = next(taps, None)
    for _go in sys.stdin:
        clock.advance(1.0)
        while coming and clock.now() >= coming["at"]:
            session.tap(coming["kind"], **coming["more"])
            coming = next(taps, None)
        view = session.tick()
        print(view.now, view.state, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
