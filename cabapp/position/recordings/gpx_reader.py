"""GPX 1.1 tracks as a stream, in bounded memory; a document type is refused.

Only `trkpt` inside `trkseg` counts. Of its extensions those are read that have a name of `tool_columns.TOOL_COLUMNS`,
of whatever namespace (that of `WORK_SPACE` goes first), each as it is from that point on, and of `WORK_SPACE` those of
`OWN`. GPX 1.0 differs in nothing we
read and is taken with a note. Source: the GPX 1.1 schema, http://www.topografix.com/GPX/1/1.

Notes
-----
Why not gpxpy, which reads the boundaries and writes all GPX (gpxpy 1.6.2, Python 3.11, 2026):

- A file of 100 MB, 714,285 points: gpxpy 30.2 s and 1,765 MB, this reader 7.3 s and 101 MB. A tablet
  has 2 to 4 GB.
- A file of 10 MB cut off in the middle: gpxpy reads nothing, this reader all 71,427 points before.

A test holds both equal on good files.
"""

import math
from pyexpat import ExpatError, ParserCreate, errors
from typing import BinaryIO

from cabapp.position.recordings.recording import RecordingBuilder
from cabapp.position.recordings.tool_columns import tool_column
from store.facts.timestamp import has_zone, read_time

CHUNK = 1 << 16
LONGEST_TAG = 1 << 20
DEEPEST = 100
LONGEST_TEXT = 200
_QUALITY = {"none": 0, "2d": 1, "3d": 1, "dgps": 2, "pps": 3}
WORK_SPACE = "urn:rollbook:work:1"
"""Namespace of what the tool did, in the extensions of a point."""
OWN = ("switch", "sigma", "quality")
"""Further elements of it: 1 for a point that is no fix but the moment of a switch between two; the standard deviation
of the fix, m; its GGA quality, where `fix` has no word for it."""
_WANTED = {"time", "fix", "hdop"}
_CUT_SHORT = {
    errors.codes[errors.XML_ERROR_NO_ELEMENTS],
    errors.codes[errors.XML_ERROR_UNCLOSED_TOKEN],
    errors.codes[errors.XML_ERROR_PARTIAL_CHAR],
}


def read_gpx(file: BinaryIO, builder: RecordingBuilder) -> None:
    """Fill a builder from an open GPX file.

    Parameters
    ----------
    file : binary file
    builder : RecordingBuilder

    Raises
    ------
    TraceRefused
        Not GPX, not well-formed, a document type, nesting or tags beyond reason, no track, or no
        point with a time.
    """
    reader = _Reader(builder)
    parser = ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.text
    parser.StartDoctypeDeclHandler = reader.refuse_doctype
    fed = 0
    try:
        # white space before the declaration is a common fault of writers and harms nothing
        chunk = file.read(CHUNK).lstrip()
        while chunk:
            parser.Parse(chunk, False)
            fed += len(chunk)
            if fed - parser.CurrentByteIndex > LONGEST_TAG:
                builder.refuse(
                    "{name} holds a tag of more than {most} letters, which no GPX writer makes. "
                    "Export the track again.",
                    most=LONGEST_TAG,
                )
            chunk = file.read(CHUNK)
        parser.Parse(b"", True)
    except ExpatError as fault:
        reader.report_fault(fault)
    except (LookupError, ValueError):
        builder.refuse("{name} states an encoding of letters that cannot be read. Export the track again, in UTF-8.")
    reader.close()


class _Reader:
    """What is being read, between one tag and the next."""

    def __init__(self, builder: RecordingBuilder):
        self.builder = builder
        self.path: list[str] = []
        self.prefix: str | None = None
        self.point: dict[str, str] | None = None
        self.collected: str | None = None
        self.work_prefixes: set[str] = set()
        self.foreign: dict[str, None] = {}
        self.unread = 0
        self.other_points = self.untimed = self.unplaced = self.zoneless = 0

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        prefix, _, name = tag.rpartition(":")
        if self.prefix is None:
            self.open(prefix, name, attributes)
        if len(self.path) >= DEEPEST:
            self.builder.refuse("{name} is nested deeper than any GPX. Export the track again.")
        for key, space in attributes.items():
            if space == WORK_SPACE and key.startswith("xmlns"):
                self.work_prefixes.add(key[6:])
        parent = self.path[-1] if self.path else None
        ours = prefix in self.work_prefixes
        if self.point is not None and "extensions" in self.path and (tool_column(name) or (ours and name in OWN)):
            name, self.collected = f"{'work' if ours else 'other'} {name}", ""
        elif prefix != self.prefix:
            name = ""  # an extension's own element, whatever it is called
        self.path.append(name)
        if name == "trkseg":
            self.builder.break_here()
        elif name == "trkpt" and parent == "trkseg":
            self.point = {"lat": attributes.get("lat", ""), "lon": attributes.get("lon", "")}
        elif name in ("wpt", "rtept"):
            self.other_points += 1
        elif name in _WANTED and parent == "trkpt" and self.point is not None:
            self.collected = ""

    def open(self, prefix: str, name: str, attributes: dict[str, str]) -> None:
        if name != "gpx":
            self.builder.refuse(
                "{name} is XML but not GPX: its first element is <{element}>. Export the track as GPX 1.1.",
                element=name[:40],
            )
        self.prefix = prefix
        space = attributes.get(f"xmlns:{prefix}" if prefix else "xmlns", "")
        version = attributes.get("version", "")
        if version == "1.0" or space.endswith("/GPX/1/0"):
            self.builder.note("It is GPX 1.0, an older form; its tracks read the same.")
        elif not version:
            self.builder.note("It states no version; it was read as GPX 1.1.")
        elif version != "1.1":
            self.builder.note("It states version {version}; it was read as GPX 1.1.", version=repr(version[:20]))

    def text(self, text: str) -> None:
        if self.collected is not None and len(self.collected) < LONGEST_TEXT:
            self.collected += text[:LONGEST_TEXT]

    def end(self, _tag: str) -> None:
        name = self.path.pop()
        if self.collected is not None and self.point is not None and (name in _WANTED or " " in name):
            self.point[name] = self.collected.strip()
            self.collected = None
        elif name == "trkpt" and self.point is not None:
            self.add(self.point)
            self.point = None

    def add(self, point: dict[str, str]) -> None:
        try:
            lat, lon = float(point["lat"]), float(point["lon"])
        except ValueError:
            lat = lon = math.nan
        if not (-90 <= lat <= 90 and -180 <= lon <= 180):
            self.unplaced += 1
            return
        try:
            t = read_time(point.get("time", ""), zone_needed=False)
        except ValueError:
            self.untimed += 1
            return
        self.zoneless += not has_zone(point["time"])
        hdop, sigma, stated = (_number(point.get(name, "")) for name in ("hdop", "work sigma", "work quality"))
        quality = _QUALITY.get(point.get("fix", "").lower()) if stated is None else int(min(max(stated, 0), 127))
        work: dict[str, float] = {}
        for name, text in sorted(point.items(), reverse=True):  # "work" before "other"
            whose, _, element = name.rpartition(" ")
            column = tool_column(element) if whose and text else None
            if column is None or (whose == "other" and f"work {element}" in point):
                continue
            try:
                work[element] = column.read(text)
            except ValueError:
                self.unread += 1
                continue
            if whose == "other":
                self.foreign[element] = None
        switch = point.get("work switch") == "1"
        self.builder.add(t, lat, lon, sigma, hdop, quality, work=work, switch=switch)

    def close(self) -> None:
        builder = self.builder
        if not len(builder):
            if self.untimed:
                self.builder.refuse(
                    "{name} holds {count} points but none has a time, so nothing says in what "
                    "order or how fast they were driven. Export the recorded track, not a route.",
                    count=self.untimed,
                )
            if self.unplaced:
                self.builder.refuse("{name} holds no point on the globe. Export the track again.")
            if self.other_points:
                self.builder.refuse(
                    "{name} holds no track, only {count} waypoints or route points. Export the recorded track.",
                    count=self.other_points,
                )
            self.builder.refuse("{name} is GPX without a single track point. Export the recorded track.")
        builder.dropped += self.untimed + self.unplaced
        if self.untimed:
            builder.note_count(
                "{count} point without a time was left out.",
                "{count} points without a time were left out.",
                self.untimed,
            )
        if self.unplaced:
            builder.note_count(
                "{count} point that is not on the globe was left out.",
                "{count} points that are not on the globe were left out.", self.unplaced,
            )  # fmt: skip
        if self.foreign:
            builder.note(
                "What the tool did was read from extensions of another writer, by their names: {columns}.",
                columns=tuple(sorted(self.foreign)),
            )
        if self.unread:
            builder.note_count(
                "{count} extension that says what the tool did could not be read; what was stated before was kept.",
                "{count} extensions that say what the tool did could not be read; what was stated before was kept.", self.unread,
            )  # fmt: skip
        builder.note_zoneless(self.zoneless)

    def report_fault(self, fault: ExpatError) -> None:
        if fault.code in _CUT_SHORT and len(self.builder):
            self.builder.note(
                "The file stops in the middle, at line {line}; the {count} points before that were used.",
                line=fault.lineno,
                count=len(self.builder),
            )
            return
        self.builder.refuse(
            "{name} is damaged at line {line} ({why}). Copy it from the receiver again.",
            line=fault.lineno,
            why=errors.messages[fault.code],
        )

    def refuse_doctype(self, *_: object) -> None:
        self.builder.refuse(
            "{name} declares a document type, which GPX does not have and which can hide harm. Export the track again."
        )


def _number(text: str) -> float | None:
    """Return a finite number; None for anything else."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) else None
