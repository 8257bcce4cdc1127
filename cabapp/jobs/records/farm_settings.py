"""The farm's zone, units, prices and own rules."""

from __future__ import annotations

import logging
from datetime import datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from cabapp.common.units import Units
from cabapp.planning.emergence import CROPS, Crop, with_own
from cabapp.planning.go_rules import GoRules, own_rules
from store import Store
from store.models import Farm

log = logging.getLogger(__name__)


def farm_crops(store: Store) -> dict[str, Crop]:
    """Return the rules of crops as this farm has them; those of the program where its own are spoilt."""
    for farm in store.all(Farm)[:1]:
        try:
            return with_own(farm.closing_rules)
        except ValueError:
            log.exception("the farm's rules of crops cannot be read")
    return CROPS


def farm_goes(store: Store) -> GoRules:
    """Return what stops the work on this farm; the program's own where the farm's is spoilt."""
    for farm in store.all(Farm)[:1]:
        try:
            return own_rules(farm.go_rules)
        except ValueError:
            log.exception("the farm's rules of going cannot be read")
    return GoRules()


class FarmSettings:
    """The farm's zone, units and own rules; UTC and US units until a farm is written down."""

    def __init__(self, store: Store):
        farm = next(iter(store.all(Farm)), None)
        self.fuel_price = farm.fuel_price_per_l if farm else None
        self.units = Units(farm.units if farm else "us")
        self.crops, self.goes = farm_crops(store), farm_goes(store)
        try:
            self.zone = ZoneInfo(farm.timezone if farm else "UTC")
        except (ZoneInfoNotFoundError, ValueError):
            self.zone = ZoneInfo("UTC")

    def local(self, t: float) -> datetime:
        """Return the farm's local time of an instant, POSIX s."""
        return datetime.fromtimestamp(t, self.zone)

    def say_time(self, t: float) -> str:
        """Return the time of day, "10:31"."""
        return self.local(t).strftime("%H:%M")

    def say_day(self, t: float) -> str:
        """Return the day, "Thursday 14 May"."""
        day = self.local(t)
        return f"{day:%A} {day.day} {day:%B}"
