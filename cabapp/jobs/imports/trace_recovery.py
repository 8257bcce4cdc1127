"""Lost parts of a trace restored from the raw log of the receiver.

Notes
-----
Only fixes within a stint and within a part its trace lacks are restored. The fixes of the log beside that
part must equal those kept, so that neither another tablet's stint nor a replay is filled.
"""

import contextlib
import gzip
import logging
import math
import re
import time
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from cabapp.common.message import Message, message, plural
from cabapp.jobs.records.corrections import Corrections
from cabapp.jobs.records.dating.event_order import order_of
from cabapp.jobs.records.stint_state import UNDO_S
from cabapp.jobs.records.tap_log import effective_taps, taps_of
from cabapp.position.calibration.antenna_offset import AntennaTransfer
from cabapp.position.fix import Fix
from cabapp.position.receivers.receiver_settings import ReceiverSettings
from cabapp.position.recordings.raw_log import SUFFIX
from cabapp.position.recordings.raw_log_reader import STAMP, RawLogDecoder
from store import Store
from store.durability.missing_traces import Missing, missing, put_back
from store.errors import Refused
from store.models import Stint
from store.traces.trace_codec import Trace, make_trace

log = logging.getLogger(__name__)

BESIDE_S = 60.0
"""The log is decoded this long before and after what is missing, to recognize it, s."""
LATE_S = 2.0
"""Less than this at the end of a trace is nothing lost: fixes that came after the last tap, s."""
NAMED = re.compile(r"(\d{4}-\d\d-\d\d)-(.+)-\d{3}" + re.escape(SUFFIX))


def refill(store: Store, folder: Path) -> Message | None:
    """Fill what is missing of traces from the raw logs in a folder; say what was and was not.

    Parameters
    ----------
    store : Store
    folder : Path
        Where the raw logs lie.

    Returns
    -------
    Message or None
        None if nothing was missing.

    Notes
    -----
    The raw log is searched by the tablet's clock: with one that was wrong by more than a minute
    nothing is found. The end of a trace is filled only in a logbook that was just mended, for
    elsewhere nothing says that anything was lost there.
    """
    if store.trouble or store.reads_only:
        return None
    back = lost = 0
    try:
        for one in missing(store):
            if one.count is None and not store.mended:
                continue
            tries = (put_back(store, one, trace) for trace in _found(store, folder, one))
            put = next(filter(None, tries), 0)
            back += put
            lost += max(0, (one.count or put) - put)
    except Refused:
        log.exception("the trace could not be filled")
    return _words(back, lost)


def after_mending(store: Store, folder: Path) -> None:
    """Fill the traces of a logbook that was just mended, and let its `mended` say so."""
    if store.mended and (said := refill(store, folder)):
        store.mended = message("{mended} {traces}", mended=store.mended, traces=said)


def _words(back: int, lost: int) -> Message | None:
    came = plural(
        "{number} position that was lost came back from what the receiver had said.",
        "{number} positions that were lost came back from what the receiver had said.",
        back, number=f"{back:,}",
    )  # fmt: skip
    gone = plural(
        "{number} position is lost: what the receiver said then is not kept here. "
        "Another copy may have it; exchange records with it.",
        "{number} positions are lost: what the receiver said then is not kept here. "
        "Another copy may have them; exchange records with it.",
        lost, number=f"{lost:,}",
    )  # fmt: skip
    if back and lost:
        return message("{back} {lost}", back=came, lost=gone)
    return came if back else gone if lost else None


def _found(store: Store, folder: Path, one: Missing) -> Iterator[Trace]:
    """Give what may belong where something is missing, the likeliest first."""
    stint = store.get(Stint, one.stint_id)
    until = _end(store, stint) if one.count is None else one.until
    logs = _logs(folder, one.since, until) if until - one.since >= LATE_S or one.count else {}
    if not logs:
        return
    trace = store.read_trace(one.stint_id)
    there = set(np.round(trace.t * 100).astype(np.int64).tolist())
    known = {_key(*row) for row in zip(trace.t, trace.lat, trace.lon, strict=True)}
    offered = []
    for name, paths in logs.items():
        fixes = [fix.as_kept() for fix in _heard(folder, name, paths, one.since, until)]
        same = sum(fix.has_position and _key(fix.t, fix.lat, fix.lon) in known for fix in fixes)
        if not len(trace) and stint.device == store.device and _slug(stint.receiver) == name:
            same = len(fixes)  # nothing is left to know it by but the receiver's name
        if same or one.signed:  # a signature tells by itself whether they are the right ones
            offered.append((same, fixes))
    for _same, fixes in sorted(offered, key=lambda pair: -pair[0])[: None if one.signed else 1]:
        inside = [fix for fix in fixes if _within(fix.t, one, until) and round(fix.t * 100) not in there]
        if inside and (one.count or inside[-1].t - one.since >= LATE_S):
            yield make_trace(*zip(*map(_row, inside), strict=True))


def _within(t: float, one: Missing, until: float) -> bool:
    if one.signed:
        return one.since - 0.005 < t < until + 0.005
    # a stint's first fix may be a little older than the tap; how many there were is known then
    early = LATE_S if one.n == 0 and one.count is not None else 0.0
    return one.since - early <= t < until


def _key(t, lat, lon) -> tuple:
    where = (None, None) if lat is None or lat != lat else (round(lat * 1e7), round(lon * 1e7))
    return round(t * 100), *where


def _row(fix: Fix) -> tuple:
    lat, lon, sigma, hdop = (math.nan if v is None else v for v in (fix.lat, fix.lon, fix.sigma, fix.hdop))
    return fix.t, lat, lon, sigma, -1 if fix.quality is None else fix.quality, hdop


def _end(store: Store, stint: Stint) -> float:
    """Return when the last fix of a stint was kept, POSIX s; infinite while it is open.

    Fixes are still kept for as long as the finish can be taken back.
    """
    last = {"finish": UNDO_S, "hand_over": 0.0}
    corrections = Corrections(store)
    kept = effective_taps(taps_of(store, stint.id, corrections))
    over = [tap.at + last[tap.kind] for tap in kept if tap.kind in last]
    later = [one for one in store.all(Stint) if one.device == stint.device and order_of(one) > order_of(stint)]
    began = corrections.apply(stint).at
    # one set back since, or brought in from a recording of earlier work, bounds nothing
    after = [at for at in (corrections.apply(one).at for one in later) if at > began]
    return min([*over[-1:], *after], default=math.inf)


def _logs(folder: Path, since: float, until: float) -> dict[str, list[Path]]:
    """Return the raw logs of the days from one time to another, by receiver, in order."""
    first, last = (_day(t) for t in (since - BESIDE_S, until + BESIDE_S))
    logs: dict[str, list[Path]] = {}
    for path in sorted(folder.glob(f"*{SUFFIX}")):
        named = NAMED.fullmatch(path.name)
        if named and first <= named[1] <= last:
            logs.setdefault(named[2], []).append(path)
    return logs


def _day(t: float) -> str:
    return "9999" if math.isinf(t) else time.strftime("%Y-%m-%d", time.gmtime(t))


def _slug(name: str | None) -> str:
    return re.sub(r"[^A-Za-z0-9]+", "-", name or "").strip("-")


def _heard(folder, name, paths, since, until) -> Iterator[Fix]:
    """Give the fixes of one receiver around a stretch, as they came then."""
    antenna = ReceiverSettings(folder).antenna(name)
    carrier = AntennaTransfer(antenna) if antenna is not None else None
    # where an antenna's place is allowed for, the way to there decides
    begin = -math.inf if carrier else since - BESIDE_S
    lines = (line for path in paths for line in _lines(path))
    for timed in RawLogDecoder().decode(line for line in lines if _came_in(line, begin, until + BESIDE_S)):
        yield carrier.carry(timed.fix) if carrier else timed.fix


def _came_in(line: bytes, since: float, until: float) -> bool:
    stamp = STAMP.match(line)
    return stamp is not None and since <= float(stamp[1]) <= until


def _lines(path: Path) -> Iterator[bytes]:
    """Give the lines of a raw log, without their ends, as far as it is whole."""
    with contextlib.suppress(OSError, EOFError, zlib.error), gzip.open(path) as file:
        for line in file:
            yield line.rstrip(b"\r\n")
