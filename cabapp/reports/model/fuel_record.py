"""All fuel in the logbook, with or without a stint."""

from dataclasses import asdict, dataclass

from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.stint_rows import jobs_by_stint
from cabapp.reports.model.job_account import hundredths
from store import Store, models


@dataclass
class Fill:
    """Fuel put into a tractor: POSIX s, L, money a litre and in hundredths; `job` "" without a stint."""

    at: float
    tractor: str
    job: str
    litres: float
    price: float | None
    cents: int | None

    def as_json(self) -> dict:
        return asdict(self)


def fills(store: Store) -> list[Fill]:
    """Return all fuel as it counts now, oldest first; entries taken back are left out."""
    corrected = Corrections(store)
    names = {row.id: row.name for gone in (True, False) for row in store.all(models.Tractor, gone=gone)}
    jobs = jobs_by_stint(store, corrected)
    farm = next(iter(store.all(models.Farm)), None)
    found = []
    for row in store.all(models.FuelEntry):
        if row.id in corrected.void:
            continue
        now = corrected.apply(row)
        if now.odd:
            continue
        price = now.price_per_l
        if price is None and farm is not None:
            price = farm.fuel_price_per_l
        found.append(Fill(
            now.at, names.get(now.tractor_id, "?"), jobs.get(now.stint_id, ""), now.litres, price,
            None if price is None else hundredths(now.litres * price),
        ))  # fmt: skip
    return sorted(found, key=lambda fill: fill.at)
