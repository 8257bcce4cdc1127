"""NMEA 0183 sentences that are printed with their meaning."""

from datetime import UTC, datetime
from functools import reduce

import pytest

from cabapp.position.protocols.nmea_epoch import NmeaEpoch


def read(*sentences):
    """All fixes of some sentences."""
    joiner = NmeaEpoch()
    fixes = [fix for sentence in sentences for fix in joiner.feed(sentence.encode())]
    return fixes + joiner.finish()


# sentence, when (UTC; None: carries no date), latitude, longitude, quality, HDOP
PUBLIC = "D. DePriest's public NMEA notes"
GPSD = 'gpsd, "NMEA Revealed"'
PRINTED = [
    ("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
     "1994-03-23T12:35:19", 48.117300, 11.516667, PUBLIC),
    ("$GPRMC,220516,A,5133.82,N,00042.24,W,173.8,231.8,130694,004.2,W*70",
     "1994-06-13T22:05:16", 51.563667, -0.704, PUBLIC),
    ("$GPRMC,081836,A,3751.65,S,14507.36,E,000.0,360.0,130998,011.3,E*62",
     "1998-09-13T08:18:36", -37.860833, 145.122667, PUBLIC),
    ("$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B",
     "2017-01-10T00:10:31", 44.0689988, -121.3143372, GPSD),
]  # fmt: skip


@pytest.mark.parametrize(("sentence", "when", "lat", "lon", "source"), PRINTED)
def test_recommended_minimum(sentence, when, lat, lon, source):
    """RMC gives the printed moment and place; two-digit years from 80 are the 1900s."""
    [fix] = read(sentence)
    assert datetime.fromtimestamp(fix.t, UTC) == datetime.fromisoformat(when + "+00:00"), source
    assert (fix.lat, fix.lon) == (pytest.approx(lat, abs=1e-6), pytest.approx(lon, abs=1e-6))


def test_fix_data_with_its_date():
    """A public sample log: GGA and RMC of 2011-05-28 together, 53.361337 N 6.505620 W, HDOP 1.03."""
    gga = "$GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,*76"
    rmc = "$GPRMC,092750.000,A,5321.6802,N,00630.3372,W,0.02,31.66,280511,,,A*43"
    [fix] = read(gga, rmc)
    assert datetime.fromtimestamp(fix.t, UTC).isoformat() == "2011-05-28T09:27:50+00:00"
    assert (round(fix.lat, 6), round(fix.lon, 6)) == (53.361337, -6.505620)
    assert (fix.quality, fix.hdop) == (1, 1.03)


def test_error_statistics():
    """GST of gpsd's text: deviations 0.9 m north and 0.5 m east, joined to the fix of its moment."""
    body = "GPGGA,182141.000,5200.000,N,10600.000,W,1,08,0.9,500.0,M,-20.0,M,,"
    check = reduce(lambda a, b: a ^ b, body.encode())
    gst = "$GPGST,182141.000,15.5,15.3,7.2,21.8,0.9,0.5,0.8*54"
    [fix] = read(f"${body}*{check:02X}", gst)
    assert fix.sigma == pytest.approx(((0.9**2 + 0.5**2) / 2) ** 0.5)


@pytest.mark.parametrize(("text", "degrees"), [("4533.35", 45.5558333), ("16708.033", 167.1338833)])
def test_degrees_and_minutes(text, degrees):
    """4533.35 is 45°33'21\" and 16708.033 is 167.1338833° (gpsd, "NMEA Revealed")."""
    north = text if degrees < 90 else "0000.001"
    east = f"{text:0>8}" if degrees > 90 else "00000.001"
    body = f"GPRMC,120000,A,{north},N,{east},E,0.0,0.0,010120,,,A"
    check = reduce(lambda a, b: a ^ b, body.encode())
    [fix] = read(f"${body}*{check:02X}")
    assert (fix.lat if degrees < 90 else fix.lon) == pytest.approx(degrees, abs=1e-7)


@pytest.mark.parametrize(
    ("mode", "quality"), [("A", 1), ("D", 2), ("E", 6), ("F", 5), ("M", 7), ("P", 3), ("R", 4), ("S", 8)]
)
def test_mode_letters(mode, quality):
    """The mode letter of RMC stands for the quality number of GGA (gpsd, "NMEA Revealed")."""
    body = f"GPRMC,120000,A,5200.000,N,10600.000,W,0.0,0.0,010120,,,{mode}"
    check = reduce(lambda a, b: a ^ b, body.encode())
    [fix] = read(f"${body}*{check:02X}")
    assert fix.quality == quality
