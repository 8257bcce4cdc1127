"""Recorded receivers that stand still wander no more than is claimed of them."""

import numpy as np
import pytest

from cabapp.geometry.plane import Plane
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.track.receiver_error import judge, spread


@pytest.mark.parametrize("name", ["loss8_then_return.nmea", "cold_start_37_then_fix.nmea"])
def test_two_moments_of_a_still_receiver_are_within_the_claim(recordings, name):
    """From 30 s to 2 min apart, east and north, the root mean square is below the spread that gaps are judged by."""
    [track] = read_recording(recordings / "nmea" / name).tracks
    good = np.isfinite(track.lat) & (track.quality > 0)
    t, hdop, quality = track.t[good], track.hdop[good], track.quality[good]
    xy = Plane(track.lat[good][0], track.lon[good][0]).to_xy(track.lat[good], track.lon[good])
    told = judge(t, None, hdop, quality)
    compared = 0
    for apart in (30.0, 60.0, 120.0):
        one, other = np.nonzero(np.abs(np.subtract.outer(t, t) + apart) < 0.05)
        if len(one) < 10:
            continue
        wander = np.sqrt(np.mean((xy[other] - xy[one]) ** 2))
        claim = spread(told.at(t[one]), told.at(t[other]), np.ones(len(one), bool), np.full(len(one), apart))
        assert wander < np.median(claim)
        compared += 1
    assert compared
