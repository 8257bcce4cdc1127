"""A file compressed by gzip, unpacked beside memory; whatever pieces of it are whole are used."""

import contextlib
import tempfile
import zlib
from collections.abc import Iterator
from typing import BinaryIO

from cabapp.position.recordings.recording import RecordingBuilder

GZIP = b"\x1f\x8b\x08"
LARGEST = 4 << 30
"""Bytes unpacked beyond this are refused: a day at 20 Hz with all its NMEA sentences is about 1 GB."""
_AT_ONCE = 1 << 20


@contextlib.contextmanager
def unpacked(file: BinaryIO, builder: RecordingBuilder) -> Iterator[BinaryIO]:
    """Give a file, gone afterwards, with all that can be unpacked; the builder notes what cannot.

    Raises
    ------
    TraceRefused
        It would be larger than `LARGEST`.
    """
    file.seek(0)
    damaged = 0
    with tempfile.TemporaryFile() as whole:
        waiting = b""
        while True:
            piece = zlib.decompressobj(zlib.MAX_WBITS | 16)
            broken = False
            while not piece.eof:
                if not waiting and not (waiting := file.read(_AT_ONCE)):
                    break
                try:
                    whole.write(piece.decompress(waiting, _AT_ONCE))
                    waiting = piece.unconsumed_tail or piece.unused_data
                except zlib.error:
                    broken = True
                    break
                if whole.tell() > LARGEST:
                    builder.refuse(
                        "{name} unpacks to more than {size} GB, which no day is. Cut it into shorter files.",
                        size=LARGEST >> 30,
                    )
            damaged += broken or not piece.eof
            if not piece.eof and not broken:
                break
            waiting = _next_piece(file, waiting[1:] if broken else piece.unused_data)
            if not waiting:
                break
            whole.write(b"\n" if broken else b"")
        if damaged:
            builder.note(
                "It is cut off or damaged in places, as a power cut leaves it; what could be unpacked was used."
            )
        whole.seek(0)
        yield whole


def _next_piece(file: BinaryIO, waiting: bytes) -> bytes:
    """Return the bytes from the next piece's beginning on; b"" when there is none."""
    while True:
        start = waiting.find(GZIP)
        if start >= 0:
            return waiting[start:]
        more = file.read(_AT_ONCE)
        if not more:
            return b""
        waiting = waiting[-2:] + more
