"""Trace files of any writer: GPX, CSV, NMEA 0183 text or a raw log, known by content, not by name.

What can be read is read with a note; what cannot is refused with a message that says which file,
where and what to do. Memory is bounded by the fixes, not by the file.
"""

import os
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import BinaryIO

from cabapp.position.fix import Fix
from cabapp.position.protocols.gpsd_report import GpsdReader
from cabapp.position.protocols.nmea_epoch import NmeaEpoch
from cabapp.position.recordings.csv_reader import header_of, read_table, text_of
from cabapp.position.recordings.gpx_reader import read_gpx
from cabapp.position.recordings.gzip_reader import GZIP, unpacked
from cabapp.position.recordings.raw_log_reader import RawLogDecoder, is_raw_log
from cabapp.position.recordings.recording import MOST_POINTS, Recording, RecordingBuilder
from store.durability.carrier_files import open_regular
from store.errors import TraceRefused

SAMPLE = 1 << 16
LONGEST_LINE = 4096
_NMEA = re.compile(rb"\$[A-Z]{2}[A-Z]{3},|" + b'{"class":')
_BOM = b"\xef\xbb\xbf"
_WIDE_BOMS = (b"\xff\xfe", b"\xfe\xff")


def read_recording(path: str | os.PathLike[str]) -> Recording:
    """Read a file of fixes.

    Parameters
    ----------
    path : path
        A GPX 1.1 file (1.0 is taken with a note); a CSV table whose header names a time and a place by one of
        `csv_reader.NAMES`, perhaps what the receiver states of its error, the machine, and what of the tool
        worked; or the text of an NMEA 0183 receiver or of gpsd. Any of them may be compressed by gzip, and cut
        off or damaged in places as a power cut leaves it.

    Returns
    -------
    Recording
        A track for each machine. Its `notes` say what was left out or assumed.

    Raises
    ------
    TraceRefused
        The file cannot be opened, is none of the three, is damaged, or holds no position with a
        time.
    """
    path = Path(path)
    try:
        with open_regular(path) as file:
            builder = RecordingBuilder(path.name)
            if file.read(len(GZIP)) != GZIP:
                return _read(file, builder)
            with unpacked(file, builder) as whole:
                return _read(whole, builder)
    except IsADirectoryError as fault:
        raise TraceRefused("{path} is a folder; give the trace file in it.", path=path) from fault
    except (FileNotFoundError, NotADirectoryError) as fault:
        raise TraceRefused("There is no file {path}. Look at the name and the folder.", path=path) from fault
    except OSError as fault:
        raise TraceRefused(
            "{path} cannot be read ({why}). Copy it here again.", path=path, why=fault.strerror
        ) from fault


def _read(file: BinaryIO, builder: RecordingBuilder) -> Recording:
    file.seek(0)
    sample = file.read(SAMPLE)
    file.seek(0)
    head = sample.removeprefix(_BOM).lstrip()
    if not head.strip(b"\0 \t\r\n"):
        builder.refuse("{name} is empty. Copy it from the receiver again.")
    if head.startswith(b"<") or (sample[:2] in _WIDE_BOMS and b"<" in sample[2:4]):
        read_gpx(file, builder)
    elif sample[:2] in _WIDE_BOMS:
        builder.refuse("{name} is text in UTF-16. Save it as CSV in UTF-8.")
    elif is_raw_log(head):
        _read_raw_log(file, builder)
    elif header_of(_first_line(head)) is not None:
        if len(head.partition(b"\n")[0]) >= LONGEST_LINE:
            builder.refuse(
                "{name} has a header of more than {most} letters, which no trace has. Export it again with fewer columns.",
                most=LONGEST_LINE,
            )
        file.seek(len(sample) - len(head))
        read_table(_lines(file), builder)
    elif _NMEA.search(sample):
        _read_nmea(file, builder)
    else:
        begins = _first_line(head)[:40]
        if begins.isprintable() and "\ufffd" not in begins:
            builder.refuse(
                "{name} is neither GPX, nor CSV with a header that names a time, lat and lon, nor NMEA 0183 text. "
                "It begins with {begins}. Export the track as GPX 1.1.",
                begins=repr(begins),
            )
        builder.refuse(
            "{name} is neither GPX, nor CSV with a header that names a time, lat and lon, nor NMEA 0183 text. "
            "It is no text. Export the track as GPX 1.1."
        )
    return builder.build()


def _read_nmea(file: BinaryIO, builder: RecordingBuilder) -> None:
    epochs, gpsd = NmeaEpoch(), GpsdReader()
    for line in _lines(file):
        report = line.find(b'{"class":')
        if report >= 0:
            _add(gpsd.feed(line[report:]), builder)
            continue
        timeless = epochs.timeless
        _add(epochs.feed(line), builder)
        if epochs.timeless > timeless:
            builder.break_here()
        if epochs.waiting > MOST_POINTS:
            break  # adding them refuses the file in the builder's own words
    _add(epochs.finish(), builder)
    _note(builder, epochs.rejected + gpsd.rejected, epochs.timeless)
    _require_fix(builder)
    builder.dated = epochs.dated or not epochs.accepted
    if not builder.dated:
        builder.note(
            "It carries no date (no NMEA sentence RMC or ZDA), only times of day; they are counted from 1970-01-01."
        )


def _note(builder: RecordingBuilder, rejected: int, timeless: int) -> None:
    if rejected:
        builder.note_count(
            "{count} NMEA sentence with a wrong checksum, field count or field was left out.",
            "{count} NMEA sentences with a wrong checksum, field count or field were left out.", rejected,
        )  # fmt: skip
    if timeless:
        builder.note_count(
            "{count} record without a time of day was left out (a receiver just switched on).",
            "{count} records without a time of day were left out (a receiver just switched on).", timeless,
        )  # fmt: skip
    builder.dropped += timeless


def _require_fix(builder: RecordingBuilder) -> None:
    if not len(builder):
        builder.refuse(
            "{name} holds no good GGA or RMC (NMEA sentences) with a time, so no fix. "
            "Switch these on in the receiver, or copy the file again."
        )


def _read_raw_log(file: BinaryIO, builder: RecordingBuilder) -> None:
    decoder = RawLogDecoder()
    _add((timed.fix for timed in decoder.decode(_lines(file))), builder)
    _note(builder, decoder.rejected, decoder.timeless)
    if decoder.implausible:
        builder.note_count(
            "{count} place that did not fit the ones around it was left out, as it was while driving.",
            "{count} places that did not fit the ones around them were left out, as they were while driving.",
            decoder.implausible,
        )
    _require_fix(builder)


def _add(fixes: Iterable[Fix], builder: RecordingBuilder) -> None:
    for fix in fixes:
        builder.add(fix.t, fix.lat, fix.lon, fix.sigma, fix.hdop, fix.quality)


def _first_line(head: bytes) -> str:
    return text_of(head[:LONGEST_LINE].split(b"\n")[0].rstrip(b"\r"))


def _lines(file: BinaryIO) -> Iterator[bytes]:
    """Yield the lines without their ends; one beyond all reason is passed over, not loaded."""
    whole = True
    while line := file.readline(LONGEST_LINE):
        ended = line.endswith(b"\n")
        if whole and (ended or len(line) < LONGEST_LINE):
            yield line.rstrip(b"\r\n")
        whole = ended
