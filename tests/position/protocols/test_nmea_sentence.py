"""One NMEA sentence at a time: published samples with the values they carry."""

import datetime
import re

import pytest

from cabapp.position.protocols import nmea_sentence
from cabapp.position.protocols.byte_decoder import ByteDecoder
from cabapp.position.protocols.nmea_epoch import NmeaEpoch
from cabapp.position.protocols.nmea_sentence import SENTENCE_TYPES, read_sentence, type_and_line

# sentence, second of the day, and what it says; printed in D. DePriest's public NMEA notes and in
# many test suites, in gpsd's "NMEA Revealed" (www/NMEA.adoc), the RTK one in an autopilot driver's
# comment; 1 knot = 1852/3600 m/s
SAMPLES = [
    (b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", 45319.0,
     {"place": (48.117300, 11.516667), "quality": 1, "satellites": 8, "hdop": 0.9}),
    (b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", 45319.0,
     {"place": (48.117300, 11.516667), "speed": 11.5236, "course": 84.4,
      "date": datetime.date(1994, 3, 23)}),
    (b"$GPRMC,220516,A,5133.82,N,00042.24,W,173.8,231.8,130694,004.2,W*70", 79516.0,
     {"place": (51.563667, -0.704), "speed": 89.4104, "course": 231.8,
      "date": datetime.date(1994, 6, 13)}),
    (b"$GPRMC,081836,A,3751.65,S,14507.36,E,000.0,360.0,130998,011.3,E*62", 29916.0,
     {"place": (-37.860833, 145.122667), "speed": 0.0, "course": 360.0,
      "date": datetime.date(1998, 9, 13)}),
    (b"$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39", None,
     {"dimensions": 3, "pdop": 2.5, "hdop": 1.3}),
    (b"$GNGSA,A,3,80,71,73,79,69,,,,,,,,1.83,1.09,1.47*17", None,
     {"dimensions": 3, "pdop": 1.83, "hdop": 1.09}),
    (b"$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48", None, {"course": 54.7, "speed": 2.8294}),
    (b"$GPVTG,220.86,T,,M,2.550,N,4.724,K,A*34", None, {"course": 220.86, "speed": 1.31183}),
    (b"$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B", 631.0,
     {"place": (44.0689988, -121.3143372), "speed": 0.075109, "date": datetime.date(2017, 1, 10),
      "quality": 1}),
    # per axis: root of the mean of the two variances, (0.9, 0.5) and (0.023, 0.020)
    (b"$GPGST,182141.000,15.5,15.3,7.2,21.8,0.9,0.5,0.8*54", 66101.0, {"sigma": 0.728011}),
    (b"$GPGST,172814.0,0.006,0.023,0.020,273.6,0.023,0.020,0.031*6A", 62894.0, {"sigma": 0.021552}),
    (b"$GPZDA,160012.71,11,03,2004,-1,00*7D", 57612.71, {"date": datetime.date(2004, 3, 11)}),
    (b"$GPGGA,092750.000,5321.6802,N,00630.3372,W,1,8,1.03,61.7,M,55.2,M,,*76", 34070.0,
     {"place": (53.361337, -6.505620), "quality": 1, "satellites": 8, "hdop": 1.03}),
]  # fmt: skip


@pytest.mark.parametrize("line, second, said", SAMPLES, ids=[s[0].decode()[:13] for s in SAMPLES])
def test_published_samples(line, second, said):
    """Every published sample sentence gives the values printed beside it."""
    kind, text = type_and_line(b"1777975200.100 " + line + b"\r\n")
    got_second, got = read_sentence(kind, text)
    assert got_second == second
    said = dict(said)
    if "place" in said:
        assert got["quality"] == said.pop("quality", None)
        # to the 6 decimals printed: 1e-6 degree is 11 cm
        assert got["place"][:2] == pytest.approx(said.pop("place"), abs=6e-7)
    for key, value in said.items():
        if isinstance(value, float):
            value = pytest.approx(value, rel=1e-4)
        assert got[key] == value, key
    assert ("course" in got) == ("course" in said)  # an empty course is no course


def test_a_sentence_of_another_type_is_passed_over():
    """BOD (a published sample) states no place, and makes neither fix nor fault."""
    epochs = NmeaEpoch()
    epochs.feed(b"$GPBOD,045.,T,023.,M,DEST,START*01")
    assert (epochs.finish(), epochs.accepted, epochs.rejected) == ([], 0, 0)


def test_the_pair_the_checksum_cannot_see():
    """Two endings of one gpsd sample have the same checksum; only the one with all fields counts."""
    sound = b"$GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M,,*47"
    _, said = read_sentence("GGA", sound)
    assert said["place"][:2] == pytest.approx((44.069006, -121.314327), abs=6e-7)
    with pytest.raises(ValueError, match=r"1[23] fields"):
        read_sentence("GGA", sound.replace(b",M,,*", b",M*"))


def test_every_reader_is_registered():
    """A function `read_xyz` that nobody registers would leave its sentences unread without a word."""
    readers = {
        name.removeprefix("read_").upper() for name in vars(nmea_sentence) if re.fullmatch("read_[a-z]{3}", name)
    }
    assert readers == set(SENTENCE_TYPES) and len(readers) >= 6


@pytest.mark.parametrize("kind", SENTENCE_TYPES)
def test_every_sentence_has_a_published_sample(kind):
    """Each type that is read stands in the table above."""
    assert any(type_and_line(line)[0] == kind for line, *_ in SAMPLES)


# GGA fix quality and the RMC mode letter of the same meaning (gpsd, "NMEA Revealed", www/NMEA.adoc)
QUALITIES = {0: "N", 1: "A", 2: "D", 3: "P", 4: "R", 5: "F", 6: "E", 7: "M", 8: "S"}


@pytest.mark.parametrize("quality", range(-1, 11))
def test_every_fix_quality(sentence, quality):
    """GGA takes 0 to 8 and nothing beside them; RMC states the same by its letter; 0 is no place."""
    gga = sentence(f"GPGGA,100000,5200.000,N,10600.000,W,{quality},08,0.9,500.0,M,-20.0,M,,").encode()
    if quality not in QUALITIES:
        with pytest.raises(ValueError, match="no such quality"):
            read_sentence("GGA", gga)
        return
    rmc = sentence(f"GPRMC,100000,A,5200.000,N,10600.000,W,5.0,90.0,050526,,,{QUALITIES[quality]}").encode()
    for kind, line in (("GGA", gga), ("RMC", rmc)):
        _, values = read_sentence(kind, line)
        assert values["quality"] == quality
        assert (values["place"] is None) == (quality == 0)


def test_a_sentence_of_128_bytes_is_read_and_one_of_129_is_not(sentence):
    """The limit on both sides; the fields are right in both."""
    body = "GPGGA,100000,5200.{},N,10600.000,W,4,08,0.9,500.0,M,-20.0,M,,"
    spare = 128 - len(sentence(body.format("")).strip())
    assert read_sentence("GGA", sentence(body.format("0" * spare)).encode())[1]["quality"] == 4
    with pytest.raises(ValueError, match="no NMEA sentence"):
        read_sentence("GGA", sentence(body.format("0" * (spare + 1))).encode())


@pytest.mark.parametrize(
    ("field", "good", "bad"),
    [
        (0, ("000000", "235960", "120000.", "120000.123"), ("240000", "126000", "120061", "12000", "1200000")),
        (1, ("9000.000", "0000.001", "5259.999"), ("9000.001", "5260.000", "529.9", "5200.0x")),
        (2, ("N", "S"), ("E", "NS", "n")),
        (3, ("18000.000", "00000.001", "10659.999"), ("18000.001", "10660.000", "1.0")),
        (4, ("E", "W"), ("N", "EW", "w")),
        (6, ("00", "12"), ("x",)),
        (7, ("0.9", ".9", "9.", "99.99"), ("x", "0.9.9", "1e3")),
    ],
)
def test_each_field_of_gga_on_both_sides_of_what_it_may_be(sentence, field, good, bad):
    """The last values that are read and the first that are not."""
    fields = ["100000", "5200.000", "N", "10600.000", "W", "4", "08", "0.9", "500.0", "M", "-20.0", "M", "", ""]
    for text in good + bad:
        body = ",".join([*fields[:field], text, *fields[field + 1 :]])
        if text in good:
            assert read_sentence("GGA", sentence("GPGGA," + body).encode())[1]["place"]
        else:
            with pytest.raises(ValueError):
                read_sentence("GGA", sentence("GPGGA," + body).encode())


@pytest.mark.parametrize(("text", "year"), [("010180", 1980), ("010199", 1999), ("010100", 2000), ("010179", 2079)])
def test_two_digits_of_a_year(sentence, text, year):
    """80 is the pivot: GPS began its weeks in January 1980."""
    line = sentence(f"GPRMC,100000,A,5200.000,N,10600.000,W,5.0,90.0,{text},,,A").encode()
    assert read_sentence("RMC", line)[1]["date"] == datetime.date(year, 1, 1)


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "BD", "GQ", "II", "IN"])
def test_any_talker_is_understood(closed_position, talker):
    """Whatever satellite system or instrument a sentence is signed by, it says the same."""
    decoder = ByteDecoder()
    for second in (0, 1):
        moment = closed_position(talker, "GGA", second) + closed_position(talker, "RMC", second)
        found = decoder.feed(moment, float(second)) + decoder.idle(second + 0.5)
    assert [(heard.fix.lat, heard.fix.quality) for heard in found] == [(52.0, 1)] * 2


@pytest.fixture
def closed_position(sentence):
    """Make GGA or RMC with a talker."""
    bodies = {
        "GGA": "GGA,10000{}.00,5200.00000,N,10600.00000,W,1,08,0.9,500.0,M,-20.0,M,,",
        "RMC": "RMC,10000{}.00,A,5200.00000,N,10600.00000,W,5.0,90.0,050526,,,A",
    }
    return lambda talker, kind, s: sentence(talker + bodies[kind].format(s)).encode()
