"""Records that are odd in meaning stop nothing: cab, office, log, export and check go on."""

import itertools
import logging
import shutil
import traceback
from collections import Counter
from pathlib import Path

import pytest

from cabapp.__main__ import main
from cabapp.commands.records.correct import KINDS
from cabapp.commands.records.edit import KINDS as EDITED
from cabapp.common.clock import ManualClock
from cabapp.common.rendering import render
from cabapp.position.fix import Fix
from cabapp.position.recordings.replay_source import Replay
from cabapp.session import Session
from store import open_store
from store.errors import Refused
from store.models import Correction, HandOver, Parcel, Tap
from sync import export_bundle, merge_bundles
from sync.enrolment import pair
from tests.session.odd_records import Liar, Sound, records, traces

T0 = 1_779_000_000.0


class Faults(logging.Handler):
    """What was logged with a traceback."""

    def __init__(self):
        super().__init__(logging.ERROR)
        self.said = []

    def emit(self, record):
        if record.exc_info:
            self.said.append((record.getMessage(), record.exc_info))


@pytest.fixture
def faults():
    heard = Faults()
    logging.getLogger().addHandler(heard)
    yield heard.said
    logging.getLogger().removeHandler(heard)


@pytest.fixture
def farm(tmp_path, store, run, ids, box, drive_rows, stands_for):
    """A cab with work of every kind behind it and a stint open, and a known device that lies; as files."""
    store.put(Parcel, field_id=ids.field, name="East", landlord="Ira", boundary=box(0, -150, 200, 150), share=0.25)
    cab = run(drive_rows([-40, -28, -16], hz=0.5), start=T0)
    cab.take_over()
    for tap, detail in (("weather", {"wind": 3.0, "air": 12.0}), ("seeded", {"days_ago": 9}), ("soil", {"celsius": 9.0}),
                        ("walk_round", {"fine": ["bearings"], "fault": []}), ("fuel", {"litres": 90.0})):  # fmt: skip
        cab.session.tap(tap, **detail)
    cab.session.tap("start")
    cab.on(90)
    cab.session.tap("mark", kind="rock")
    cab.session.tap("seeder")
    cab.on(40)
    cab.session.tap("stop", reason="fuel")
    given = cab.session.hand_over(cab.session.prepare_hand_over())
    row = store.get(HandOver, given)
    cab.session.receive(given, ids.ben, row.next_lat, row.next_lon)
    cab.take_over(operator="ben", skip_check="no time")
    cab.session.tap("start")
    cab.on(20)
    cab.session.tap("width", wing="left up")
    cab.on(5)
    cab.session.close()
    store.add(
        Correction(corrects_table="tap", corrects_id=store.all(Tap)[0].id, at=T0, reason="late", detail={"at": T0 - 1})
    )
    with open_store(tmp_path / "liar.sqlite", "a liar", wall=lambda: T0 + 300) as liar:
        pair(store, liar)
        assert merge_bundles(liar, [export_bundle(store, tmp_path / "first")]).refused == []
        bundle = export_bundle(liar, tmp_path / "first")
    merge_bundles(store, [bundle])
    store.close()
    return tmp_path


class Walk:
    """One logbook with its liar: records are merged one at a time, and the farm goes on."""

    def __init__(self, farm, folder, stands_for, faults):
        folder.mkdir()
        for name in ("logbook.sqlite", "liar.sqlite"):
            stands_for(shutil.copy(farm / name, folder / name))
        self.folder, self.faults = folder, faults
        self.store = open_store(folder / "logbook.sqlite", wall=lambda: T0 + 400)
        self.liar = Liar(open_store(folder / "liar.sqlite", wall=lambda: T0 + 300))
        self.broke, self.merged, self.refused, self.told = [], 0, [], []

    def close(self):
        self.store.close()
        self.liar.store.close()

    def attempt(self, what, work):
        """Do what the farm does; what is raised, or logged with a traceback, is a fault of the program."""
        del self.faults[:]
        try:
            work()
        except Refused:
            pass
        except Exception as fault:
            self.faults.append((what, (type(fault), fault, fault.__traceback__)))
        for said, (_, fault, trace) in self.faults:
            steps = traceback.extract_tb(trace)
            place = next(
                (
                    f"{Path(s.filename).name}:{s.lineno}"
                    for s in reversed(steps)
                    if "site-packages" not in s.filename and "/lib/python" not in s.filename
                ),
                "?",
            )
            self.broke.append((what, said[:60], f"{type(fault).__name__}: {str(fault)[:100]}", place))

    def merge(self, records):
        """Merge records in one bundle; where it is refused, each alone."""
        written = []
        for table, columns, odd in records:
            try:
                self.liar.write(table, columns)
            except (ValueError, TypeError):
                self.refused.append((odd, "cannot be written as a line"))
            else:
                written.append((table, columns, odd))
        path = export_bundle(self.liar.store, self.folder / "stick")
        result = []
        self.attempt("merge", lambda: result.append(merge_bundles(self.store, [path])))
        if result and not result[0].refused:
            self.merged += len(written)
            return
        for _ in written:
            self.liar.take_back()
        if len(records) > 1:
            for one in records:
                self.merge([one])
        else:
            self.refused += [(records[0][2], str(one[1])) for one in result[0].refused] if result else []

    def cab(self):
        """The cab starts with an open stint, counts, and shows what can be chosen."""
        clock = ManualClock(T0 + 400)
        session = Session(
            self.store, clock, Replay([Fix(T0 + 400 + k, *self.at(k), 0.1, 4) for k in range(12)], "a drive")
        )
        clock.advance(3)
        view = session.tick()
        render(view.sentence.words if view.sentence else "")
        choices = session.choices()
        [render(choice.name) for choice in (*choices.operators, *choices.tools, *choices.fields)]
        session.merged()
        session.tick()
        session.close()

    def at(self, k):
        return 47.0 + k * 2e-5, -30.0

    def sheet(self):
        """The stint is handed over."""
        session = Session(self.store, ManualClock(T0 + 420), None)
        session.tick()
        if session.tick().state == "working":
            session.tap("stop", reason="fuel")
        session.prepare_hand_over()
        session.close()

    def office(self):
        """Pages, log, export and check."""
        path = str(self.store.path)
        for words in (["office", "--out", str(self.folder / "pages")], ["log", "--out", str(self.folder / "log")],
                      ["export", str(self.folder / "out")], ["check"], *(["correct", kind] for kind in KINDS),
                      *(["edit", kind] for kind in EDITED)):  # fmt: skip
            self.attempt(words[0], lambda words=words: main([*words, "--store", path]))


def walked(farm, stands_for, faults, count, at_once, group):
    """Merge so many odd records, some at once and a group into each logbook; return the walks."""
    walks, offered = [], 0
    with open_store(farm / "logbook.sqlite") as store:
        source = records(Sound(store))
    while offered < count:
        walk = Walk(farm, farm / f"walk{len(walks)}", stands_for, faults)
        walks.append(walk)
        for _ in range(0, min(group, count - offered), at_once):
            some = list(itertools.islice(source, at_once))
            offered += at_once
            before = len(walk.broke)
            walk.merge(some)
            if offered % 40 == 0 or (at_once == 1 and offered % 4 == 0):
                walk.attempt("cab", walk.cab)
            walk.told += [(some[-1][2], *one) for one in walk.broke[before:]]
        before = len(walk.broke)
        walk.attempt("sheet", walk.sheet)
        walk.office()
        walk.told += [("group", *one) for one in walk.broke[before:]]
        walk.close()
    return walks


def test_odd_traces_stop_nothing(farm, stands_for, faults):
    """A trace all over the world and all times is read, counted where it can be, and stops nothing."""
    walk = Walk(farm, farm / "traces", stands_for, faults)
    walk.merge(list(traces(Sound(walk.store))))
    walk.attempt("cab", walk.cab)
    walk.attempt("sheet", walk.sheet)
    walk.office()
    walk.close()
    assert walk.broke == [] and walk.merged == 30


@pytest.mark.parametrize(
    ("count", "at_once", "group"),
    [(120, 20, 120), pytest.param(2000, 1, 100, marks=pytest.mark.long)],
    ids=["some", "all"],
)
def test_odd_records_stop_nothing(farm, stands_for, faults, count, at_once, group, capsys):
    """However odd the records of a known device are, nothing is raised, and nothing logged as a fault."""
    walks = walked(farm, stands_for, faults, count, at_once, group)
    merged, refused = sum(walk.merged for walk in walks), sum(len(walk.refused) for walk in walks)
    with capsys.disabled():
        print(f"\n  odd records: {merged} merged, {refused} refused")
        kinds = Counter(one[1:] for walk in walks for one in walk.told)
        for kind, times in kinds.most_common(60):
            print("   ", times, *kind)
    assert not [told for walk in walks for told in walk.told]
    assert merged > 0.6 * count
