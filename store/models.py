"""The tables of a logbook; knows nothing of files, clocks or exchange.

Every row has a UUID, the device it was written on, that device's sequence number and a
hybrid logical clock stamp. There are three kinds of table:

- ``Fact``: append-only. What happened stays; a `Correction` lies on top and names it.
- ``Reference``: edited in place, but only as the sum of its `Change` facts: for each
  column the newest stamp wins, and the others stay readable as `Change`. Its device,
  seq and stamp are those of its oldest `Change`. A removed row is `gone`, never deleted.
- `SignedPage`: facts as the text their own device signed; passed on as it is.
- local tables (`Own`, `Peer`, `TraceTail`): state of this copy, never exchanged.

Instants are float POSIX seconds UTC, kept to the microsecond. Lengths m, latitude and
longitude degrees WGS 84 (north and east positive), volumes l. None means not known.
"""

import uuid
from typing import Any, ClassVar, Literal, TypeVar, cast, get_args

from sqlalchemy import JSON, Float, ForeignKey, Index, MetaData, Table, TypeDecorator
from sqlalchemy.orm import DeclarativeBase, Mapped, declared_attr, mapped_column

JOB_NAMESPACE = uuid.UUID("5b0f0c0e-6d0b-5d0c-9a53-1f6b6f0e8a11")


class Instant(TypeDecorator[float]):
    """A POSIX time in seconds UTC, rounded to the microsecond so that text and float agree."""

    impl = Float
    cache_ok = True

    def process_bind_param(self, value: float | None, dialect: object) -> float | None:
        return None if value is None else round(float(value), 6)


class Base(DeclarativeBase):
    """One metadata; constraints are named by rule so that migrations can find them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_name)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    __table__: ClassVar[Table]
    type_annotation_map: ClassVar = {dict[str, Any]: JSON(none_as_null=True), float: Float()}

    def __repr__(self) -> str:
        shown = ("id", "name", "kind", "at")
        parts = [f"{n}={getattr(self, n)!r}" for n in shown if hasattr(self, n)]
        return f"{type(self).__name__}({', '.join(parts)})"


class Record(Base):
    """Columns of every exchanged row: the device that wrote it, its number there, and its stamp.

    Notes: The id alone names a row. Two machines may have written as one device (a cloned card): a number then names two.
    """

    __abstract__ = True

    odd = cast("tuple[str, ...]", ())  # of a row read: columns whose value cannot be (store.values.sound_rows)
    id: Mapped[str] = mapped_column(primary_key=True, sort_order=-4)
    device: Mapped[str] = mapped_column(sort_order=-3)
    seq: Mapped[int] = mapped_column(sort_order=-2)
    stamp: Mapped[str] = mapped_column(index=True, sort_order=-1)

    @declared_attr.directive
    def __table_args__(cls) -> tuple[Index]:
        return (Index(None, "device", "seq"),)


class Reference(Record):
    """A row that may be edited or removed; written only through `Store.put` and `remove`."""

    __abstract__ = True

    gone: Mapped[bool] = mapped_column(default=False, sort_order=1)


class Fact(Record):
    """A row that is never altered; written only through `Store.add`."""

    __abstract__ = True


def _to(target: str, index: bool = False) -> Any:
    return mapped_column(ForeignKey(target), index=index)


# ---------------------------------------------------------------- reference rows


class Farm(Reference):
    """The one farm this logbook is about.

    `currency` is the sign or word its money is written with; `closing_rules` and `go_rules` are
    its own rules on crops and weather, by name, in place of the program's.
    """

    __tablename__ = "farm"
    name: Mapped[str]
    timezone: Mapped[str]
    units: Mapped[str] = mapped_column(default="us")
    fuel_price_per_l: Mapped[float | None]
    currency: Mapped[str | None]
    closing_rules: Mapped[dict[str, Any] | None]
    go_rules: Mapped[dict[str, Any] | None]


class Operator(Reference):
    """A person who drives."""

    __tablename__ = "operator"
    name: Mapped[str]
    phone: Mapped[str | None]
    rate_per_h: Mapped[float | None]


class Tractor(Reference):
    """What pulls."""

    __tablename__ = "tractor"
    name: Mapped[str]
    tank_l: Mapped[float | None]
    cost_per_h: Mapped[float | None]


class Tool(Reference):
    """What is pulled or mounted.

    `sections` are the widths from the left, m, of what can be lifted or shut by itself: "6.1,3,2.4".
    """

    __tablename__ = "tool"
    name: Mapped[str]
    operation: Mapped[str]
    width_m: Mapped[float]
    towed: Mapped[bool] = mapped_column(default=True)
    grease_every_h: Mapped[float | None]
    sections: Mapped[str | None]


class Hitching(Reference):
    """One tractor with one tool: how far the working line lies behind and beside the antenna."""

    __tablename__ = "hitching"
    tractor_id: Mapped[str] = _to("tractor.id")
    tool_id: Mapped[str] = _to("tool.id")
    antenna_to_hitch_m: Mapped[float] = mapped_column(default=0.0)
    hitch_to_line_m: Mapped[float] = mapped_column(default=0.0)
    side_m: Mapped[float] = mapped_column(default=0.0)
    width_m: Mapped[float]


class Field(Reference):
    """Ground with a boundary: GeoJSON geometry, WGS 84; `once_only` likewise."""

    __tablename__ = "field"
    name: Mapped[str]
    boundary: Mapped[dict[str, Any] | None]
    crop: Mapped[str | None]
    target: Mapped[int] = mapped_column(default=2)
    once_only: Mapped[dict[str, Any] | None]
    gate_lat: Mapped[float | None]
    gate_lon: Mapped[float | None]


class Parcel(Reference):
    """Ground of one landlord in a field: GeoJSON geometry, WGS 84.

    `share` is the part of the cost the lease lays on the landlord, 0 to 1; None: nothing is
    agreed, so no money is split. `rule` is the lease's own words for it.
    """

    __tablename__ = "parcel"
    field_id: Mapped[str] = _to("field.id", index=True)
    name: Mapped[str]
    landlord: Mapped[str]
    boundary: Mapped[dict[str, Any]]
    share: Mapped[float | None]
    rule: Mapped[str | None]


class Job(Reference):
    """One operation on one field in one season, whoever does it; its id is `job_id`.

    `agreed_area_m2` is the area agreed on beforehand for custom work.
    """

    __tablename__ = "job"
    field_id: Mapped[str] = _to("field.id", index=True)
    operation: Mapped[str]
    season: Mapped[int]
    target: Mapped[int] = mapped_column(default=2)
    agreed_area_m2: Mapped[float | None]


# ------------------------------------------------------------------------- facts


class Stint(Fact):
    """One operator's part of a job, with the hitching, and the tool's sections, as they were then."""

    __tablename__ = "stint"
    job_id: Mapped[str] = _to("job.id", index=True)
    operator_id: Mapped[str] = _to("operator.id")
    tractor_id: Mapped[str] = _to("tractor.id")
    tool_id: Mapped[str] = _to("tool.id")
    width_m: Mapped[float]
    hitch_to_line_m: Mapped[float] = mapped_column(default=0.0)
    antenna_to_hitch_m: Mapped[float] = mapped_column(default=0.0)
    side_m: Mapped[float] = mapped_column(default=0.0)
    receiver: Mapped[str | None]
    sections: Mapped[str | None]
    at: Mapped[float] = mapped_column(Instant)


class Tap(Fact):
    """One dated, durable act of the operator."""

    __tablename__ = "tap"
    stint_id: Mapped[str] = _to("stint.id", index=True)
    kind: Mapped[str]
    at: Mapped[float] = mapped_column(Instant)
    reason: Mapped[str | None]
    lat: Mapped[float | None]
    lon: Mapped[float | None]
    detail: Mapped[dict[str, Any] | None]


class TraceChunk(Fact):
    """Some minutes of trace, packed (store.traces.trace_codec); `n` is the index of its first fix."""

    __tablename__ = "trace_chunk"
    stint_id: Mapped[str] = _to("stint.id", index=True)
    n: Mapped[int]
    first_at: Mapped[float] = mapped_column(Instant)
    last_at: Mapped[float] = mapped_column(Instant)
    count: Mapped[int]
    packed: Mapped[bytes]


class Mark(Fact):
    """Something on the ground worth knowing: rock, pole, well, slough, gate ..."""

    __tablename__ = "mark"
    field_id: Mapped[str | None] = _to("field.id", index=True)
    stint_id: Mapped[str | None] = _to("stint.id")
    kind: Mapped[str]
    lat: Mapped[float | None]
    lon: Mapped[float | None]
    at: Mapped[float] = mapped_column(Instant)
    note: Mapped[str | None]


class FuelEntry(Fact):
    """Fuel put into a tractor."""

    __tablename__ = "fuel_entry"
    tractor_id: Mapped[str] = _to("tractor.id")
    stint_id: Mapped[str | None] = _to("stint.id")
    at: Mapped[float] = mapped_column(Instant)
    litres: Mapped[float]
    price_per_l: Mapped[float | None]


class HandOver(Fact):
    """What the outgoing operator prepared; `state` is "fine", "watch" or "stopped"."""

    __tablename__ = "hand_over"
    job_id: Mapped[str] = _to("job.id", index=True)
    stint_id: Mapped[str] = _to("stint.id")
    at: Mapped[float] = mapped_column(Instant)
    state: Mapped[str]
    left_for: Mapped[bool] = mapped_column(default=False)
    sheet: Mapped[dict[str, Any]]
    next_lat: Mapped[float | None]
    next_lon: Mapped[float | None]


class HandOverReceipt(Fact):
    """Where the incoming operator pointed for the next pass, and whether that was right."""

    __tablename__ = "hand_over_receipt"
    hand_over_id: Mapped[str] = _to("hand_over.id", index=True)
    operator_id: Mapped[str] = _to("operator.id")
    at: Mapped[float] = mapped_column(Instant)
    pointed_lat: Mapped[float | None]
    pointed_lon: Mapped[float | None]
    metres_off: Mapped[float | None]
    agreed: Mapped[bool]


class Correction(Fact):
    """Lies on top of the row it names; the row itself stays as it was."""

    __tablename__ = "correction"
    corrects_table: Mapped[str]
    corrects_id: Mapped[str] = mapped_column(index=True)
    operator_id: Mapped[str | None] = _to("operator.id")
    at: Mapped[float] = mapped_column(Instant)
    reason: Mapped[str]
    detail: Mapped[dict[str, Any] | None]


class Change(Fact):
    """The birth of a reference row (all its columns) or an edit (the columns that differ)."""

    __tablename__ = "change"
    table: Mapped[str]
    row_id: Mapped[str] = mapped_column(index=True)
    columns: Mapped[dict[str, Any]]


EnrolmentState = Literal["office", "tablet", "known", "revoked", "successor"]
ENROLMENT_STATES: tuple[str, ...] = get_args(EnrolmentState)
PAIRED_HERE = "paired here"
"""The reason of an entry that a person made at a machine that is not the office; it counts at that machine only."""


class Enrolment(Fact):
    """The office's entry for a device; the newest one written by the office counts.

    `state` is "office" (its entry for itself), "tablet", "known" (its records count, its bundles do not) or "revoked"; the
    key is in hex. An entry with the reason `PAIRED_HERE` is no office's. A device that goes on in place of another states that itself: "successor", `reason` holding the other's id
    and its signature (store.facts.device_identity).
    """

    __tablename__ = "enrolment"
    subject: Mapped[str] = mapped_column(index=True)
    name: Mapped[str]
    public_key: Mapped[str]
    state: Mapped[str]
    at: Mapped[float] = mapped_column(Instant)
    reason: Mapped[str | None]


class Retirement(Fact):
    """Says that two machines wrote as one device, the subject, and that one of them goes on as another, or all do.

    `first`, `last`: the numbers its writer gave as that device before it left it; `last` None: nobody may go on as it.
    """

    __tablename__ = "retirement"
    subject: Mapped[str] = mapped_column(index=True)
    first: Mapped[int]
    last: Mapped[int | None]
    at: Mapped[float] = mapped_column(Instant)


class ClockEra(Fact):
    """How its device's clock stood from this record on.

    `proven`: what proved the time, "satellites" or "person"; None: nothing did.
    `shift_s`: time less the machine's steady seconds, s; `boot`: the start of the machine these count from.
    """

    __tablename__ = "clock_era"
    at: Mapped[float] = mapped_column(Instant)
    proven: Mapped[str | None]
    shift_s: Mapped[float]
    boot: Mapped[str | None]


class SignedPage(Base):
    """Facts `first`..`last` of a device, as the lines it signed, compressed by zlib (store.facts.signed_pages)."""

    __tablename__ = "page"
    device: Mapped[str] = mapped_column(primary_key=True)
    first: Mapped[int] = mapped_column(primary_key=True)
    last: Mapped[int] = mapped_column(primary_key=True)
    sha256: Mapped[str] = mapped_column(primary_key=True)
    signature: Mapped[str]
    compressed: Mapped[bytes] = mapped_column("squeezed")  # the column's name in files


# ------------------------------------------------------------- state of this copy


class Own(Base):
    """Who this copy is, the next number it will give, and the last stamp it gave or saw.

    `office` is the device whose enrolments count here; None until one is known.
    """

    __tablename__ = "own"
    device: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str]
    private_key: Mapped[bytes]
    next_seq: Mapped[int] = mapped_column(default=1)
    stamp: Mapped[str] = mapped_column(default="")
    office: Mapped[str | None]


class Peer(Base):
    """Another device as met in bundles; its first key is kept."""

    __tablename__ = "peer"
    device: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str]
    public_key: Mapped[bytes | None]


class TraceTail(Base):
    """Fixes synced but not yet sealed into a `TraceChunk`, one short piece a second."""

    __tablename__ = "trace_tail"
    stint_id: Mapped[str] = mapped_column(ForeignKey("stint.id"), primary_key=True)
    n: Mapped[int] = mapped_column(primary_key=True)
    packed: Mapped[bytes]


AnyRecord = TypeVar("AnyRecord", bound=Record)
AnyReference = TypeVar("AnyReference", bound=Reference)


def _leaves(kind: type[AnyRecord]) -> dict[str, type[AnyRecord]]:
    """Return the tables of a kind by name, each after those it refers to."""
    by_name = {m.class_.__tablename__: m.class_ for m in Base.registry.mappers}
    order = [by_name[t.name] for t in Base.metadata.sorted_tables]
    return {m.__tablename__: m for m in order if issubclass(m, kind)}


REFERENCES: dict[str, type[Reference]] = _leaves(Reference)
FACTS: dict[str, type[Fact]] = _leaves(Fact)


def job_id(field_id: str, operation: str, season: int) -> str:
    """Return the id of a job: the same on every tablet that starts the same job.

    >>> job_id("f", "rolling", 2026) == job_id("f", "rolling", 2026)
    True
    >>> job_id("f", "rolling", 2026) == job_id("f", "rolling", 2027)
    False
    """
    return str(uuid.uuid5(JOB_NAMESPACE, f"{field_id}\n{operation}\n{season}"))
