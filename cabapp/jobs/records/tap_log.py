"""Taps of a stint or a season: corrected by the office, in order, with or without those undone."""

from collections.abc import Iterable
from typing import Any

from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.tap_kinds import TAP_KINDS
from store import Store
from store.models import Tap

_ORDERED = {kind.name for kind in TAP_KINDS.values() if kind.switches}


def written_taps(store: Store, stint_id: str) -> list[Tap]:
    """Return a stint's taps as they were written, in the order they were made."""
    return sorted(store.all(Tap, stint_id=stint_id), key=lambda tap: tap.seq)


def corrected_taps(taps: list[Tap], corrections: Corrections) -> list[Tap]:
    """Return a stint's taps with corrected times and reasons; as written where that upsets their order."""
    right = [corrections.apply(tap) for tap in taps]
    times = [tap.at for tap in right if tap.kind in _ORDERED]
    return right if times == sorted(times) else taps


def taps_of(store: Store, stint_id: str, corrections: Corrections | None = None) -> list[Tap]:
    """Return a stint's taps as they now count, undone ones too, in the order they were made."""
    return corrected_taps(written_taps(store, stint_id), corrections or Corrections(store))


def effective_taps(taps: Iterable[Tap]) -> list[Tap]:
    """Return the taps that count: those not undone, without the undo taps.

    `taps`: each has ``id``, ``kind`` and ``detail`` (dict or None).
    """
    taps = list(taps)
    undone = {(tap.detail or {}).get("tap") for tap in taps if tap.kind == "undo"}
    return [tap for tap in taps if tap.kind != "undo" and tap.id not in undone]


def taps_of_kind(store: Store, *kinds: str) -> list[Tap]:
    """Return all taps of some kinds that count, corrected, oldest first."""
    taps = [tap for kind in kinds for tap in store.all(Tap, kind=kind)]
    if not taps:
        return []
    corrections = Corrections(store)
    kept = effective_taps([*taps, *store.all(Tap, kind="undo")])
    return sorted((corrections.apply(tap) for tap in kept), key=lambda tap: tap.at)


def newest_detail(taps: Iterable[Tap], key: str) -> Any:
    """Return what the last of the taps that has ``key`` in its detail says; None where none has."""
    said = [(tap.detail or {}).get(key) for tap in taps]
    return next((one for one in reversed(said) if one is not None), None)
