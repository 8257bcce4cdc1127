"""The farm's zone, units, prices and own rules."""

import logging

from cabapp.common.farm_format import words_of
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
        except ValueError as fault:
            log.warning("the farm's rules of crops cannot be read: %s", fault)
    return CROPS


def farm_goes(store: Store) -> GoRules:
    """Return what stops the work on this farm; the program's own where the farm's is spoilt."""
    for farm in store.all(Farm)[:1]:
        try:
            return own_rules(farm.go_rules)
        except ValueError as fault:
            log.warning("the farm's rules of going cannot be read: %s", fault)
    return GoRules()


class FarmSettings:
    """The farm's way of writing quantities, its fuel price and own rules; UTC and US units until a farm is written down."""

    def __init__(self, store: Store):
        farm = next(iter(store.all(Farm)), None)
        self.fuel_price = farm.fuel_price_per_l if farm else None
        self.format = words_of(farm)
        self.units, self.zone, self.local = self.format.units, self.format.zone, self.format.local
        self.crops, self.goes = farm_crops(store), farm_goes(store)
