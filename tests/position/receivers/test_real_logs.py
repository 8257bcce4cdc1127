"""Recordings of real receivers, played to the live decoder as they once came."""

import re
from pathlib import Path

import numpy as np
import pytest

from cabapp.position.protocols.byte_decoder import ByteDecoder
from cabapp.position.recordings.trace_reader import read_recording

FOLDER = Path(__file__).parents[4] / "shared" / "data" / "nmea"
LOGS = sorted(FOLDER.glob("*.nmea")) or [None]
CLOCK = re.compile(rb"\$..(?:GGA|RMC),(\d\d)(\d\d)(\d\d(?:\.\d+)?)")


def arrivals(path):
    """Give (line, arrival): each line 0.1 s after the clock it carries, or came after."""
    day = last = 0.0
    for line in path.read_bytes().splitlines(True):
        told = CLOCK.search(line)
        if told:
            second = int(told[1]) * 3600 + int(told[2]) * 60 + float(told[3])
            if last - second > 43200:
                day += 86400
            last = second
        yield line, day + last + 0.1


@pytest.mark.skipif(LOGS == [None], reason="the real recordings are not beside the repository (../shared/data)")
@pytest.mark.parametrize("path", LOGS, ids=lambda path: path.stem if path else "none")
def test_live_and_read_from_a_file_agree(path):
    """The live decoder gives the places the file reader gives, but for a few it has reason to doubt.

    Lost to doubt are at most two after each silence, one at each leap of a receiver that settles,
    and those while most moments have two sentences and one is missing.
    """
    trace = read_recording(path)
    known = np.isfinite(trace.tracks[0].lat)
    whole = {
        (round(float(t), 2), float(lat), float(lon))
        for t, lat, lon in zip(trace.tracks[0].t[known], trace.tracks[0].lat[known], trace.tracks[0].lon[known])
    }
    decoder, live = ByteDecoder(earliest=None), []
    for line, at in arrivals(path):
        live += decoder.feed(line, at)
    live += decoder.idle(at + 9.0)
    places = {(round(h.fix.t, 2), h.fix.lat, h.fix.lon) for h in live if h.fix.has_position}
    assert places <= whole
    silences = 1 + int((np.diff(trace.tracks[0].t[known]) > 10.0).sum())
    assert len(whole) - len(places) <= 2 * silences + 0.02 * len(whole), (len(whole), len(places), decoder.implausible)
