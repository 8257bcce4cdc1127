"""What each tap needs, and what it writes besides itself."""

from __future__ import annotations

from cabapp.jobs.records import stint_state
from cabapp.jobs.records.field_marks import MARKS, STONE_HIT, take_back
from cabapp.jobs.records.stint_state import TapRefused
from cabapp.session.warnings.situation import STOP_RULES
from cabapp.track.tool import WINGS
from store.models import FuelEntry, Mark


def tap_row(what, drive, store, ways, at, lat, lon, detail) -> dict | None:
    """Check a tap and write the row it stands for; return its detail.

    Raises
    ------
    TapRefused
        Something is lacking or cannot be; nothing was written.
    TypeError
        A detail this tap does not take.
    """
    if what == "mark":
        return _mark(drive, store, at, lat, lon, **detail)
    if what == "fuel":
        return _fuel(drive, store, ways, at, **detail)
    if what == "width":
        return _width(**detail)
    if what == "pass_counted":
        return _pass(**detail)
    if what == "look_first":
        return {key: bool(detail.get(key)) for key in STOP_RULES}
    if what == "walk_round":
        return {word: [str(part) for part in detail.get(word, ())] for word in ("fine", "fault")}
    if what == "seeder" and lat is None:
        raise TapRefused("I do not know where we are, so I cannot note where the seeder is.")
    if what in _NUMBERS:
        return _NUMBERS[what](at, **detail)
    if detail:
        raise TypeError(f"{what} takes no {', '.join(detail)}")
    if what == "undo":
        tap = stint_state.undoable(drive.taps, at)
        if tap is None:
            raise TapRefused("Nothing to undo: a tap can be taken back for 10 seconds.")
        return {"tap": tap.id}
    if what in ("were_rolling", "stop_counting"):
        since = drive.judge.question_since
        if since is None:
            raise TapRefused("That question does not stand any more.")
        return {"from": round(since, 6)}
    if what == "i_know" and not drive.judge.i_know():
        raise TapRefused("There is no warning to silence.")
    return None


def apply_tap_effects(what, drive, store, at, act) -> None:
    """Do what follows once a tap is durable."""
    if what in ("were_rolling", "stop_counting", "not_rolling", "still_working"):
        drive.judge.answered()
    if what == "mark":
        drive.read_marks()
    if what == "undo":
        undone = next(tap for tap in drive.taps if tap.id == act["tap"])
        row = (undone.detail or {}).get("row")
        if row is not None:
            table = "mark" if undone.kind == "mark" else "fuel_entry"
            take_back(store, table, row, drive.stint.operator_id, at)
            drive.read_marks()


def progress(drive) -> dict:
    """Return what a stop notes for whoever comes after, each where it is known.

    "share_done" is the share of the field at target and "share_left" that of the passes it lacks,
    for the list of fields; "paces" are hers in this stint, m2 of passes a second.
    """
    areas, noted = drive.areas(), {}
    if areas.get("field"):
        wanted = areas["field"] * drive.job.target
        noted = {
            "share_done": round(areas["done"] / areas["field"], 4),
            "share_left": round(min(1.0, areas["left_pass_area"] / wanted), 4),
        }
    paces = drive.paces()
    return noted | ({"paces": [round(float(one), 2) for one in paces]} if len(paces) else {})


def tally_area(drive) -> float | None:
    """Return passes by tap times width times length, m2; None unless every length was told.

    It is pass area: nobody saw where the passes lay.
    """
    stood = drive.standing
    if not stood.tally or stood.tally_m is None:
        return None
    return stood.tally_m * drive.tool.width


def _mark(drive, store, at, lat, lon, kind="rock", note=None):
    if kind not in (*MARKS, STONE_HIT):
        raise TapRefused(f"There is no mark called {kind}. Choose one of: {', '.join(MARKS)}.")
    # without a position it is still worth a line in the log
    row = store.add(
        Mark(
            field_id=drive.field.id, stint_id=drive.stint.id, kind=kind,
            lat=lat, lon=lon, at=at, note=note,
        )
    )  # fmt: skip
    return {"row": row.id, "kind": kind}


def _fuel(drive, store, ways, at, litres=None, price_per_l=None):
    if litres is None or not 0 < litres < 5000:
        raise TapRefused("Say how much fuel went in, more than nothing and less than 5000 litres.")
    price = ways.fuel_price if price_per_l is None else price_per_l
    row = store.add(
        FuelEntry(
            tractor_id=drive.stint.tractor_id, stint_id=drive.stint.id, at=at,
            litres=litres, price_per_l=price,
        )
    )  # fmt: skip
    return {"row": row.id, "litres": litres}


def _rain(at, hours=None):
    """None: no rain is looked for any more."""
    if hours is None:
        return {"at": None}
    if not 0 < hours <= 72:
        raise TapRefused("Say in how many hours rain is coming, 3 days at most.")
    return {"at": at + hours * 3600.0}


def _soil(_at, celsius=None):
    if celsius is None or not -5 <= celsius <= 45:
        raise TapRefused("Say how warm the soil is at seeding depth, between -5 and 45 degrees C.")
    return {"celsius": float(celsius)}


def _seeded(at, days_ago=None):
    if days_ago is None or not 0 <= days_ago <= 90:
        raise TapRefused("Say how many days ago this field was seeded, 90 at most.")
    return {"at": at - days_ago * 86400.0}


def _weather(_at, wind=None, air=None):
    """wind, m/s, and air, deg C; None: not told."""
    if wind is not None and not 0 <= wind <= 40:
        raise TapRefused("Say how hard the wind blows: less than 40 m/s (90 mph).")
    if air is not None and not -20 <= air <= 50:
        raise TapRefused("Say how warm the air is, between -20 and 50 degrees C.")
    return {"wind": wind, "air": air}


def _seeder_pace(_at, rate=None, seeded=None):
    """rate, m2/s (0: it stands), and what it has seeded of this field, m2; None: not told."""
    if rate is not None and not 0 <= rate <= 200:
        raise TapRefused("Say how much ground the seeder does in an hour: less than 72 ha (178 ac).")
    if seeded is not None and not 0 <= seeded <= 1e8:
        raise TapRefused("Say how much ground of this field is seeded.")
    return {"rate": rate, "seeded": seeded}


_NUMBERS = {
    "rain": _rain, "soil": _soil, "seeded": _seeded, "weather": _weather, "seeder_pace": _seeder_pace,
}  # fmt: skip


def _width(wing=None):
    if wing not in WINGS:
        raise TapRefused(f"Say which wing is up: {', '.join(WINGS)}.")
    return {"wing": wing}


def _pass(passes=1, length_m=None):
    if passes not in (1, 2, 3, 4, 5):
        raise TapRefused("Count 1 to 5 passes at a time. To take one away, press Undo.")
    if length_m is None:
        return {"passes": passes}
    if not 0 < length_m < 20000:
        raise TapRefused("A pass is more than nothing and less than 20 km long.")
    return {"passes": passes, "length_m": float(length_m)}
