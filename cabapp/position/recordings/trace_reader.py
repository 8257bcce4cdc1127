"""Trace files of any writer: GPX, CSV, NMEA 0183 text or a raw log, known by content, not by name.

What can be read is read with a note; what cannot is refused with a sentence that says which file,
where and what to do. Memory is bounded by the fixes, not by the file.
"""

import os
import re
from collections.abc import Iterator
from pathlib import Path

from cabapp.position.protocols.gpsd_report import GpsdReader
from cabapp.position.protocols.nmea_epoch import NmeaEpoch
from cabapp.position.recordings.csv_reader import columns_of, read_table
from cabapp.position.recordings.gpx_reader import read_gpx
from cabapp.position.recordings.gzip_reader import GZIP, unpacked
from cabapp.position.recordings.raw_log_reader import RawLogDecoder, is_ours
from cabapp.position.recordings.trace_file import MOST_POINTS, TraceBuilder, TraceFile
from store.errors import TraceRefused

__all__ = ["MOST_POINTS", "TraceFile", "read_trace"]

SAMPLE = 1 << 16
LONGEST_LINE = 4096
_SENTENCE = re.compile(rb"\$[A-Z]{2}[A-Z]{3},|" + b'{"class":')
_BOM = b"\xef\xbb\xbf"
_WIDE_BOMS = (b"\xff\xfe", b"\xfe\xff")


def read_trace(path: str | os.PathLike) -> TraceFile:
    """Read a recorded trace.

    Parameters
    ----------
    path : path
        A GPX 1.1 file (1.0 is taken with a note); a CSV table whose header names ``time``
        (RFC 3339 or POSIX seconds), ``lat`` and ``lon`` (degrees), perhaps ``sigma`` (m),
        ``hdop`` and ``quality``; or the text of an NMEA 0183 receiver or of gpsd. Any of them may
        be compressed by gzip, and cut off or damaged in places as a power cut leaves it.

    Returns
    -------
    TraceFile
        In order of time. Its `notes` say what was left out or assumed.

    Raises
    ------
    TraceRefused
        The file cannot be opened, is none of the three, is damaged, or holds no position with a
        time.
    """
    path = Path(path)
    try:
        if not path.is_file():
            raise TraceRefused(
                f"{path} is a folder; give the trace file in it."
                if path.is_dir()
                else f"There is no file {path}. Look at the name and the folder."
            )
        with path.open("rb") as file:
            builder = TraceBuilder(path.name)
            if file.read(len(GZIP)) != GZIP:
                return _read(file, builder)
            with unpacked(file, builder) as whole:
                return _read(whole, builder)
    except OSError as fault:
        raise TraceRefused(f"{path} cannot be read ({fault.strerror}). Copy it here again.") from fault


def _read(file, builder: TraceBuilder) -> TraceFile:
    name = builder.name
    file.seek(0)
    sample = file.read(SAMPLE)
    file.seek(0)
    head = sample.removeprefix(_BOM).lstrip()
    if not head.strip(b"\0 \t\r\n"):
        raise TraceRefused(f"{name} is empty. Copy it from the receiver again.")
    if head.startswith(b"<") or (sample[:2] in _WIDE_BOMS and b"<" in sample[2:4]):
        read_gpx(file, builder)
    elif sample[:2] in _WIDE_BOMS:
        raise TraceRefused(f"{name} is text in UTF-16. Save it as CSV in UTF-8.")
    elif is_ours(head):
        _hear_again(file, builder)
    elif columns_of(_first_line(head)) is not None:
        file.seek(len(sample) - len(head))
        read_table(_lines(file), builder)
    elif _SENTENCE.search(sample):
        _read_nmea(file, builder)
    else:
        begins = _first_line(head)[:40]
        seen = f"begins with {begins!r}" if begins.isprintable() and "\ufffd" not in begins else "is no text"
        raise TraceRefused(
            f"{name} is neither GPX, nor CSV with a header that names time, lat and lon, nor "
            f"NMEA 0183 text. It {seen}. "
            "Export the track as GPX 1.1."
        )
    return builder.build()


def _read_nmea(file, builder):
    joiner, reports = NmeaEpoch(), GpsdReader()
    for line in _lines(file):
        report = line.find(b'{"class":')
        if report >= 0:
            _add(reports.feed(line[report:]), builder)
            continue
        timeless = joiner.timeless
        _add(joiner.feed(line), builder)
        if joiner.timeless > timeless:
            builder.break_here()
        if joiner.waiting > MOST_POINTS:
            break  # adding them refuses the file in the builder's own words
    _add(joiner.finish(), builder)
    _note(builder, joiner.rejected + reports.rejected, joiner.timeless)
    _need_one(builder)
    builder.dated = joiner.dated or not joiner.accepted
    if not builder.dated:
        builder.notes.append(
            "It carries no date (no RMC or ZDA sentence), only times of day; they are counted from 1970-01-01."
        )


def _note(builder, rejected, timeless):
    if rejected:
        builder.notes.append(f"{rejected:,} sentences with a wrong checksum, field count or field were left out.")
    if timeless:
        builder.notes.append(f"{timeless:,} records without a time of day were left out (a receiver just switched on).")
    builder.dropped += timeless


def _need_one(builder):
    if not len(builder):
        raise TraceRefused(
            f"{builder.name} holds no good GGA or RMC sentence with a time, so no fix. "
            "Switch those sentences on in the receiver, or copy the file again."
        )


def _hear_again(file, builder):
    hearing = RawLogDecoder()
    _add((heard.fix for heard in hearing.hear(_lines(file))), builder)
    _note(builder, hearing.rejected, hearing.timeless)
    if hearing.doubted:
        builder.notes.append(
            f"{hearing.doubted:,} places that did not fit the ones around them were left out, "
            "as they were while driving."
        )
    _need_one(builder)


def _add(fixes, builder):
    for fix in fixes:
        builder.add(fix.t, fix.lat, fix.lon, fix.sigma, fix.hdop, fix.quality)


def _first_line(head: bytes) -> str:
    return head[:LONGEST_LINE].split(b"\n")[0].rstrip(b"\r").decode("utf-8", "replace")


def _lines(file) -> Iterator[bytes]:
    """Give the lines without their ends; one beyond all reason is passed over, not loaded."""
    whole = True
    while line := file.readline(LONGEST_LINE):
        ended = line.endswith(b"\n")
        if whole and (ended or len(line) < LONGEST_LINE):
            yield line.rstrip(b"\r\n")
        whole = ended
