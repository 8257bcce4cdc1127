"""NMEA 0183 text: only a sound NMEA sentence with a fix is ever a place."""

import itertools
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod

from cabapp.position.fix import is_place
from cabapp.position.protocols.nmea_epoch import NmeaEpoch
from cabapp.position.recordings.trace_reader import read_recording
from store.errors import TraceRefused


def gga(sentence, clock, lat="5200.000", quality=1, lon="10600.000"):
    """One GGA near 52 N 106 W."""
    return sentence(f"GPGGA,{clock},{lat},N,{lon},W,{quality},08,0.9,500.0,M,-20.0,M,,")


def rmc(sentence, clock, date, lat="5200.000", status="A"):
    """One RMC near 52 N 106 W."""
    return sentence(f"GPRMC,{clock},{status},{lat},N,10600.000,W,5.0,90.0,{date},,,A")


@pytest.fixture
def joined():
    """Feed text to a joiner and return it with all its fixes."""

    def feed(text):
        joiner = NmeaEpoch()
        lines = text.encode() if isinstance(text, str) else text
        fixes = [fix for line in lines.split(b"\n") for fix in joiner.feed(line)]
        return joiner, fixes + joiner.finish()

    return feed


def test_gga_and_rmc_of_one_moment_are_one_fix(joined, sentence):
    """GGA gives quality and HDOP, RMC the date, GST the deviation; together one fix."""
    text = (
        gga(sentence, "100000.00", quality=4)
        + sentence("GPGST,100000.00,0.02,0.03,0.02,0.0,0.03,0.04,0.05")
        + rmc(sentence, "100000.00", "050526")
    )
    _, fixes = joined(text)
    assert [(f.t, f.lat, f.lon, f.quality, f.hdop) for f in fixes] == [(1777975200.0, 52.0, -106.0, 4, 0.9)]
    # per axis: the root of the mean of the two variances
    assert fixes[0].sigma == pytest.approx(((0.03**2 + 0.04**2) / 2) ** 0.5)


def test_midnight_between_two_dates(joined, sentence):
    """After midnight GGA alone is a day later, before the next RMC says so."""
    text = rmc(sentence, "235958", "050526") + "".join(
        gga(sentence, clock) for clock in ("235958", "235959", "000000", "000001")
    )
    _, fixes = joined(text)
    assert np.diff([fix.t for fix in fixes]).tolist() == [1.0, 1.0, 1.0]
    assert datetime.fromtimestamp(fixes[-1].t, UTC).isoformat() == "2026-05-06T00:00:01+00:00"


def test_a_date_that_comes_late_is_carried_back_over_midnight(joined, sentence):
    """Fixes before the first date are dated from it, a day earlier on the other side of midnight."""
    text = (
        gga(sentence, "235959")
        + gga(sentence, "000000")
        + sentence("GPZDA,000001,06,05,2026,00,00")
        + gga(sentence, "000001")
    )
    _, fixes = joined(text)
    assert [datetime.fromtimestamp(f.t, UTC).strftime("%d %H%M%S") for f in fixes] == [
        "05 235959",
        "06 000000",
        "06 000001",
    ]


@pytest.mark.parametrize(
    "body",
    [
        "GPGGA,100001,5200.000,N,10600.000,W,0,08,0.9,500.0,M,-20.0,M,,",
        "GPGGA,100001,,,,,1,08,0.9,500.0,M,-20.0,M,,",
        "GPGGA,100001,0000.000,N,00000.000,E,1,08,0.9,500.0,M,-20.0,M,,",
        "GPRMC,100001,V,5200.000,N,10600.000,W,5.0,90.0,050526,,,N",
        "GPRMC,100001,A,5200.000,N,10600.000,W,5.0,90.0,050526,,,N",
    ],
    ids=["quality 0", "empty fields", "0, 0", "status void", "mode N"],
)
def test_no_fix_is_never_a_place(joined, sentence, body):
    """Each way a receiver says it has no fix is a fix without position, quality 0."""
    _, fixes = joined(rmc(sentence, "100000", "050526") + sentence(body))
    assert [fix.has_position for fix in fixes] == [True, False]
    assert fixes[1].quality == 0


def test_one_no_outweighs_one_yes(joined, sentence):
    """Where GGA gives a place and RMC of the same moment is void, there is no position."""
    _, fixes = joined(gga(sentence, "100000") + rmc(sentence, "100000", "050526", status="V"))
    assert [fix.has_position for fix in fixes] == [False]


@pytest.mark.parametrize(
    "line",
    [
        # found in a public test file: 50 computed, 5C printed
        "$GPGST,024603.00,0.010,0.020,0.030,0.000,0.020,0.030,0.050*5C",
        # the checksum cannot see the two fields missing at the end (gpsd sample)
        "$GNGGA,001043.00,4404.14036,N,12118.85961,W,1,12,0.98,1113.0,M,-21.3,M*47",
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*48",
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,",
    ],
    ids=["checksum of GST", "field count", "checksum of GGA", "no checksum"],
)
def test_an_unsound_sentence_is_rejected(joined, line):
    """A wrong or missing checksum or field count makes an NMEA sentence count for nothing."""
    joiner, fixes = joined(line)
    assert (joiner.rejected, fixes) == (1, [])


@pytest.mark.parametrize("field", [("GPGGA,256000,", "clock"), ("GPGGA,1000,", "clock"), ("GPGGA,-10000,", "clock")])
def test_an_impossible_clock_is_rejected(joined, sentence, field):
    """Hour 25, too few digits or a sign is no time of day."""
    body = field[0] + "5200.000,N,10600.000,W,1,08,0.9,500.0,M,-20.0,M,,"
    assert joined(sentence(body))[0].rejected == 1


@pytest.mark.parametrize("lat", ["5260.000", "9100.000", "52.5", "5200.0x"])
def test_an_impossible_latitude_is_rejected(joined, sentence, lat):
    """Sixty minutes, 91 degrees, decimal degrees or a letter is no ddmm.mmm."""
    assert joined(gga(sentence, "100000", lat=lat))[0].rejected == 1


def test_a_line_cut_off_by_the_next_and_a_stamp_before_the_sentence(joined, sentence):
    """The sentence that is whole is read; what stands before its $ is passed over."""
    whole = rmc(sentence, "100000", "050526")
    _, fixes = joined("1777975200.1 $GPGGA,1000" + whole)
    assert [fix.lat for fix in fixes] == [52.0]


def test_a_lone_first_date_releases_nothing_before_it_is_stated_again(sentence):
    """Live, fixes wait for a date stated twice, also when a sentence of its own states the first."""
    epochs = NmeaEpoch(prompt=True)
    lines = [gga(sentence, "100000"), gga(sentence, "100001"), sentence("GPZDA,100001.5,05,05,2026,00,00"),
             gga(sentence, "100002")]  # fmt: skip
    assert [epochs.feed(line.encode()) for line in lines] == [[]] * 4
    found = epochs.feed(sentence("GPZDA,100002.5,05,05,2026,00,00").encode()) + epochs.finish()
    assert [fix.t for fix in found] == [1777975200.0, 1777975201.0, 1777975202.0]


@pytest.fixture
def hdops(sentence):
    """HDOP of 100 epochs with RMC, from a second before midnight on; GSA stands after some of them."""

    def of(hz, gsa_after, prompt):
        epochs, fixes = NmeaEpoch(prompt), []
        for k in range(100):
            when = datetime.fromtimestamp(1778025599 + k / hz, UTC)
            line = rmc(sentence, f"{when:%H%M%S}.{when.microsecond // 10000:02d}", f"{when:%d%m%y}")
            fixes += epochs.feed(line.encode())
            if k in gsa_after:
                fixes += epochs.feed(sentence("GNGSA,A,3,80,71,73,79,69,,,,,,,,1.83,1.09,1.47").encode())
        return [fix.hdop for fix in fixes + epochs.finish()]

    return of


@pytest.mark.parametrize("prompt", [False, True])
@pytest.mark.parametrize("hz", [0.5, 1, 5, 10, 20])
def test_the_hdop_of_gsa_holds_for_a_time_at_every_rate(hdops, hz, prompt):
    """GSA once a second serves every fix, also where one is lost; after the last it holds for 2 s."""
    each_second = range(0, 100, max(1, int(hz)))
    assert hdops(hz, each_second, prompt) == [1.09] * 100
    served = 1 + int(2 * hz)
    assert hdops(hz, [0], prompt) == [1.09] * served + [None] * (100 - served)
    if hz >= 1:
        for lost in each_second[1:]:
            assert hdops(hz, set(each_second) - {lost}, prompt) == [1.09] * 100


def sigmas(sentence, hz, order, prompt, gst=range(300)):
    """Deviations of 30 s of epochs of GGA and RMC; GST stands in some of them, in this order."""
    epochs, fixes = NmeaEpoch(prompt), []
    for k in range(30 * hz):
        when = datetime.fromtimestamp(1778025580 + k / hz, UTC)
        clock = f"{when:%H%M%S}.{when.microsecond // 10000:02d}"
        lines = {"GGA": gga(sentence, clock), "RMC": rmc(sentence, clock, f"{when:%d%m%y}")}
        if k % hz == 0 and k // hz in gst:
            lines["GST"] = sentence(f"GNGST,{clock},,,,,{1 + k // hz / 100:.2f},{1 + k // hz / 100:.2f},1.0")
        for kind in order:
            fixes += epochs.feed(lines.get(kind, "").encode())
    return [fix.sigma and round(fix.sigma * 100 - 100) for fix in fixes + epochs.finish()]


@pytest.mark.parametrize("order", [("GST", "GGA", "RMC"), ("GGA", "GST", "RMC"), ("GGA", "RMC", "GST")])
@pytest.mark.parametrize("hz", [1, 5, 10])
def test_each_fix_has_the_newest_deviation_that_holds(sentence, hz, order):
    """GST once a second, wherever it stands in its epoch: no fix without one, none older than 1 s, live as from a file."""
    live, filed = (sigmas(sentence, hz, order, prompt) for prompt in (True, False))
    assert live == filed and len(live) == 30 * hz
    for k, stated in enumerate(live):
        late = order[-1] == "GST" and hz > 1 and k % hz == 0 and k > 0  # its own epoch's comes after it was given
        assert stated == k // hz - late


@pytest.mark.parametrize("prompt", [False, True])
@pytest.mark.parametrize("order", [("GST", "GGA", "RMC"), ("GGA", "RMC", "GST")])
def test_a_deviation_holds_for_two_seconds(sentence, order, prompt):
    """After the last GST its deviation serves 2 s of fixes, then none; one lost in between is no loss."""
    assert sigmas(sentence, 10, order, prompt, gst=[0]) == [0] * 21 + [None] * 279
    assert None not in sigmas(sentence, 10, order, prompt, gst=range(0, 30, 2))


@pytest.mark.parametrize("prompt", [False, True])
def test_a_deviation_of_an_epoch_before_disturbs_none(sentence, prompt):
    """GST that comes only after the next epoch began leaves that epoch whole; stated as missing, none holds."""
    epochs, fixes = NmeaEpoch(prompt), []
    for n in range(6):
        fixes += epochs.feed(gga(sentence, f"10000{n}").encode())
        if n:
            value = "" if n == 4 else f"{n}.0"
            fixes += epochs.feed(sentence(f"GNGST,10000{n - 1},,,,,{value},{value},1.0").encode())
        fixes += epochs.feed(rmc(sentence, f"10000{n}", "050526").encode())
    fixes += epochs.finish()
    assert [round(fix.t) % 10 for fix in fixes] == list(range(6))
    assert [fix.sigma for fix in fixes] == [None, 1.0, 2.0, 3.0, None, 5.0]


def test_rmc_alone_is_enough(joined, sentence):
    """A logger that writes only RMC gives places, with the quality its mode letter says."""
    body = "GNRMC,100000,A,5200.000,N,10600.000,W,5.0,90.0,050526,,,R"
    _, fixes = joined(sentence(body))
    assert [(fix.lat, fix.quality) for fix in fixes] == [(52.0, 4)]


def test_without_any_date_the_notes_say_so(reading, sentence):
    """GGA alone is read with times of day only, and says so."""
    trace = reading("a.nmea", gga(sentence, "100000") + gga(sentence, "100001"))
    assert trace.tracks[0].t.tolist() == [36000.0, 36001.0]
    assert not trace.dated
    assert "carries no date" in str(trace.notes[0])


def test_records_without_time_break_the_reception(reading, sentence):
    """A receiver that lost even the time leaves a break, and the records are counted."""
    dark = sentence("GPGGA,,,,,,0,,,,M,,M,,")
    text = rmc(sentence, "100000", "050526") + dark * 2 + gga(sentence, "100003")
    trace = reading("a.nmea", text)
    assert (trace.tracks[0].starts.tolist(), trace.dropped) == ([0, 1], 2)


@pytest.mark.parametrize("text", ["$GPGSV,1,1,00*79\n", "$GPGGA,,,,,,0,,,,M,,M,,*66\n", "$GPGGA,junk*00\n"])
def test_a_log_without_a_fix_is_refused(reading, text):
    """No GGA or RMC with a time means nothing to show, in words."""
    with pytest.raises(TraceRefused, match=r"a\.nmea holds no good GGA or RMC"):
        reading("a.nmea", text)


@pytest.fixture(scope="module")
def sound(sentence):
    """A short sound log, a loss in the middle, over midnight."""
    clocks = ("235957", "235958", "235959", "000000", "000001")
    dates = ("050526",) * 3 + ("060526",) * 2
    parts = []
    for n, (clock, date) in enumerate(zip(clocks, dates, strict=True)):
        lat = f"52{n:02d}.000"
        lost = n == 2
        parts.append(gga(sentence, clock, lat, quality=0 if lost else 1))
        parts.append(rmc(sentence, clock, date, lat, status="V" if lost else "A"))
    return "".join(parts).encode()


def fixes_of(data):
    """All fixes in bytes, and where they say the machine was."""
    joiner = NmeaEpoch()
    fixes = list(itertools.chain(*(joiner.feed(line) for line in data.split(b"\n"))))
    return fixes + joiner.finish()


@settings(max_examples=400)
@given(data=st.data())
def test_one_damaged_byte_makes_no_false_place(sound, data):
    """Whatever single byte is changed, lost or doubled, every place was one of the true ones."""
    true = {(fix.t, fix.lat, fix.lon) for fix in fixes_of(sound) if fix.has_position}
    at = data.draw(st.integers(0, len(sound) - 1))
    put = data.draw(st.one_of(st.just(b""), st.just(sound[at : at + 1] * 2), st.binary(min_size=1, max_size=1)))
    found = {(fix.t, fix.lat, fix.lon) for fix in fixes_of(sound[:at] + put + sound[at + 1 :]) if fix.has_position}
    assert len(true) == 4
    assert found <= true


@settings(max_examples=300)
@given(data=st.data())
def test_any_bytes_are_taken_calmly(sound, data):
    """Bytes lost, changed and thrown in anywhere raise nothing, and no fix lies at 0, 0."""
    text = bytearray(sound)
    for _ in range(data.draw(st.integers(0, 5))):
        at = data.draw(st.integers(0, len(text)))
        text[at : at + data.draw(st.integers(0, 40))] = data.draw(st.binary(max_size=40))
    for fix in fixes_of(bytes(text)):
        assert not fix.has_position or (fix.lat, fix.lon) != (0, 0)


@settings(max_examples=100)
@given(body=st.text(st.characters(min_codepoint=32, max_codepoint=126, exclude_characters="$*!")))
def test_a_sound_checksum_on_nonsense_raises_nothing(sentence, body):
    """Fields of nonsense under a right checksum are rejected, or at worst a place on the globe."""
    for kind, fields in (("GPGGA", 14), ("GPRMC", 12), ("GPGST", 8), ("GPZDA", 6)):
        padded = (body.split(",") + [""] * fields)[:fields]
        for fix in fixes_of(sentence(f"{kind},{','.join(padded)}").encode()):
            assert not fix.has_position or is_place(fix.lat, fix.lon)


# fixes by GGA quality and records lost without a time, as counted over the GGA lines by the
# collector of the recordings
REAL = {
    "loss8_then_return.nmea": ({1: 34}, 8),
    "start_lost_fix_lost_fix.nmea": ({0: 9, 1: 16}, 0),
    # one more than the 4 of quality 0: where GGA says 6 (estimated), RMC says void
    "estimated_then_lost_then_return.nmea": ({0: 5, 1: 9}, 0),
    "cold_start_37_then_fix.nmea": ({1: 187}, 37),
    "quality2_to_rtk4.nmea": ({2: 104, 4: 18}, 0),
    "car_sparse.nmea": ({1: 9}, 0),
}


@pytest.mark.parametrize("name", REAL)
def test_real_receivers_losing_and_finding(recordings, name):
    """Fixes and losses of real logs are as counted in their GGA sentences."""
    trace = read_recording(recordings / "nmea" / name)
    counts = {int(q): int(n) for q, n in zip(*np.unique(trace.tracks[0].quality, return_counts=True), strict=True)}
    assert (counts, trace.dropped) == REAL[name]
    assert np.array_equal(np.isnan(trace.tracks[0].lat), trace.tracks[0].quality == 0)


def test_a_real_drive_over_midnight(recordings):
    """A drive of 137.68 km and 4469 fixes passes midnight with recording gaps of 60, 798, 1250 s."""
    trace = read_recording(recordings / "nmea" / "drive_137km_2s_three_gaps.nmea")
    steps = np.diff(trace.tracks[0].t)
    assert len(trace.tracks[0].t) == 4469
    assert steps[steps != 2].tolist() == [60.0, 798.0, 1250.0]
    first, last = (datetime.fromtimestamp(t, UTC).isoformat() for t in trace.tracks[0].t[[0, -1]])
    assert (first, last) == ("2005-09-25T23:52:34+00:00", "2005-09-26T02:56:32+00:00")
    # the collector's sum does not say on what figure of the earth: 0.1 % leaves room for a sphere
    assert Geod(ellps="WGS84").line_length(trace.tracks[0].lon, trace.tracks[0].lat) == pytest.approx(137_680, rel=1e-3)
