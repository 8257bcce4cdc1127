"""A recording as columns, one track a machine, and the builder every reader of files fills.

Knows nothing of file formats. Missing is NaN (or -1 for quality), never zero.
"""

from array import array
from dataclasses import dataclass, fields, replace
from math import isnan
from typing import Any, NoReturn

import numpy as np

from cabapp.geometry.angles import turn_of
from cabapp.geometry.arrays import Bools, Floats, Ints
from cabapp.position.fix import Fix, is_place
from cabapp.position.recordings.machine_split import machines_of, metres, repeated
from cabapp.position.recordings.tool_columns import TOOL_COLUMNS
from cabapp.track.activity import STANDS_MPS
from cabapp.track.logging_interval import BREAK_S
from store.errors import Message, TraceRefused
from store.traces.trace_codec import HDOP_LIMIT

MOST_POINTS = 2_000_000
"""More fixes in one file than this are refused: at ten a second it is 55 hours."""
NO_QUALITY = -1
BACKWARDS = BREAK_S
"""A step back in time of more than this, s, is another recording in the same file: one appended, or its clock was set."""
FASTEST, SELDOM_S = 15.0, 60.0
"""m/s, s. No machine drives on faster; fixes farther apart do not tell that it drove on."""
ON_M, TIGHTEST_M = 3.0, 5.0
"""m. A machine that drives on lies so much farther than its speed says, and turns no tighter (common practice)."""
FEW_BACKWARDS, SHUFFLED = 20, 0.05
"""More steps back than this, and in more than this share of the fixes: the lines have lost their order."""


@dataclass(frozen=True)
class RecordedTrack:
    """The fixes of one machine, in order of time.

    Attributes
    ----------
    t : ndarray, shape (n,), float64
        POSIX seconds, UTC, never falling; equal times are possible.
    lat, lon : ndarray, shape (n,), float64
        WGS 84 degrees; both NaN where the receiver said it had no position.
    sigma : ndarray, shape (n,), float64
        Stated horizontal standard deviation per axis, m; NaN: not stated.
    hdop : ndarray, shape (n,), float64
        Horizontal dilution of precision; NaN: not stated.
    quality : ndarray, shape (n,), int8
        GGA fix quality; 0: no fix, -1: not stated.
    begins : ndarray, shape (n,), bool
        Whether the fix is the first of an unbroken span: the file states a break in reception before it.
    working : ndarray, shape (n,), bool, or None
        Whether the tool worked from this fix on; None: not recorded.
    width : ndarray, shape (n,), float64, or None
        Width that worked from this fix on, m; None: not recorded.
    sections : ndarray, shape (n, k), bool, or None
        Which sections of the tool, from the left, worked from this fix on; None: not recorded.
    switch : ndarray, shape (n,), bool, or None
        Whether it is no fix and has no position: it only says when what worked changed, between two; None: no such row.
    """

    t: Floats
    lat: Floats
    lon: Floats
    sigma: Floats
    hdop: Floats
    quality: np.ndarray
    begins: Bools
    working: Bools | None = None
    width: Floats | None = None
    sections: Bools | None = None
    switch: Bools | None = None

    def __len__(self) -> int:
        return len(self.t)

    @property
    def starts(self) -> Ints:
        """Index of the first fix of every unbroken span."""
        return np.flatnonzero(self.begins)

    @property
    def placed(self) -> Bools:
        """Which fixes have a position."""
        return np.isfinite(self.lat)

    def fixes(self) -> list[Fix]:
        """Return the fixes one by one, for a `Replay`."""
        if self.switch is not None:
            return self.received().fixes()
        columns = (self.t, self.lat, self.lon, self.sigma, self.hdop)
        rows = zip(*(column.tolist() for column in columns), self.quality.tolist(), strict=True)
        return [
            Fix(
                t, None if isnan(lat) else lat, None if isnan(lon) else lon, None if isnan(sigma) else sigma,
                None if quality == NO_QUALITY else quality, None if isnan(hdop) else hdop,
            )
            for t, lat, lon, sigma, hdop, quality in rows
        ]  # fmt: skip

    def at(self, rows: Ints | Bools | slice) -> "RecordedTrack":
        """Return some of the fixes, in order of time."""
        columns = {one.name: getattr(self, one.name) for one in fields(self)}
        some = {name: column[rows] for name, column in columns.items() if column is not None}
        if isinstance(rows, slice) and len(some["begins"]):
            some["begins"] = some["begins"].copy()
            some["begins"][0] = True
        return replace(self, **some)

    def received(self) -> "RecordedTrack":
        """Return the fixes alone, without the rows that only say when what worked changed."""
        return self if self.switch is None else replace(self.at(~self.switch), switch=None)

    def as_kept(self) -> "RecordedTrack":
        """Return the track as the store keeps it, as `Fix.as_kept`: to 1e-7 degree, 0.01 s, 1 cm and HDOP 0.01."""
        kept = np.rint(self.t * 100) / 100
        return replace(
            self, t=kept if self.switch is None else np.where(self.switch, self.t, kept), sigma=np.rint(self.sigma * 100) / 100,
            lat=np.rint(self.lat * 1e7) / 1e7, lon=np.rint(self.lon * 1e7) / 1e7,
            hdop=np.rint(np.minimum(self.hdop, HDOP_LIMIT) * 100) / 100,
        )  # fmt: skip


@dataclass(frozen=True)
class Recording:
    """What one file says.

    Attributes
    ----------
    name : str
        The file's name without its folder.
    tracks : tuple of RecordedTrack
        One a machine, by their first fix; at least one, and each with a position.
    dropped : int
        Points or rows of the file that could not be used at all (no time, not a number).
    dated : bool
        False: the file holds times of day only; times then count from 1970-01-01.
    notes : list of Message
        Sentences a person should read before believing the figures.
    """

    name: str
    tracks: tuple[RecordedTrack, ...]
    dropped: int
    dated: bool
    notes: list[Message]

    @property
    def main(self) -> RecordedTrack:
        """The track with the most fixes."""
        return max(self.tracks, key=len)


class RecordingBuilder:
    """Collects points in compact columns and makes a `Recording` of them.

    Parameters
    ----------
    name : str
        The file's name, for the sentences.

    Examples
    --------
    >>> builder = RecordingBuilder("short.csv")
    >>> builder.add(2.0, 52.0, -106.0)
    >>> builder.add(1.0, 0.0, 0.0)
    >>> found = builder.build()
    >>> [track] = found.tracks
    >>> track.t.tolist(), track.lat.tolist(), track.quality.tolist()
    ([1.0, 2.0], [nan, 52.0], [0, -1])
    >>> [str(note) for note in found.notes]
    ['Fixes that stood out of order of time were put in order.']
    """

    def __init__(self, name: str):
        self.name = name
        self.notes: list[Message] = []
        self.dropped = 0
        self.dated = True
        self._columns = [array("d") for _ in range(5)]
        self._quality = array("b")
        self._switches = array("q")
        self._work: dict[str, array[float]] = {}  # by elements of `TOOL_COLUMNS`: NaN where not stated
        self._machine, self._machines = array("i"), {"": 0}
        self._declared, self._span = array("i"), array("i")
        self._breaks = self._spans = self._backwards = 0
        self._breaking = True
        self._last = -np.inf

    def __len__(self) -> int:
        return len(self._quality)

    def break_here(self) -> None:
        """Begin a new span: the next point does not follow on the last one."""
        self._breaking = True

    def note(self, sentence: str, /, **values: object) -> None:
        """Add a message to the notes; whole numbers are written with commas."""
        self.notes.append(Message(sentence, _written(values)))

    def note_count(self, one: str, many: str, count: int, /) -> None:
        """Add a message that depends on a number, which stands in the place ``{count}`` and is written with commas."""
        self.notes.append(Message(one, _written({"count": count}), many, count))

    def note_zoneless(self, count: int) -> None:
        """Say how many times carry no zone, if any."""
        if count:
            self.note_count(
                "{count} time carries no zone and was taken as UTC.",
                "{count} times carry no zone and were taken as UTC.",
                count,
            )

    def refuse(self, sentence: str, /, **values: object) -> NoReturn:
        """Refuse the file, whose name stands in ``{name}``; whole numbers are written with commas."""
        raise TraceRefused(Message(sentence, _written(values | {"name": self.name})))

    def add(
        self,
        t: float,
        lat: float | None,
        lon: float | None,
        sigma: float | None = None,
        hdop: float | None = None,
        quality: int | None = None,
        machine: str = "",
        work: dict[str, float] | None = None,
        switch: bool = False,
    ) -> None:
        """Add a point; one that is no place (NaN, None, 0, 0, quality 0) keeps only its time.

        Parameters
        ----------
        machine : str
            What the file calls the machine, in whatever column.
        work : dict of str to float, optional
            By elements of `tool_columns.TOOL_COLUMNS`, SI: those that are stated from here on.
        switch : bool
            It is no fix: its place was made up, and only its time and `work` count.

        Raises
        ------
        TraceRefused
            There are more than `MOST_POINTS` points.
        """
        if len(self) >= MOST_POINTS:
            self.refuse(
                "{name} holds more than {most} fixes. Cut it into shorter files, one a day, and give them all.",
                most=MOST_POINTS,
            )
        backwards = t < self._last - BACKWARDS
        if self._breaking or backwards:
            self._spans += 1
            self._breaks += self._breaking
            self._backwards += not self._breaking
            self._breaking = False
        self._last = t
        if switch:
            self._switches.append(len(self))
        if switch or lat is None or lon is None or quality == 0 or not is_place(lat, lon):
            lat = lon = float("nan")
            quality = 0
        for name, value in (work or {}).items():
            column = self._work.setdefault(name, array("d"))
            column.extend([float("nan")] * (len(self) - len(column)))
            column.append(value)
        values = (t, lat, lon, _stated(sigma), _stated(hdop))
        for column, value in zip(self._columns, values, strict=True):
            column.append(value)
        self._quality.append(NO_QUALITY if quality is None else quality)
        self._machine.append(self._machines.setdefault(machine, len(self._machines)))
        self._declared.append(self._breaks)
        self._span.append(self._spans)

    def build(self) -> Recording:
        """Return the recording: each machine's fixes in order of time, what stands twice counted once.

        Raises
        ------
        TraceRefused
            No point has a position.
        """
        t, lat, lon, sigma, hdop = (np.frombuffer(column) for column in self._columns)
        if not np.isfinite(lat).any():
            self.refuse(
                "{name} holds no position: the receiver had no fix in any of its {count} records. "
                "Choose a recording made with the sky in view.",
                count=len(self),
            )
        declared, span = np.frombuffer(self._declared, np.intc), np.frombuffer(self._span, np.intc)
        if self._backwards > max(FEW_BACKWARDS, SHUFFLED * len(t)):
            span = declared
        else:
            t = self._on_one_clock(t, lat, lon)
        if (np.diff(t) < 0).any():
            self.note("Fixes that stood out of order of time were put in order.")
        machines = machines_of(t, lat, lon, span, self._names())
        twice = len(t) - sum(map(len, machines))
        if twice:
            self.note_count(
                "{count} fix stands twice in it and was counted once.",
                "{count} fixes stand twice in it and were counted once.", twice,
            )  # fmt: skip
        machines = [rows for rows in machines if np.isfinite(lat[rows]).any()]
        if len(machines) > 1:
            self.note("It holds {count} machines, apart at the same time; each counts by itself.", count=len(machines))
        quality = np.frombuffer(self._quality, np.int8)
        switch = np.zeros(len(t), bool)
        switch[self._switches] = True
        work = {name: np.append(column, np.full(len(t) - len(column), np.nan)) for name, column in self._work.items()}
        joined = np.zeros(len(t), bool)
        if twice:
            _join_spans(work, joined, t, span, np.concatenate(machines))
        tracks = []
        for machine in machines:
            whole = len(machine) == len(t) and bool((np.diff(machine) == 1).all())
            rows = slice(None) if whole else machine  # as it stands, without a copy
            held = {name: _held(column[rows]) for name, column in work.items()}
            stated: dict[str, Any] = {one.name: one.kept(held, len(t[rows])) for one in TOOL_COLUMNS}
            tracks.append(
                RecordedTrack(
                    t=t[rows], lat=lat[rows], lon=lon[rows], sigma=sigma[rows], hdop=hdop[rows], quality=quality[rows],
                    begins=(np.diff(declared[rows], prepend=-1) != 0) & ~joined[rows],
                    switch=switch[rows] if switch.any() else None, **stated,
                )
            )  # fmt: skip
        idle = sum(
            int((one.working & (one.width <= 0)).sum())
            for one in tracks
            if one.working is not None and one.width is not None
        )
        if idle:
            self.note_count(
                "{count} fix states that the tool works, with a width of 0; no ground was counted there.",
                "{count} fixes state that the tool works, with a width of 0; no ground was counted there.", idle,
            )  # fmt: skip
        return Recording(self.name, tuple(tracks), self.dropped, self.dated, self.notes)

    def _on_one_clock(self, t: Floats, lat: Floats, lon: Floats) -> Floats:
        """Return the times by the clock as it was at the end, where it was set back while the machine drove on.

        Notes
        -----
        The clock that was set is taken for the right one, as in the cab. A file that was appended to another does not
        drive on from where that ended, or says again what that says.
        """
        back = np.flatnonzero(np.diff(t) < -BACKWARDS)
        if not len(back):
            return t
        usual, xy, machine, most = float(np.median(np.abs(np.diff(t)))), metres(lat, lon), self._names(), 0.0
        ends, t = [*back[1:].tolist(), len(t) - 1], t.copy()
        for n, end in zip(back.tolist(), ends):
            before = np.flatnonzero(machine[: n + 1] == machine[n])
            behind = np.arange(n + 1, end + 1)
            if not _drives_on(t, xy, n, usual) or (machine[n - 1 : n + 3] != machine[n]).any():
                continue
            before = before[np.argsort(t[before], kind="stable")]
            had = repeated(*(column[rows] for rows in (before, behind) for column in (t, lat, lon)))
            if had is None or not had.any():
                step = t[n] + usual - t[n + 1]
                t[before], most = t[before] - step, max(most, step)
        if most:
            self.note(
                "Its clock was set back by up to {most} s while it drove on: the times before that were set back too.",
                most=f"{most:.0f}",
            )
        return t

    def _names(self) -> np.ndarray:
        """Return the machine each fix names; all alike where the names are numbers of rows."""
        machine = np.frombuffer(self._machine, np.intc)
        named = len(self._machines) - 1
        return np.zeros_like(machine) if named > 50 or 2 * named > len(machine) else machine


def _drives_on(t: Floats, xy: Floats, n: int, usual: float) -> bool:
    """Return whether the fix after `n` is where the machine was going, one interval `usual` later, s, whatever its clock says."""
    if usual > SELDOM_S or n < 1 or n + 2 >= len(t) or not np.isfinite(xy[n - 1 : n + 3]).all():
        return False
    spent = np.array([t[n] - t[n - 1], t[n + 2] - t[n + 1]])
    if (spent <= 0).any() or (spent > 3 * usual).any():
        return False
    coming, going = (xy[[n, n + 2]] - xy[[n - 1, n + 1]]) / spent[:, None]
    slow, fast = sorted((float(np.hypot(*coming)), float(np.hypot(*going))))
    turn = abs(turn_of(float(np.arctan2(*coming[::-1])), float(np.arctan2(*going[::-1]))))
    near = float(np.hypot(*(xy[n + 1] - xy[n]))) <= ON_M + 1.5 * fast * usual
    return near and slow > STANDS_MPS and fast < FASTEST and turn * TIGHTEST_M <= 2 * fast * usual


def _join_spans(work: dict[str, Floats], joined: Bools, t: Floats, span: np.ndarray, kept: np.ndarray) -> None:
    """Let a span whose first fixes stand in another already go on from there, as its tool is stated; so at its end.

    `work`, `joined`: what is stated of each row, and whether it follows on the one before; both are altered.
    `kept`: the rows that are counted.
    """
    left = np.ones(len(t), bool)
    left[kept] = False
    kept = kept[np.argsort(t[kept], kind="stable")]
    together = span[:-1] == span[1:]
    for n in (np.flatnonzero(~left[:-1] & left[1:] & together) + 1).tolist():
        at = int(kept[np.searchsorted(t[kept], t[n], side="right") - 1])
        joined[at] |= t[at] == t[n]
    for n in np.flatnonzero(left[:-1] & ~left[1:] & together).tolist():
        at = int(kept[np.searchsorted(t[kept], t[n], side="right") - 1])
        same = t[at] == t[n]
        joined[n + 1] = same
        for column in work.values():
            said = column[int(np.searchsorted(span, span[n])) : n + 1]
            said = said[np.isfinite(said)]
            if len(said) and (same or np.isnan(column[n + 1])):
                column[at if same else n + 1] = said[-1]


def _held(column: Floats) -> Floats:
    """Return a column in which what was stated last holds on; NaN before anything was."""
    last = np.maximum.accumulate(np.where(np.isnan(column), 0, np.arange(len(column))))
    return column[last]


def _written(values: dict[str, object]) -> dict[str, object]:
    return {name: f"{value:,}" if isinstance(value, int) else value for name, value in values.items()}


def _stated(value: float | None) -> float:
    """Return a positive figure, or NaN for one that is missing or cannot be true."""
    return value if value is not None and value > 0 else float("nan")
