"""Taps of a stint or a season: corrected by the office, in order, with or without those undone."""

from collections.abc import Iterable
from typing import Any

from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import SWITCHING, in_order, moved, rising_taps
from cabapp.jobs.records.tap_kinds import is_odd
from store import Store
from store.models import Stint, Tap
from store.values.sound_rows import copied


def written_taps(store: Store, stint_id: str) -> list[Tap]:
    """Return a stint's taps as they were written, but for odd ones, in the order they were made."""
    return in_order(tap for tap in store.all(Tap, stint_id=stint_id) if not is_odd(tap))


def dated_stint(stint: Stint, taps: list[Tap], corrections: Corrections) -> tuple[Stint, list[Tap]]:
    """Return a stint and its taps as they now count: corrected, and dated so that their times never fall.

    `stint`, `taps`: as written, the taps in the order they were made.

    Notes: What a person corrected is passed over where it upsets an order that is there without.
    """
    row = corrections.apply(stint)
    told = {tap.id for tap in taps if "at" in corrections.said(tap.id)}
    right = [_corrected(tap, corrections.said(tap.id)) for tap in taps]
    clocked = [_corrected(tap, corrections.clocked(tap.id)) for tap in taps]
    if not _in_time(right) and _in_time(clocked):
        right, told = clocked, {tap.id for tap in taps if "at" in corrections.clocked(tap.id)}
    at, dated = rising_taps(row.at, "at" in corrections.said(stint.id), right, told)
    return (row if at == row.at else copied(row, at=at)), dated


def _corrected(tap: Tap, said: dict[str, Any]) -> Tap:
    others = {name: value for name, value in said.items() if name != "at"}
    return moved(copied(tap, **others) if others else tap, said.get("at", tap.at))


def _in_time(taps: list[Tap]) -> bool:
    times = [tap.at for tap in taps if tap.kind in SWITCHING]
    return times == sorted(times)


def taps_of(store: Store, stint_id: str, corrections: Corrections | None = None) -> list[Tap]:
    """Return a stint's taps as they now count, undone ones too, in the order they were made."""
    stint = store.get(Stint, stint_id)
    return [] if stint is None else read_dated(store, stint, corrections or Corrections(store))[1]


def read_dated(store: Store, stint: Stint, corrections: Corrections) -> tuple[Stint, list[Tap]]:
    """Return a stint of the store, as written, and its taps as they now count."""
    return dated_stint(stint, written_taps(store, stint.id), corrections)


def effective_taps(taps: Iterable[Tap]) -> list[Tap]:
    """Return the taps that count: those not undone, without the undo taps.

    `taps`: each has ``id``, ``kind`` and ``detail`` (dict or None).
    """
    taps = list(taps)
    undone = {(tap.detail or {}).get("tap") for tap in taps if tap.kind == "undo"}
    return [tap for tap in taps if tap.kind != "undo" and tap.id not in undone]


def taps_of_kind(store: Store, *kinds: str) -> list[Tap]:
    """Return all taps of some kinds that count, corrected, in the order they were made."""
    taps = [tap for kind in kinds for tap in store.all(Tap, kind=kind) if not is_odd(tap)]
    if not taps:
        return []
    corrections = Corrections(store)
    kept = effective_taps([*taps, *store.all(Tap, kind="undo")])
    return [corrections.apply(tap) for tap in in_order(kept)]


def newest_detail(taps: Iterable[Tap], key: str) -> Any:
    """Return what the last of the taps that has ``key`` in its detail says; None where none has."""
    said = [(tap.detail or {}).get(key) for tap in taps]
    return next((one for one in reversed(said) if one is not None), None)
