"""Decodes a raw log; the fixes equal those decoded live.

Other files have no times of arrival, so each of their NMEA sentences is taken as it stands; here the
rules of `byte_decoder` apply as they did while driving.
"""

import re
from collections.abc import Iterable, Iterator

from cabapp.position.protocols.byte_decoder import EARLIEST, ByteDecoder, TimedFix
from cabapp.position.recordings.raw_log import OPENED

STAMP = re.compile(rb"(\d{9,11}\.\d{3}) ")
"""Written by `raw_log` before each line."""
DAY_S = 86400.0
"""A log older than the program is taken to be from its day, give or take this, s."""
OVER_S = 60.0
"""After the last line so much silence is taken to have followed, s."""


def is_raw_log(sample: bytes) -> bool:
    """Return whether the first whole line of a file begins with a time of arrival.

    Examples
    --------
    >>> is_raw_log(b"1779000000.100 $GNGGA,1\\n"), is_raw_log(b"$GNGGA,1\\n")
    (True, False)
    """
    return bool(STAMP.match(sample))


class RawLogDecoder:
    """Decodes stamped lines, without their ends.

    Attributes
    ----------
    rejected, timeless, implausible : int
        As of `ByteDecoder`, summed over all times the connection was opened.
    """

    def __init__(self) -> None:
        self.rejected = self.timeless = self.implausible = 0

    def decode(self, lines: Iterable[bytes]) -> Iterator[TimedFix]:
        """Yield the fixes, in order of arrival."""
        decoder: ByteDecoder | None = None
        at = 0.0
        for line in lines:
            stamp = STAMP.match(line)
            if stamp is None:
                continue
            at, data = float(stamp[1]), line[stamp.end() :]
            if data == OPENED or decoder is None:
                # nothing more came of what was waiting when the connection was lost
                self._add_up(decoder)
                decoder = ByteDecoder(min(EARLIEST, at - DAY_S))
            if not data.startswith(b"#"):
                yield from decoder.feed(data + b"\n", at)
        if decoder is not None:
            yield from decoder.idle(at + OVER_S)
            self._add_up(decoder)

    def _add_up(self, decoder: ByteDecoder | None) -> None:
        for name in ("rejected", "timeless", "implausible") if decoder else ():
            setattr(self, name, getattr(self, name) + getattr(decoder, name))
