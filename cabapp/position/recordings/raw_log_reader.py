"""A raw log of ours heard again: the same bytes at the same times give the same fixes as then.

A reader of other people's files has no times of arrival and must take each sentence as it stands;
here the rules of `decode` that wait, doubt and pass over work as they did while driving.
"""

import re
from collections.abc import Iterable, Iterator

from cabapp.position.protocols.byte_decoder import EARLIEST, ByteDecoder, TimedFix
from cabapp.position.recordings.raw_log import OPENED

STAMP = re.compile(rb"(\d{9,11}\.\d{3}) ")
"""What `rawlog` writes before each line."""
DAY_S = 86400.0
"""A log older than the program is believed to be from its day, give or take this, s."""
OVER_S = 60.0
"""After the last line so much silence is taken to have followed, s."""


def is_ours(sample: bytes) -> bool:
    """Say whether the first whole line of a file begins with a time of arrival.

    Examples
    --------
    >>> is_ours(b"1779000000.100 $GNGGA,1\\n"), is_ours(b"$GNGGA,1\\n")
    (True, False)
    """
    return bool(STAMP.match(sample))


class RawLogDecoder:
    """Gives the fixes of stamped lines, without their ends, by the decoder's rules.

    Attributes
    ----------
    rejected, timeless, doubted : int
        As of `ByteDecoder`, summed up over all times the link was opened.
    """

    def __init__(self):
        self.rejected = self.timeless = self.doubted = 0

    def hear(self, lines: Iterable[bytes]) -> Iterator[TimedFix]:
        """Give the fixes, in order of arrival."""
        decoder, at = None, 0.0
        for line in lines:
            stamp = STAMP.match(line)
            if stamp is None:
                continue
            at, said = float(stamp[1]), line[stamp.end() :]
            if said == OPENED or decoder is None:
                # nothing more came of what was waiting when the link was lost
                self._add_up(decoder)
                decoder = ByteDecoder(min(EARLIEST, at - DAY_S))
            if not said.startswith(b"#"):
                yield from decoder.feed(said + b"\n", at)
        if decoder is not None:
            yield from decoder.quiet(at + OVER_S)
        self._add_up(decoder)

    def _add_up(self, decoder):
        if decoder is None:
            return
        self.rejected += decoder.rejected
        self.timeless += decoder.timeless
        self.doubted += decoder.doubted
