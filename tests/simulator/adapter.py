"""The one place that knows the product's interfaces: open, tap, exchange, enrol, read; and what a machine is to it."""

import io
import logging
import pkgutil
import sqlite3
import uuid
from contextlib import ExitStack, closing, contextmanager, redirect_stderr, redirect_stdout
from functools import cache
from pathlib import Path
from random import Random
from unittest.mock import patch

import numpy as np
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
from sqlalchemy import Engine, create_engine, select

from cabapp.__main__ import main
from cabapp.geometry.plane import Plane
from cabapp.position.fix import Fix
from cabapp.reports.model.job_record import jobs_of, read_job
from cabapp.session import Session
from cabapp.session.fault_isolation import FAULT
from store import open_store
from store.db import schema_version
from store.durability import process_lock
from store.errors import Refused, message
from store.facts import doubled_numbers
from store.models import (
    FACTS,
    REFERENCES,
    Correction,
    Farm,
    Field,
    FuelEntry,
    HandOver,
    Hitching,
    Job,
    Mark,
    Operator,
    Own,
    Peer,
    Stint,
    Tap,
    Tool,
    Tractor,
)
from sync import enrolment, export_bundle, merge_bundles
from sync.folder_exchange import FolderWatcher, write_own
from sync.segments import copy_head

SAID = Refused
"""What the product raises on purpose: a sentence, and nothing was changed."""
PLACE = Plane(47.0, -30.0)  # open sea: nobody's farm
IDLE, READY, WORKING, STOPPED = "idle", "ready", "working", "stopped"


# --- the world a program runs in -------------------------------------------------------------------


@contextmanager
def world(chance: Random, true_time, wall):
    """Ids, keys and clocks by the seed; a logbook's tables are made from a copy, which is the same and faster.

    `wall`: returns POSIX s by the clock of the machine at work.
    """
    real = schema_version.upgrade
    with ExitStack() as stack:

        def stub(target, new, **more):
            stack.enter_context(patch(target, new, **more))

        stub("uuid.uuid4", lambda: uuid.UUID(bytes=chance.randbytes(16), version=4))
        key = lambda: Ed25519PrivateKey.from_private_bytes(chance.randbytes(32))  # noqa: E731
        stack.enter_context(patch.object(Ed25519PrivateKey, "generate", key))
        stub("time.time", wall)
        stub("time.monotonic", lambda: true_time.t)
        stub("store.db.schema_version.upgrade", lambda connection, *to: _upgrade(real, connection, *to))
        stub("store.db.connection.create_engine", _engine)
        stack.enter_context(patch.object(open_store, "__defaults__", ("tablet", wall, False)))
        yield


_first: list[Engine] = []


def _engine(url, **more):
    """Return an engine that compiles no statement that another has compiled: a season opens a hundred."""
    made = create_engine(url, **more)
    if made.dialect.name == "sqlite":
        if not _first:
            _first.append(create_engine("sqlite://", json_serializer=more["json_serializer"]))
            _first[0].connect().close()
        made.dialect, made._compiled_cache = _first[0].dialect, _first[0]._compiled_cache
    return made


def _upgrade(real, connection, *to):
    if to or schema_version.current(connection) is not None:
        return real(connection, *to)
    for line in _tables(real):
        connection.exec_driver_sql(line)
    return None


@cache
def _tables(real) -> tuple[str, ...]:
    engine = create_engine("sqlite://", creator=lambda: sqlite3.Connection(":memory:"))
    with engine.begin() as connection:
        real(connection)
        raw = connection.connection.driver_connection
        pragmas = tuple(f"PRAGMA {n}={raw.execute(f'PRAGMA {n}').fetchone()[0]}" for n in ("application_id",))
        return tuple(line for line in raw.iterdump() if line not in ("BEGIN TRANSACTION;", "COMMIT;")) + pragmas


@contextmanager
def machine(name: str):
    """The machine that is at work, by what names it."""
    with patch("store.durability.machine_binding.machine_of", lambda path: {"disk": name}):
        yield


@contextmanager
def another_process():
    """A second program on the same machine: it holds none of the locks of the first."""
    with patch.object(process_lock, "_held", {}):
        yield


class Tracebacks(logging.Handler):
    """Collects what was logged with a traceback that is no sentence of the product's."""

    def __init__(self):
        super().__init__()
        self.found: list[str] = []

    def emit(self, record):
        error = record.exc_info[1] if record.exc_info else None
        if error is not None and not isinstance(error, SAID):
            self.found.append(f"logged: {record.getMessage()}: {error!r}")


# --- logbooks ---------------------------------------------------------------------------------------


def open_logbook(path: Path, name: str, clock, carry_on: bool):
    """Open a machine's logbook, making it if there is none."""
    return open_store(path, name, clock.now, carry_on)


def end_process(store) -> None:
    """Do what the system does when a process ends in its midst: nothing is written, locks and files are let go."""
    store._engine.dispose()
    while process_lock.lock_path(store.path) in process_lock._held:
        process_lock.release(store.path)


def release_all(path: Path) -> None:
    """Let go of the lock of a first start that was killed."""
    while process_lock.lock_path(path) in process_lock._held:
        process_lock.release(path)


def saves_nothing(store) -> bool:
    """Return whether the product says that nothing is being saved."""
    return store.trouble is not None


def mark(store) -> tuple[str, int]:
    """Return whose number comes next, and which."""
    with store.session() as session:
        return session.execute(select(Own.device, Own.next_seq)).one()


def mark_of(path: Path) -> tuple:
    """Return whose number comes next in a closed logbook, which, and what office it knows."""
    with closing(sqlite3.connect(path)) as raw:
        return raw.execute("SELECT device, next_seq, office FROM own").fetchone()


def backup(store, folder: Path) -> Path:
    """Write a backup."""
    return store.backup(folder, keep=2)


_TAKEN = (Tap, Stint, Correction, Mark, FuelEntry, HandOver)


def written_since(store, since: tuple[str, int]) -> list[tuple[str, str]]:
    """Return (id, kind or table) of the acts of a device from a number on."""
    device, seq = since
    found = []
    with store.session() as session:
        for model in _TAKEN:
            table = model.__table__
            what = table.c.kind if model is Tap else None
            columns = [table.c.seq, table.c.id] + ([what] if what is not None else [])
            for row in session.execute(select(*columns).where(table.c.device == device, table.c.seq >= seq)):
                found.append((row[0], row[1], row[2] if model is Tap else model.__tablename__))
    return [(id, kind) for _seq, id, kind in sorted(found)]


def acts_in(store) -> set[str]:
    """Return the ids of all acts that a logbook has."""
    with store.session() as session:
        run = session.connection().exec_driver_sql
        words = " UNION ALL ".join(f'SELECT id FROM "{model.__tablename__}"' for model in _TAKEN)
        return {row[0] for row in run(words)}


def rows(store) -> dict[str, list[tuple]]:
    """Return every exchanged row, by table."""
    with store.session() as session:
        run = session.connection().exec_driver_sql
        return {
            name: [tuple(row) for row in run(f'SELECT * FROM "{name}" ORDER BY id')] for name in (*FACTS, *REFERENCES)
        }


def figures(store) -> dict[str, tuple]:
    """Return season, areas, m², and hours of every job as the office reads them, and what it holds back."""
    try:
        jobs = jobs_of(store)
    except SAID:
        return {}
    found = {}
    for job in jobs:
        try:
            record = read_job(store, job)
        except SAID as said:
            found[job.id] = (str(said),)
            continue
        hours = sorted((stint.row.id, stint.row.at, stint.working_s, stint.ended) for stint in record.stints)
        found[job.id] = job.season, record.count.areas(), hours, sorted(map(str, record.held))
    return found


def faults(store) -> list[str]:
    """Return what is wrong with a logbook by its own check."""
    return [str(one) for one in store.check()]


def doubled(store) -> set[str]:
    """Return the devices as which two machines wrote, and which nobody has ended."""
    with store.session() as session:
        return {one.device for one in doubled_numbers.doubled(session)}


def end_doubled(store) -> None:
    """End it, as `rollbook check --mend` at the office does."""
    store.end_doubled()


def command(path: Path, *words: str) -> tuple[int, str]:
    """Run a command of the program on a logbook; return its code and what it said."""
    said = io.StringIO()
    with redirect_stdout(said), redirect_stderr(said):
        code = main([*words, "--store", str(path)])
    return code, said.getvalue()


def correction(store, chance: Random) -> list[str] | None:
    """Return the words of a correction of something that is there."""
    kind, model, values = chance.choice((
        ("stint", Stint, ("width_m=6", "width_m=40ft", "operator_id=Ben", "season=2025", "at=2026-05-17T07:00:00Z")),
        ("tap", Tap, ("at=2026-05-17T08:00:00Z", "at=2031-01-01T00:00:00+02:00", "reason=misread")),
        ("fuel", FuelEntry, ("litres=20", "void")),
        ("mark", Mark, ("void", "note=gone")),
    ))  # fmt: skip
    found = store.all(model)
    if not found:
        return None
    return ["correct", kind, chance.choice(found).id, chance.choice(values), "--reason", "misread"]


EDITS = (
    ("edit", "operator", "Ann", "rate_per_h=31.5"), ("edit", "operator", "Ben", "phone=555"),
    ("edit", "field", "North", "target=1"), ("edit", "field", "North", "target=3"), ("edit", "field", "Bare", "crop=barley"),
    ("edit", "tool", "Roller", "sections=4,4,4"), ("edit", "farm", "units=metric"), ("edit", "farm", "timezone=Etc/GMT-9"),
    ("edit", "tractor", "Red", "tank_l=300"),
)  # fmt: skip


# --- the farm ---------------------------------------------------------------------------------------


def key(name: str) -> str:
    """Return the id of a row of the farm."""
    return str(uuid.uuid5(uuid.NAMESPACE_URL, name))


def stock(store, farm: str = "farm") -> None:
    """Write an invented farm down."""
    lat, lon = PLACE.to_latlon([[-30, -20], [30, -20], [30, 20], [-30, 20], [-30, -20]])
    ring = np.column_stack([lon, lat]).tolist()
    store.put(Farm, id=key(farm), name=f"Made-up {farm}", timezone="Etc/GMT+6", units="us")
    for name in ("Ann", "Ben"):
        store.put(Operator, id=key(name), name=name)
    for name in ("Red", "Blue"):
        store.put(Tractor, id=key(name), name=name, tank_l=400.0)
    store.put(Tool, id=key("roller"), name="Roller", operation="rolling", width_m=12.0, towed=False)
    store.put(Hitching, id=key("hitching"), tractor_id=key("Red"), tool_id=key("roller"), width_m=12.0)
    store.put(Field, id=key("North"), name="North", boundary={"type": "Polygon", "coordinates": [ring]})
    store.put(Field, id=key("Bare"), name="Bare")


def stock_operator(store) -> None:
    """Write one more operator down."""
    store.put(Operator, name="Cy")


def receiver_parts():
    """Return the words of a receiver's state, and what makes its fixes."""

    def make(t, east, north):
        lat, lon = PLACE.to_latlon([[east, north]])
        return Fix(t, float(lat[0]), float(lon[0]), sigma=0.1, quality=4)

    return message("A receiver."), make


# --- the cab ----------------------------------------------------------------------------------------


def open_session(store, clock, receiver):
    """Return a session, which goes on with what is open."""
    return Session(store, clock, receiver)


def state(session) -> str:
    return session.view.state


def tick(session) -> str | None:
    """Let the session look; return what it says if that is a fault of the program."""
    sentence = session.tick().sentence
    return str(sentence.words) if sentence is not None and sentence.words in (FAULT, FAULT.id) else None


def take_over(session, chance: Random) -> str:
    """Begin a stint as a person does: a waiting hand-over is received or skipped, a question answered by trying again."""
    who, tractor = key(chance.choice(("Ann", "Ben"))), key(chance.choice(("Red", "Blue")))
    field = key(chance.choice(("North", "North", "Bare")))
    session.choices()
    skip = None if chance.random() < 0.5 else "no time"
    try:
        session.take_over(who, tractor, key("roller"), field, skip_check=skip)
    except SAID:
        if chance.random() < 0.5:
            raise
        session.take_over(who, tractor, key("roller"), field, skip_check="no time")
    return "stint"


def receive(store, session, chance: Random) -> None:
    """Go through a waiting sheet, pointing at the right place or beside it."""
    waiting = session.choices().hand_overs
    if waiting:
        one = chance.choice(waiting).id
        given = store.get(HandOver, one)
        off = chance.choice((0.0, 0.0, 0.01))
        lat = None if given.next_lat is None else given.next_lat + off
        session.receive(one, key("Ben"), lat, given.next_lon)


def hand_over(session, chance: Random) -> str:
    session.hand_over(session.prepare_hand_over(chance.choice(("fine", "watch")), left=chance.random() < 0.5))
    return "hand_over"


TAPS = {
    READY: (("mark", {"kind": "rock"}), ("fuel", {"litres": 80}), ("hitching_ok", {}), ("walk_round", {"fine": ["tyres"]}),
            ("soil", {"celsius": 9}), ("seeded", {"days_ago": 3}), ("caution", {}), ("finish", {})),
    WORKING: (("mark", {"kind": "pole"}), ("width", {"wing": "left up"}), ("width", {"wing": "all"}), ("seeder", {}),
              ("pass_counted", {}), ("rain", {"hours": 5}), ("undo", {}), ("sections", {"on": "110"})),
    STOPPED: (("finish", {}), ("fuel", {"litres": 20}), ("grease", {}), ("undo", {}), ("stop_reason", {"reason": "fuel"}),
              ("look_first", {}), ("weather", {"wind": 3, "air": 15}), ("seeder_pace", {"rate": 5, "seeded": 1000})),
}  # fmt: skip
"""Taps by state, with what they take."""


def tap(session, kind: str, /, **given) -> str:
    reason = given.pop("reason", None)
    session.tap(kind, reason=reason, **given)
    return kind


def follow_merge(session) -> None:
    session.merged()


# --- exchange ---------------------------------------------------------------------------------------


def exchange(store, folders: list[Path], looks: int = 2) -> tuple[int, list[str]]:
    """Look into folders as the cab and `rollbook exchange` do; return records added, and what was refused."""
    watch, added, refused = FolderWatcher(store, folders), 0, []
    for _ in range(looks):
        for news in watch.look():
            added += news.merged.added
            refused += [str(why) for _path, why in news.merged.refused]
            refused += [str(news.trouble)] if news.trouble else []
    return added, refused


def export(store, folder: Path) -> Path:
    """Write a file of all that is here, as `rollbook export` does."""
    return write_own(store, folder)


def merge(store, paths: list[Path]) -> tuple[int, list[str], list[str]]:
    """Merge by hand; return records added, what was refused, and what is missing."""
    result = merge_bundles(store, paths)
    return result.added, [str(why) for _path, why in result.refused], [str(one) for one in result.missing]


def export_newer(store, folder: Path) -> Path:
    """Write a bundle of a format that is not known yet."""
    with patch.object(copy_head, "VERSION", copy_head.VERSION + 1):
        return export_bundle(store, folder)


# --- trust ------------------------------------------------------------------------------------------


def card(store):
    return enrolment.card_of(store)


def waits(refused: list[str]) -> bool:
    """Return whether all that was refused waits for a person: to pair a new machine, or one that was reported lost."""
    return all("is not paired" in one or "was reported lost" in one for one in refused)


def enrol(office, cards) -> None:
    """At the office: put devices on the roll."""
    for one in cards:
        enrolment.enrol(office, one)


def hold_to(store, office_card) -> None:
    """On a tablet: take the office's card."""
    enrolment.hold_to(store, office_card)


def strike_off(office, name: str) -> None:
    enrolment.revoke(office, name, "in the ditch")


def become_office(store) -> None:
    """Claim to be the farm's office, as a stranger may."""
    enrolment.enrol(store, enrolment.Card(str(uuid.uuid4()), "a friend", bytes(range(32))))


def plant_keys(store, cards, many: int) -> None:
    """Say of devices that they have other keys than theirs, and of many more that they are there."""
    with store.writing() as session:
        for one in cards:
            session.merge(Peer(device=one.device, name=one.name, public_key=bytes(32)))
        for n in range(many):
            session.add(Peer(device=str(uuid.uuid4()), name=f"ghost {n}", public_key=bytes(range(1, 33))))


# --- lies -------------------------------------------------------------------------------------------


def lie(store, chance: Random) -> str:
    """Write, correctly signed, what no honest program writes; return what."""
    stints = store.all(Stint)
    stint = chance.choice(stints).id if stints else None
    jobs = store.all(Job)
    world_wide = [[-180, -90], [180, -90], [180, 90], [-180, 90], [-180, -90]]
    bow_tie = [[-30, 47], [-29.999, 47.001], [-29.999, 47], [-30, 47.001], [-30, 47]]
    kinds = ("seeded", "width", "sections", "start", "stop", "undo", "rain", "weather", "no such tap", "seeder_pace")
    detail = chance.choice(
        (None, {}, {"wing": 7}, {"on": "2"}, {"at": "then"}, {"tap": "x"}, {"width_m": 0}, {"rate": -1})
    )
    choices = [
        ("units", lambda: store.put(Farm, key("farm"), units=chance.choice(("furlong", "", "US")))),
        ("zone", lambda: store.put(Farm, key("farm"), timezone="Moon/Base")),
        ("rules", lambda: store.put(Farm, key("farm"), go_rules={"wind": "strong"}, closing_rules={"rye": []})),
        (
            "world-wide field",
            lambda: store.put(Field, key("North"), boundary={"type": "Polygon", "coordinates": [world_wide]}),
        ),
        ("bow tie", lambda: store.put(Field, key("Bare"), boundary={"type": "Polygon", "coordinates": [bow_tie]})),
        ("no geometry", lambda: store.put(Field, key("Bare"), boundary={"type": "Song"})),
        ("target", lambda: store.put(Field, key("North"), target=chance.choice((0, -3, 10**6)))),
        ("gate", lambda: store.put(Field, key("North"), gate_lat=900.0, gate_lon=0.0)),
        ("width of tool", lambda: store.put(Tool, key("roller"), width_m=chance.choice((0.0, -12.0, 1e9)))),
        ("sections", lambda: store.put(Tool, key("roller"), sections=chance.choice(("", "x", "0,0", "1e400")))),
        ("hitching", lambda: store.put(Hitching, key("hitching"), width_m=0.0, hitch_to_line_m=-1e9)),
        ("operator", lambda: store.put(Operator, key("Ann"), name="", rate_per_h=-1e18)),
        ("tractor", lambda: store.put(Tractor, key("Red"), tank_l=-1.0, cost_per_h=1e18)),
        (
            "job",
            lambda: store.put(Job, field_id=key("North"), operation="rolling", season=chance.choice((-1, 0, 99999))),
        ),
        ("mark", lambda: store.add(Mark(field_id=key("North"), kind="?", lat=1e9, lon=-1e9, at=-7e9))),
        ("fuel", lambda: store.add(FuelEntry(tractor_id=key("Red"), at=7.9e9, litres=-1e15))),
    ]
    if jobs:
        job = chance.choice(jobs).id
        choices.append(("job's target", lambda: store.put(Job, job, target=0, agreed_area_m2=-1.0)))
        people = {"operator_id": key("Ann"), "tractor_id": key("Red"), "tool_id": key("roller")}
        choices.append(("stint", lambda: store.add(
            Stint(job_id=job, **people, width_m=chance.choice((0.0, -3.0, 1e15)), at=chance.choice((0.0, -7e9, 7.9e9)),
                  side_m=1e12, sections="-1,x"))))  # fmt: skip
    if stint:
        at = chance.choice((0.0, -7.9e9, 7.9e9, 1.779e9))
        kind = chance.choice(kinds)
        choices += [
            (f"tap {kind} {detail}", lambda: store.add(Tap(stint_id=stint, kind=kind, at=at, detail=detail)))
        ] * 4
        table = chance.choice(("stint", "tap", "song"))
        right = chance.choice(
            ({"at": "then"}, {"at": 9e9}, {"width_m": 0}, {"width_m": []}, {"job_id": "nobody"}, {"void": 7}, None)
        )
        choices += [(f"correction of {table} {right}", lambda: store.add(
            Correction(corrects_table=table, corrects_id=stint, at=0.0, reason="", detail=right)))] * 3  # fmt: skip
        choices.append(("hand-over", lambda: store.add(
            HandOver(job_id=store.get(Stint, stint).job_id, stint_id=stint, at=0.0, state="?", sheet={"next": 7},
                     next_lat=1e9, next_lon=None))))  # fmt: skip
    what, write = chance.choice(choices)
    write()
    return what


def lie_with_trace(store, chance: Random) -> None:
    """Append fixes that no receiver gives: at the poles, in other centuries, back in time."""
    stints = store.all(Stint)
    if stints:
        writer = store.trace(chance.choice(stints).id)
        for t in (1.7e9, 0.0, 7.9e9, 1.779e9):
            writer.append(t, chance.choice((-90.0, 90.0, 47.0)), chance.choice((-180.0, 180.0, -30.0)), 0.0, 4)
        writer.sync()


# --- faults put in on purpose -----------------------------------------------------------------------


def _every(count: int, real, instead):
    """Return a function that does something else each so many times."""
    times = iter(range(10**9))

    def done(*words, **more):
        return (instead if next(times) % count == count - 1 else real)(*words, **more)

    return done


def _not_added(store, row):
    row.id, row.device, row.seq, row.stamp = str(uuid.uuid4()), store.device, 0, ""
    return row


PLANTED = {
    "a tap is shown and not written": {"store.logbook.Store.add": lambda real: _every(7, real, _not_added)},
    "a merge forgets some rows": {
        "sync.record_merge.insert_rows": lambda real: (
            lambda session, table, rows: real(session, table, rows[1:] if table.name == "tap" else rows)
        )
    },
    "a copied card is not noticed": {
        "store.durability.machine_binding.strayed": lambda real: lambda *_: None,
        "store.facts.device_identity.renew_if_doubled": lambda real: lambda *_: None,
    },
    "no lock": {"store.durability.process_lock.acquire": lambda real: lambda path: True},
}
"""Name -> what is replaced, and what by; each must be found."""


@contextmanager
def planted(fault: str):
    """The program has this fault."""
    with ExitStack() as stack:
        for target, make in PLANTED[fault].items():
            stack.enter_context(patch(target, make(pkgutil.resolve_name(target))))
        yield
