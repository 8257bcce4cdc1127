"""A job's account: areas, hours, fuel and money as plain figures, a line for each stint.

Day book, ledger, tables and exports are made from accounts alone, without counting again.
"""

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field

from cabapp.common.units import Units
from cabapp.jobs.records.stint_reader import StintRecord
from cabapp.jobs.records.time_split import KINDS, days
from cabapp.planning.capacity import field_capacity, field_efficiency, mean_speed
from cabapp.planning.cost import fuel_per_pass_area
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.model.parcel_split import ParcelShare, money_of, split_by_parcel
from store import Store, models


@dataclass
class StintAccount:
    """One stint: m2, m, POSIX s or s, L, money in hundredths; None where a price or rate is unknown.

    `seconds` are by kind and add up to the stint; `days` are the same by the farm's days. `covered`
    is net, `pass_area` summed over passes. `working_m` is the way at work without turns.
    """

    stint: str
    operator: str
    tractor: str
    tool: str
    width: float
    began: float
    ended: float
    open: bool
    seconds: dict[str, float]
    days: list[dict]
    covered: float
    pass_area: float
    working_m: float
    litres: float
    fuel_cents: int | None
    wage_cents: int | None
    tractor_cents: int | None
    corrections: int = 0

    @property
    def cents(self) -> int:
        """What is known of its cost; see `lacking` for the rest."""
        return sum(c for c in (self.fuel_cents, self.wage_cents, self.tractor_cents) if c)

    @property
    def lacking(self) -> list[str]:
        """What of its cost is not known."""
        parts = {"fuel price": self.fuel_cents, f"rate of {self.operator}": self.wage_cents,
                 f"rate of {self.tractor}": self.tractor_cents}  # fmt: skip
        return [name for name, cents in parts.items() if cents is None]


@dataclass
class Account:
    """One job; areas m2, None where no boundary is known. `stem` begins its files' names.

    `seen`: whether any position of the work was known; without one its areas are not (`known`).
    `parts`, `overlap` and `unread` are those of `parcel_split.Split`.
    """

    job: str
    stem: str
    field: str
    crop: str | None
    operation: str
    season: int
    target: int
    began: float
    ended: float
    field_area: float | None
    none: float | None
    covered: float
    pass_area: float
    reached: float
    by_count: dict[str, float]
    avoidable: float
    unavoidable: float
    avoidable_passes: float
    agreed: float | None
    stints: list[StintAccount]
    sheets: list[str] = field(default_factory=list)
    parts: list[ParcelShare] = field(default_factory=list)
    overlap: float = 0.0
    unread: list[str] = field(default_factory=list)
    unknown: float | None = None
    seen: bool = True

    def known(self, area: float | None) -> float | None:
        """Return an area of the work, m2; None where no position of it was known."""
        return area if self.seen else None

    @property
    def ground(self) -> float:
        """The field's area where it is known, else the ground covered, m2."""
        return self.covered if self.field_area is None else self.field_area

    def parcel_money(self) -> list[tuple[ParcelShare, int | None, int | None]]:
        """Return each parcel's share with its cost and what the landlord bears, hundredths."""
        money = money_of(self.parts, known_cost(self.stints), self.pass_area)
        return [(part, *cents) for part, cents in zip(self.parts, money, strict=True)]

    def as_json(self) -> dict:
        return asdict(self)

    @classmethod
    def from_json(cls, data: dict) -> "Account":
        """Read back `as_json`."""
        stints, parts = (
            [of(**one) for one in data[key]] for key, of in (("stints", StintAccount), ("parts", ParcelShare))
        )
        return cls(**{**data, "stints": stints, "parts": parts})


def account_of(store: Store, record: JobRecord, stem: str) -> Account:
    """Return the account of a job; `stem` begins its files' names."""
    price = record.farm.fuel_price_per_l if record.farm else None
    totals, shared = record.totals, split_by_parcel(record.parcels, record.count)
    return Account(
        job=record.job.id, stem=stem, field=record.field.name, crop=record.field.crop, operation=record.job.operation,
        season=record.job.season, target=record.job.target, began=record.began, ended=record.ended,
        field_area=totals.field_area, none=totals.none, unknown=totals.unknown, covered=totals.covered,
        pass_area=totals.pass_area, reached=record.reached, by_count={str(n): a for n, a in sorted(totals.by_count.items())},
        avoidable=totals.avoidable, unavoidable=totals.unavoidable, avoidable_passes=totals.avoidable_passes,
        agreed=record.job.agreed_area_m2, stints=[_stint_account(store, s, record, price) for s in record.stints], sheets=[],
        parts=shared.parts, overlap=shared.overlap, unread=list(shared.unread), seen=record.seen,
    )  # fmt: skip


def _stint_account(store: Store, s: StintRecord, record: JobRecord, price: float | None) -> StintAccount:
    operator = store.get(models.Operator, s.row.operator_id)
    tractor = store.get(models.Tractor, s.row.tractor_id)
    seconds = s.hours.seconds()
    about = {s.row.id} | {tap.id for tap in s.taps} | {entry.id for entry in s.fuelled}
    paid = [(f.litres, price if f.price_per_l is None else f.price_per_l) for f in s.fuel]
    return StintAccount(
        s.row.id, s.operator, s.tractor, s.tool, s.row.width_m, s.row.at, s.ended,
        not s.ended_by, seconds,
        [
            {"day": day, "began": a, "ended": b, "seconds": s.hours.seconds(a, b)}
            for day, a, b in days(s.row.at, s.ended, record.format.zone)
        ],
        s.covered, s.pass_area, s.working_m,
        math.fsum(litres for litres, _ in paid),
        None if any(each is None for _, each in paid)
        else hundredths(math.fsum(litres * each for litres, each in paid)),
        by_the_hour(math.fsum(seconds.values()), operator.rate_per_h if operator else None),
        by_the_hour(running(seconds), tractor.cost_per_h if tractor else None),
        sum(row.corrects_id in about for row in record.corrections),
    )  # fmt: skip


def hundredths(money: float) -> int:
    """Money in hundredths, half up, as a bookkeeper rounds.

    What 1.005 is meant to be lies just below it as a float; a millionth of a hundredth is added.

    >>> hundredths(1.005), hundredths(2.674999), hundredths(0.0)
    (101, 267, 0)
    """
    return math.floor(money * 100 + 0.5 + 1e-6)


def by_the_hour(seconds: float, rate: float | None) -> int | None:
    """Money in hundredths for a time at a rate an hour; None when the rate is not known.

    >>> by_the_hour(9 * 3600, 24.5), by_the_hour(3600, None)
    (22050, None)
    """
    return None if rate is None else hundredths(seconds / 3600 * rate)


def running(seconds: dict[str, float]) -> float:
    """Seconds the engine is taken to have run: all but broken down."""
    return math.fsum(spent for kind, spent in seconds.items() if kind != "broken")


def in_field(seconds: dict[str, float]) -> float:
    """Seconds that count for field efficiency: travelling, breakdowns and time without a position are left out.

    Source: Iowa State University AgDM A3-24 (turns, filling and waiting count; road travel and
    major repair do not). What was worked without a position is in no area, so its time is left out too.
    """
    return math.fsum(seconds[kind] for kind in ("working", "turning", "waiting"))


@dataclass(frozen=True)
class Rates:
    """Rates of work, None where unknown: m/s, m2/s, L/m2, hundredths a m2.

    `speed` is that at work without turns, `theoretical` width times speed, `effective` useful
    pass area over the time in the field, `efficiency` their ratio; `fuel` and `cents` are by pass area.
    """

    speed: float | None
    theoretical: float | None
    effective: float | None
    efficiency: float | None
    fuel: float | None
    cents: float | None


def rates(stints: Iterable[StintAccount], useful: float | None = None) -> Rates:
    """Return the rates of some stints; `useful` is their pass area up to the target, m2, by default all."""
    stints = list(stints)
    seconds = {kind: math.fsum(stint.seconds[kind] for stint in stints) for kind in KINDS}
    length = math.fsum(stint.working_m for stint in stints)
    speed = mean_speed(length, seconds["working"])
    there = in_field(seconds)
    pass_area = math.fsum(stint.pass_area for stint in stints)
    useful = pass_area if useful is None else useful
    litres = math.fsum(stint.litres for stint in stints)
    if not speed or not there:
        return Rates(speed, None, None, None, None, None)
    # Tools of several widths count by the way each went.
    width = math.fsum(stint.width * stint.working_m for stint in stints) / length
    return Rates(
        speed,
        field_capacity(speed, width),
        useful / there,
        field_efficiency(useful, speed, width, there),
        fuel_per_pass_area(litres, pass_area) if litres else None,
        sum(stint.cents for stint in stints) / pass_area if pass_area else None,
    )


def useful(one: Account) -> float:
    """A job's pass area without what was beyond its target, m2."""
    return math.fsum(min(int(n), one.target) * area for n, area in one.by_count.items())


def avoidable_cents(one: Account) -> int:
    """What the passes that could have been spared cost, in proportion to all passes."""
    if not one.pass_area:
        return 0
    money = sum(stint.cents for stint in one.stints) / 100
    return hundredths(one.avoidable_passes * (money / one.pass_area))


def known_cost(stints: list[StintAccount]) -> int | None:
    """Return the cost of stints in hundredths; None when no part of it is known."""
    return None if all(len(stint.lacking) == 3 for stint in stints) else sum(stint.cents for stint in stints)


def per_area(cents: int | None, area: float | None, units: Units) -> float | None:
    """Return hundredths for each of the farm's units of area, not rounded; None if not known."""
    return cents / units.area_value(area) if cents is not None and area else None


def sum_known(values: Iterable[int | None]) -> int | None:
    """Return the sum of what is known of some values; None when nothing is."""
    known = [value for value in values if value is not None]
    return sum(known) if known else None
