"""Three to five copies under random schedules: those that saw the same bundles are equal."""

import os
import shutil
import sqlite3
import tempfile
from collections import Counter
from contextlib import closing
from pathlib import Path
from unittest.mock import patch

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, rule, run_state_machine_as_test

from store import open_store
from store.models import FACTS, REFERENCES, Correction, Farm, Field, Job, Operator, Stint, Tap, Tool, Tractor
from sync import export_bundle, merge_bundles
from sync.enrolment import pair

START = 1_777_000_000.0
MOST = 5
TABLES = [*FACTS, *REFERENCES]


class Farmyard:
    """Five opened copies of one farm, put back to their first state for every schedule."""

    def __init__(self, folder):
        self.folder, self.walls, self.stores, self.first = folder, [START] * MOST, [], []
        self.counts = Counter()
        for n in range(MOST):
            wall = lambda n=n: self.walls[n]  # noqa: E731
            store = open_store(folder / f"{n}.sqlite", f"tablet {n}", wall)
            if n == 0:
                self._settle(store)
            else:
                pair(self.stores[0], store)
                bundle = export_bundle(self.stores[0], folder / "first")
                assert merge_bundles(store, [bundle]).refused == []
            (job,), (operator,) = store.all(Job), store.all(Operator)
            (tractor,), (tool,) = store.all(Tractor), store.all(Tool)
            ids = {"job_id": job.id, "operator_id": operator.id}
            ids |= {"tractor_id": tractor.id, "tool_id": tool.id}
            store.add(Stint(**ids, width_m=12.8, at=START))
            self.stores.append(store)
            export_bundle(store, folder / "met")
        for store in (self.stores[0], *self.stores):
            assert merge_bundles(store, [folder / "met"]).refused == []
            export_bundle(store, folder / "met")
            self.first.append(sqlite3.connect(":memory:"))
        del self.first[0]
        for store, first in zip(self.stores, self.first, strict=True):
            with closing(sqlite3.connect(store.path)) as raw:
                raw.backup(first)
        self.field = self.stores[0].all(Field)[0].id
        self.stints = [s.all(Stint, device=s.device)[0].id for s in self.stores]

    def _settle(self, store):
        store.put(Farm, name="Three Poplars", timezone="America/Denver")
        store.put(Operator, name="Ada")
        store.put(Tractor, name="the red one")
        store.put(Tool, name="land roller", operation="rolling", width_m=12.8)
        ground = store.put(Field, name="North")
        store.put(Job, field_id=ground.id, operation="rolling", season=2026)

    def put_back(self, copies):
        for store, first in zip(self.stores[:copies], self.first, strict=False):
            with closing(sqlite3.connect(store.path)) as raw:
                first.backup(raw)
        self.walls[:] = [START + 60 * n for n in range(MOST)]

    def rows(self, n):
        with closing(sqlite3.connect(self.stores[n].path)) as raw:
            return {t: raw.execute(f'SELECT * FROM "{t}" ORDER BY id').fetchall() for t in TABLES}


@pytest.fixture(scope="module")
def yard():
    """The copies, in a folder in memory where there is one: this is not about the disk."""
    place = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(dir=place) as folder:
        made = Farmyard(Path(folder))
        yield made
        for store in made.stores:
            store.close()


MOVES = ["carry"] * 4 + ["work", "work", "late", "clock", "kill", "cut_off"]
ACTS = ["tap", "fixes", "edit", "away", "back", "correct", "job", "operator"]


def machine(yard):
    """Return a state machine class over a yard."""
    who, moves, acts = st.integers(0, MOST - 1), st.sampled_from(MOVES), st.sampled_from(ACTS)

    class Schedule(RuleBasedStateMachine):
        @initialize(copies=st.sampled_from([3, 3, 3, 4, MOST]))
        def begin(self, copies):
            yard.put_back(copies)
            yard.counts["schedules"] += 1
            self.copies, self.shelf, self.acked = copies, [], []
            self.folder = Path(tempfile.mkdtemp(dir=yard.folder))

        def store(self, n):
            return yard.stores[n % self.copies]

        @rule(what=moves, n=who, k=st.integers(0, 30), acts=st.lists(acts, max_size=5))
        def move(self, what, n, k, acts):
            """One rule of many moves, because a rule left out for a while would thin them out."""
            yard.counts[what] += 1
            getattr(self, what)(n, k, acts)

        def work(self, n, k, acts):
            for act in acts:
                yard.counts["acts"] += 1
                self.act(self.store(n), yard.stints[n % self.copies], act, k)

        def act(self, store, stint, act, k):
            match act:
                case "tap":
                    tap = store.add(Tap(stint_id=stint, kind="mark", at=START, detail={"k": k}))
                    self.acked.append(tap.id)
                case "fixes":
                    writer = store.trace(stint)
                    writer.append(START + writer.appended / 10, 49.0 + k * 1e-6, -105.0)
                    writer.sync()
                case "edit":
                    store.put(Field, yard.field, **{("name", "crop")[k % 2]: "abc"[k % 3]})
                case "away" | "back":
                    store.put(Field, yard.field, gone=act == "away")
                case "correct":
                    word = {"corrects_table": "tap", "corrects_id": (self.acked or ["x"])[-1]}
                    store.add(Correction(**word, at=START, reason="misread"))
                case "job":
                    store.put(Job, field_id=yard.field, operation="rolling", season=2027 + k % 4)
                case "operator":
                    store.put(Operator, name=f"operator {k}")

        def clock(self, n, k, acts):
            walls = (0.0, START - 9e6, START + 3600, START + 9e6, 3.9e9)
            yard.walls[n % self.copies] = walls[k % 5]

        def kill(self, n, k, acts):
            """At a tap, or in the middle of a merge just before its commit."""
            store, stint = self.store(n), yard.stints[n % self.copies]
            try:
                if self.shelf and k % 2:
                    with patch("sync.bundle_merge.keep_peers", side_effect=KeyboardInterrupt):
                        merge_bundles(store, [self.shelf[k % len(self.shelf)]])
                else:
                    with store.writing() as session:
                        store.number(session, Tap(stint_id=stint, kind="x", at=START))
                        session.flush()
                        raise KeyboardInterrupt
            except KeyboardInterrupt:
                store._engine.dispose()

        def carry(self, n, k, acts):
            """Written after some work and read by another: not at all yet, once, or twice."""
            self.work(n, k, acts)
            path = export_bundle(self.store(n), self.folder / "out")
            self.shelf.append(shutil.copy(path, self.folder / f"rollbook-{len(self.shelf)}.zip"))
            times = (1, 2, 1, 0)[k % 4]
            yard.counts["never read"] += times == 0
            self.read(n + 1 + k % (self.copies - 1), self.shelf[-1:] * times)

        def late(self, n, k, acts):
            """Older bundles, the newest of them first."""
            self.read(n, self.shelf[k % MOST :: -1][:3])

        def read(self, n, paths):
            yard.counts["merges"] += len(paths)
            assert not paths or merge_bundles(self.store(n), paths).refused == []

        def cut_off(self, n, k, acts):
            if self.shelf:
                whole = Path(self.shelf[k % len(self.shelf)]).read_bytes()
                part = self.folder / "rollbook-part.zip"
                part.write_bytes(whole[: len(whole) * k // 31])
                assert merge_bundles(self.store(n), [part]).refused

        def teardown(self):
            if not hasattr(self, "copies"):
                return
            hub, *others = yard.stores[: self.copies]
            for store in others:
                export_bundle(store, self.folder / "last")
            gathered = merge_bundles(hub, [self.folder / "last"])
            everything = export_bundle(hub, self.folder / "all")
            for result in [gathered, *(merge_bundles(o, [everything]) for o in others)]:
                assert result.refused == [] and result.missing == []
            rows = yard.rows(0)
            assert all(yard.rows(n) == rows for n in range(1, self.copies))
            assert set(self.acked) <= {row[0] for row in rows["tap"]}
            assert merge_bundles(hub, self.shelf[:2]).added == 0
            shutil.rmtree(self.folder)

    return Schedule


def run(yard, examples, steps):
    """Run so many schedules."""
    yard.counts.clear()
    run_state_machine_as_test(
        machine(yard),
        settings=settings(
            max_examples=examples,
            stateful_step_count=steps,
            database=None,
            suppress_health_check=list(HealthCheck),
            phases=(Phase.generate, Phase.shrink),
        ),
    )
    return ", ".join(f"{count:,} {what}" for what, count in yard.counts.items())


@pytest.mark.parametrize("count", [12, pytest.param(300, marks=pytest.mark.long)])
def test_copies_that_saw_the_same_are_equal(yard, capsys, count):
    """After random schedules of work, wrong clocks, kills and late bundles copies are equal."""
    said = run(yard, count, 6)
    with capsys.disabled():
        print(f"\n  {said}: all equal")
    assert yard.counts["schedules"] >= count
    assert yard.stores[0].check() == []


@pytest.mark.long
@pytest.mark.parametrize("half", ["first", "second"])
def test_ten_thousand_schedules(yard, capsys, half):
    """10,000 longer schedules end with equal copies, no hole, and no acknowledged tap lost."""
    said = run(yard, 5_000, 8)
    with capsys.disabled():
        print(f"\n  {half} half, {said}: all equal")
    assert yard.counts["schedules"] >= 5_000
