"""Records that are right in form and odd in meaning, made by type from the models, signed by a device that is known."""

import itertools
import json
import random
import uuid

import numpy as np
from sqlalchemy import JSON, Boolean, Float, Integer, select

from cabapp.jobs.records.tap_kinds import TAP_KINDS
from store.facts.hybrid_clock import next_stamp
from store.facts.reference_changes import own_columns
from store.facts.signed_pages import make_page
from store.facts.timestamp import write_time
from store.models import FACTS, REFERENCES, Instant, Own, SignedPage, TraceChunk
from store.traces.trace_codec import make_trace, pack

NUMBERS = (0, -1, 1e-300, -1e-300, 1e9, 9e18, -9e18, 4e5, -400.0, 361, 91, 3.5e38, 1 / 3)
WHOLES = (0, -1, 2**31 - 1, -(2**31) + 1, 10, 99, 1900)
INSTANTS = (-7.9e9, 7.9e9, 0.0, -1.0, 4.1e9)
LONG = "x" * 2**20
TEXTS = (
    "", " ", "furlong", "\x01\x1b[2J\x07", "\u202eevil\u2066", "a\nb\r\nc\td", "\x85\u2028\u2029", LONG, "0", "nan", "-",
    "None", "<script>alert(1)</script>", "{name} {0} %s %d \\N{BELL}", "../../x", "Mars/Olympus_Mons", "../../etc/passwd",
    "\ufeff\ufffe", "\U0001f69c" * 300, "é" * 5000, "1,2,x", "1e400,1", "0,0,0", ",".join(["1"] * 9000), "us ", "METRIC",
    "00000000-0000-0000-0000-000000000000",
)  # fmt: skip
ENDLESS: list = []
for _ in range(200):
    ENDLESS = [ENDLESS]


def ground(*rings):
    return {"type": "Polygon", "coordinates": [list(map(list, ring)) for ring in rings]}


WORLD = ground([(-180, -90), (180, -90), (180, 90), (-180, 90), (-180, -90)])
OBJECTS = (
    {}, {"a": None}, {"": ""}, {"deep": ENDLESS}, {"long": LONG}, {"void": True}, {"void": "yes"}, {"was": 7}, {"type": 7},
    WORLD, ground([(0, 0), (1, 1)]), ground([(0, 0), (1, 1), (0, 1), (1, 0), (0, 0)]), ground(["xy", "ab"]),
    ground([(9e99, 0), (0, 9e99), (1, 1), (9e99, 0)]), {"type": "Polygon"}, {"type": "Polygon", "coordinates": None},
    {"type": "MultiPolygon", "coordinates": [[[[None, None]]]]}, {"type": "Point", "coordinates": [1, 2]},
    {"type": "Polygon", "coordinates": [[]]}, {"type": "GeometryCollection", "geometries": [WORLD]},
    ground([(10.0, 50.0), (10.0001, 50.0), (10.0, 50.0001), (10.0, 50.0)]), ground([(180, 0), (-179, 0), (-179, 1), (180, 0)]),
    {"crs": 7, "type": "FeatureCollection", "features": [7]}, {"operator_id": 7, "width_m": 0, "at": "now", "job_id": {}},
    {"width_m": -9, "at": 1e18}, {"litres": -5, "price_per_l": "x", "kind": 3, "lat": 1e9, "lon": []},
    {"clock": "fast"}, {"clock": 1e300, "at": 7.9e9}, {"fuel": {"tank": -1}, "nine": [[], {}, None, 5]},
    {"canola": {"base": "hot"}, "wheat": 5}, {"wind": -1, "rain": None}, {str(n): n for n in range(3000)},
)  # fmt: skip
ANYTHING = (
    None,
    True,
    False,
    0,
    -1,
    1e300,
    "",
    "furlong",
    "\x1b",
    [],
    {},
    [None],
    {"a": []},
    LONG,
    1e-300,
    -9e18,
    "1e400",
)
FLAGS = (True, False)
STRANGERS = ("00000000-0000-4000-8000-000000000000", "", "no id", "\x01")


def values_of(column):
    """Return odd values of a column, by its type."""
    if isinstance(column.type, JSON):
        found = OBJECTS
    elif isinstance(column.type, Boolean):
        found = FLAGS
    elif isinstance(column.type, Integer):
        found = WHOLES
    elif isinstance(column.type, Instant):
        found = INSTANTS
    elif isinstance(column.type, Float):
        found = NUMBERS
    elif column.foreign_keys:
        found = STRANGERS
    else:
        found = TEXTS
    return (*found, None) if column.nullable else found


def details():
    """Yield kinds of taps with details that no tap of the kind has."""
    for name, kind in TAP_KINDS.items():
        names = {value.name for value in (*kind.values, *kind.kept)} | {"from", "at", "text", "hand_over", "tap"}
        yield name, None
        for one, value in itertools.product(sorted(names), ANYTHING):
            yield name, {one: value}


class Sound:
    """Sound columns of a new row of each table, naming rows that are there."""

    def __init__(self, store):
        self.rows = {}
        for name, model in (REFERENCES | FACTS).items():
            found = store.all(model)
            self.rows[name] = found[-1] if found else None
        self.at = store.now()

    def columns(self, model):
        row = self.rows[model.__tablename__]
        if row is not None:
            return {name: getattr(row, name) for name in own_columns(model) if name != "packed"}
        return {name: self._made(column) for name, column in own_columns(model).items()}

    def _made(self, column):
        if column.foreign_keys:
            (key,) = column.foreign_keys
            row = self.rows[key.column.table.name]
            return row.id if row is not None else None
        if column.nullable:
            return None
        if isinstance(column.type, JSON):
            return {}
        if isinstance(column.type, Boolean):
            return False
        return (
            self.at if isinstance(column.type, Instant) else 1 if isinstance(column.type, (Integer, Float)) else "some"
        )


def records(sound, seed=1):
    """Yield (table, columns, what is odd) without end: each column of each table first, then several at once."""
    draw = random.Random(seed)
    once = [*_facts(sound), *_changes(sound), *_taps(sound), *_corrections(sound), *traces(sound)]
    draw.shuffle(once)
    yield from once
    while True:
        table, columns, odd = draw.choice(once)
        if table == "trace_chunk":
            continue
        model = FACTS[table]
        changed, into = dict(columns), dict(columns)
        if table == "change":
            model, into = REFERENCES[columns["table"]], dict(columns["columns"])
            changed["columns"] = into
        for name, column in draw.sample(sorted(own_columns(model).items()), 2):
            if not column.foreign_keys and name != "packed":
                into[name] = draw.choice(values_of(column))
        yield table, changed, f"{odd} and more"


def _facts(sound):
    for table, model in FACTS.items():
        if table in ("change", "trace_chunk", "enrolment"):
            continue  # the second needs its bytes, and is mutated elsewhere; the third is a matter of trust
        base = sound.columns(model)
        for name, column in own_columns(model).items():
            for value in values_of(column):
                yield table, base | {name: value}, f"{table}.{name}={str(value)[:30]!r}"


def _changes(sound):
    for table, model in REFERENCES.items():
        base, row = sound.columns(model), sound.rows[table]
        for name, column in own_columns(model).items():
            for value in values_of(column):
                odd = f"{table}.{name}={str(value)[:30]!r}"
                if table != "farm":
                    yield (
                        "change",
                        {"table": table, "row_id": str(uuid.uuid4()), "columns": base | {name: value}},
                        f"new {odd}",
                    )
                if row is not None:
                    yield "change", {"table": table, "row_id": row.id, "columns": {name: value}}, f"edit of {odd}"


def traces(sound):
    """Yield pieces of trace whose fixes lie anywhere, at any time."""
    draw, stint, t = np.random.default_rng(3), sound.rows["stint"], sound.rows["stint"].at
    many = 2000
    walks = {
        "one place": (t + np.arange(50.0), np.full(50, 47.0), np.full(50, -30.0)),
        "all over the world": (t + np.arange(many), draw.uniform(-90, 90, many), draw.uniform(-180, 180, many)),
        "poles": (t + np.arange(50.0), np.where(np.arange(50) % 2, 90.0, -90.0), np.zeros(50)),
        "date line": (t + np.arange(50.0), np.full(50, 47.0), np.where(np.arange(50) % 2, 179.9, -179.9)),
        "nowhere": (t + np.arange(50.0), np.full(50, np.nan), np.full(50, np.nan)),
        "one moment": (np.full(50, t), 47 + np.arange(50) * 1e-5, np.full(50, -30.0)),
        "backwards": (t - np.arange(50.0), 47 + np.arange(50) * 1e-5, np.full(50, -30.0)),
        "all times": (draw.uniform(-7.9e9, 7.9e9, many), 47 + draw.uniform(-1e-2, 1e-2, many), np.full(many, -30.0)),
        "centuries": (np.linspace(-7.9e9, 7.9e9, many), 47 + np.arange(many) * 1e-6, np.full(many, -30.0)),
        "none": ((), (), ()),
    }  # fmt: skip
    for (name, (times, lat, lon)), n in itertools.product(walks.items(), (0, 10**6, 10)):
        sigma = draw.choice([0.0, 1e4, 0.01], len(times)) if n else None
        trace = make_trace(times, lat, lon, sigma)
        yield (
            "trace_chunk",
            {
                "stint_id": stint.id,
                "n": n,
                "first_at": -7.9e9,
                "last_at": 7.9e9,
                "count": len(trace),
                "packed": pack(trace),
            },
            f"trace {name} from {n}",
        )


def _taps(sound):
    from store.models import Tap

    base = sound.columns(Tap)
    for kind, detail in details():
        yield "tap", base | {"kind": kind, "detail": detail, "reason": None}, f"tap {kind} {str(detail)[:40]}"


def _corrections(sound):
    from store.models import Correction

    base = sound.columns(Correction)
    for table, row in sound.rows.items():
        if row is None or table not in FACTS:
            continue
        base = base | {"corrects_table": table, "corrects_id": row.id}
        for name, column in own_columns(FACTS[table]).items():
            for value in values_of(column):
                if value is not LONG:
                    yield (
                        "correction",
                        base | {"detail": {name: value}},
                        f"correction of {table}.{name}={str(value)[:30]!r}",
                    )
    yield "correction", base | {"corrects_table": "correction"}, "a correction of itself"


class Liar:
    """A device that is known, and signs whatever it is given."""

    def __init__(self, store):
        self.store = store
        with store.session() as session:
            own = session.scalars(select(Own)).one()
            self.device, self.key, self.seq = own.device, own.private_key, own.next_seq
            self.stamp = own.stamp

    def write(self, table, columns):
        """Sign one record, and keep its page only."""
        if table == "trace_chunk":  # its bytes go with it
            self.seq = self.store.add(TraceChunk(**columns)).seq + 1
            return
        self.stamp = next_stamp(self.stamp, self.store.now(), self.device)
        given = {}
        for name, column in own_columns(FACTS[table]).items():
            value = columns.get(name)
            if value is not None:
                given[name] = write_time(value) if isinstance(column.type, Instant) else value
        record = {
            "table": table, "id": str(uuid.uuid4()), "device": self.device, "seq": self.seq,
            "stamp": self.stamp, "columns": given,
        }  # fmt: skip
        line = json.dumps(record, ensure_ascii=False, allow_nan=False)
        with self.store.writing() as session:
            session.add(make_page(self.device, self.seq, [line], self.key))
            session.scalars(select(Own)).one().next_seq = self.seq + 1
        self.seq += 1

    def take_back(self):
        """Forget the record written last: it was refused."""
        self.seq -= 1
        with self.store.writing() as session:
            session.delete(session.scalars(select(SignedPage).filter_by(device=self.device, first=self.seq)).one())
            session.scalars(select(Own)).one().next_seq = self.seq
