"""A recorded trace as columns, and the builder every reader of files fills.

Knows nothing of file formats. Missing is NaN (or -1 for quality), never zero.
"""

from array import array
from dataclasses import dataclass
from typing import NoReturn

import numpy as np

from cabapp.position.fix import Fix, is_place
from store.errors import Message, TraceRefused

MOST_POINTS = 2_000_000
"""More fixes in one file than this are refused: at ten a second it is 55 hours."""
NO_QUALITY = -1
BACKWARDS = 60.0
"""A step back in time of more than this, s, is another recording in the same file."""


@dataclass(frozen=True)
class TraceFile:
    """The fixes of one file, in order of time.

    Attributes
    ----------
    name : str
        The file's name without its folder.
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
    starts : ndarray of int
        Index of the first fix of every unbroken span; a new span is a break in reception.
    dropped : int
        Points or rows of the file that could not be used at all (no time, not a number).
    dated : bool
        False: the file holds times of day only; `t` then counts from 1970-01-01.
    notes : list of Message
        Sentences a person should read before believing the figures.
    """

    name: str
    t: np.ndarray
    lat: np.ndarray
    lon: np.ndarray
    sigma: np.ndarray
    hdop: np.ndarray
    quality: np.ndarray
    starts: np.ndarray
    dropped: int
    dated: bool
    notes: list[Message]

    def fixes(self) -> list[Fix]:
        """Return the fixes one by one, for a `Replay`."""
        return [
            Fix(
                float(t),
                None if np.isnan(lat) else float(lat),
                None if np.isnan(lat) else float(lon),
                sigma=None if np.isnan(sigma) else float(sigma),
                quality=None if quality == NO_QUALITY else int(quality),
                hdop=None if np.isnan(hdop) else float(hdop),
            )
            for t, lat, lon, sigma, hdop, quality in zip(
                self.t, self.lat, self.lon, self.sigma, self.hdop, self.quality, strict=True
            )
        ]


class TraceBuilder:
    """Collects points in compact columns and makes a `TraceFile` of them.

    Parameters
    ----------
    name : str
        The file's name, for the sentences.

    Examples
    --------
    >>> builder = TraceBuilder("short.csv")
    >>> builder.add(2.0, 52.0, -106.0)
    >>> builder.add(1.0, 0.0, 0.0)
    >>> trace = builder.build()
    >>> trace.t.tolist(), trace.lat.tolist(), trace.quality.tolist()
    ([1.0, 2.0], [nan, 52.0], [0, -1])
    >>> [str(note) for note in trace.notes]
    ['Fixes that stood out of order of time were put in order.']
    """

    def __init__(self, name: str):
        self.name = name
        self.notes: list[Message] = []
        self.dropped = 0
        self.dated = True
        self._columns = [array("d") for _ in range(5)]
        self._quality = array("b")
        self._span = array("l")
        self._spans = 0
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
    ) -> None:
        """Add a point; one that is no place (NaN, None, 0, 0, quality 0) keeps only its time.

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
        if self._breaking or t < self._last - BACKWARDS:
            self._spans += 1
            self._breaking = False
        self._last = t
        if lat is None or lon is None or quality == 0 or not is_place(lat, lon):
            lat = lon = float("nan")
            quality = 0
        values = (t, lat, lon, _stated(sigma), _stated(hdop))
        for column, value in zip(self._columns, values, strict=True):
            column.append(value)
        self._quality.append(NO_QUALITY if quality is None else quality)
        self._span.append(self._spans)

    def build(self) -> TraceFile:
        """Return the trace in order of time.

        Raises
        ------
        TraceRefused
            No point has a position.
        """
        t, lat, lon, sigma, hdop = (np.array(column) for column in self._columns)
        if not np.isfinite(lat).any():
            self.refuse(
                "{name} holds no position: the receiver had no fix in any of its {count} records. "
                "Choose a recording made with the sky in view.",
                count=len(self),
            )
        order = np.argsort(t, kind="stable")
        if (np.diff(t) < 0).any():
            self.note("Fixes that stood out of order of time were put in order.")
        span = np.array(self._span)[order]
        starts = np.flatnonzero(np.diff(span, prepend=-1))
        return TraceFile(
            self.name, t[order], lat[order], lon[order], sigma[order], hdop[order],
            np.array(self._quality, dtype=np.int8)[order], starts, self.dropped, self.dated,
            self.notes,
        )  # fmt: skip


def _written(values: dict[str, object]) -> dict[str, object]:
    return {name: f"{value:,}" if isinstance(value, int) else value for name, value in values.items()}


def _stated(value: float | None) -> float:
    """Return a positive figure, or NaN for one that is missing or cannot be true."""
    return value if value is not None and value > 0 else float("nan")
