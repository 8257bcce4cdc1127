"""Bytes to fixes, whatever happens to the bytes on the way."""

import itertools
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabapp.position.protocols.byte_decoder import EARLIEST, LONGEST_LINE, WEEKS, ByteDecoder

T0 = 1_779_000_000.0
METRE = 1 / 111_195  # degrees of latitude


def fed(chunks, decoder=None):
    """Feed (bytes, arrival) pairs; return the decoder and all it gave."""
    decoder = decoder or ByteDecoder()
    found = []
    for data, at in chunks:
        found += decoder.feed(data, at)
    return decoder, found + decoder.idle(at + 9.0)


@pytest.fixture(scope="module")
def stream(told_by_a_receiver):
    """Moments of a drive north at 2.5 m/s, ten a second: (bytes, arrival) pairs."""

    def make(n, hz=10, late=0.05, start=T0, **said):
        return [
            (told_by_a_receiver(start + k / hz, 47.0 + 2.5 * k / hz * METRE, -30.0, **said), start + k / hz + late)
            for k in range(n)
        ]

    return make


def test_a_fix_is_given_as_soon_as_its_last_byte_is_there(stream):
    """From the second moment on nothing waits for the next: each fix comes with its own bytes."""
    decoder = ByteDecoder()
    given = [len(decoder.feed(data, at)) for data, at in stream(20, kinds=("GGA", "GST", "RMC"))]
    # the first is given with the second: until then nobody knows what belongs to a moment, and the
    # date has been said but once
    assert given == [0, 2] + [1] * 18


def test_the_latency_of_a_fix_is_its_arrival_less_its_moment(stream):
    """What arrives 50 ms after its moment has a latency of 50 ms."""
    _, found = fed(stream(20))
    assert [heard.latency for heard in found[1:]] == pytest.approx([0.05] * 19, abs=1e-6)


@settings(max_examples=60)
@given(data=st.data())
def test_bytes_cut_anywhere_give_the_same_fixes(stream, data):
    """However the bytes are cut into pieces, the fixes are the same."""
    chunks = stream(12, kinds=("GGA", "VTG", "RMC", "GSA"))
    whole = [heard.fix for heard in fed(chunks)[1]]
    cut = []
    for text, at in chunks:
        places = sorted(data.draw(st.lists(st.integers(0, len(text)), max_size=6)))
        edges = [0, *places, len(text)]
        cut += [(text[a:b], at) for a, b in itertools.pairwise(edges)]
    assert [heard.fix for heard in fed(cut)[1]] == whole
    assert len(whole) == 12


@pytest.mark.parametrize("kinds", [("GGA",), ("RMC",), ("RMC", "GSA"), ("GGA", "ZDA"), ("GST", "RMC", "GGA")])
def test_whatever_sentences_a_receiver_is_set_to(stream, kinds):
    """GGA alone, RMC alone or any mixture in any order gives a fix each moment.

    All but the first: told by one sentence it is borne out only by the second.
    """
    _, found = fed(stream(40, kinds=kinds))
    alone = not {"GGA", "RMC"} <= set(kinds)
    assert [heard.fix.t for heard in found] == pytest.approx([T0 + k / 10 for k in range(alone, 40)], abs=0.006) or (
        # without any date the first seconds wait for one, and come together
        kinds == ("GGA",) and len(found) == 39
    )


def test_rmc_once_a_second_between_ten_gga(stream, told_by_a_receiver):
    """Where RMC comes more seldom than GGA, every moment is given, none later than the next.

    Those before the date was said twice come when it is.
    """
    chunks = [(data if k % 10 == 0 else data.split(b"$GNRMC")[0], at) for k, (data, at) in enumerate(stream(100))]
    decoder = ByteDecoder()
    found = [heard for data, at in chunks for heard in decoder.feed(data, at)]
    assert len(found) >= 97
    assert max(heard.latency for heard in found[11:]) < 0.16


def test_hdop_of_gsa_serves_where_gga_is_missing(stream):
    """With RMC and GSA only, the dilution of GSA comes with the fix."""
    _, found = fed(stream(5, kinds=("GSA", "RMC")))
    assert {heard.fix.hdop for heard in found} == {0.7}


@pytest.mark.parametrize("rolls", [1, 2])
def test_a_receiver_that_lost_count_of_the_weeks(stream, rolls):
    """A date 1024 weeks or twice as many too early is brought forward to the true second."""
    chunks = [(data, at + rolls * WEEKS) for data, at in stream(5, start=T0 - rolls * WEEKS)]
    _, found = fed(chunks)
    assert [heard.fix.t for heard in found] == pytest.approx([T0 + k / 10 for k in range(5)], abs=0.006)
    assert all(heard.fix.t > EARLIEST for heard in found)


def test_over_midnight_without_a_date_in_between(stream):
    """GGA alone goes on into the next day, dated by the RMC of the evening."""
    midnight = 1_779_062_400.0  # 2026-05-18T00:00:00Z
    evening = stream(20, hz=1, start=midnight - 10)
    chunks = [(data if k < 9 else data.split(b"$GNRMC")[0], at) for k, (data, at) in enumerate(evening)]
    _, found = fed(chunks)
    times = [heard.fix.t for heard in found]
    # told by one sentence where two were usual, some are passed over until that is the usual
    assert times[-1] == midnight + 9 and min(np.diff(times)) == 1.0


def test_a_clock_never_dated_takes_the_day_of_the_tablet(stream):
    """GGA alone, over midnight, is dated by arrival, on the right side of midnight."""
    midnight = 1_779_062_400.0
    _, found = fed(stream(20, hz=1, start=midnight - 5, kinds=("GGA",)))
    times = [heard.fix.t for heard in found]
    assert times == [midnight - 5 + k for k in range(20 - len(times), 20)] and len(times) >= 17


def test_zeros_are_never_a_place(closed_sentence):
    """A receiver that sends zeros for "nowhere" gives fixes without a place."""
    text = b"".join(
        closed_sentence(f"GPGGA,1000{s:02d},0000.0000,N,00000.0000,E,1,00,,,M,,M,,")
        + closed_sentence(f"GPRMC,1000{s:02d},A,0000.0000,N,00000.0000,E,0.0,,160526,,,A")
        for s in range(5)
    )
    _, found = fed([(text, 1_778_925_605.0)])
    assert found and not any(heard.fix.has_position for heard in found)


def test_two_digits_exchanged_pass_the_checksum_and_still_make_no_place(stream):
    """Exchanged bytes leave the checksum right; the other sentence of the moment gives them away."""
    chunks = stream(10)
    data, at = chunks[6]
    place = data.index(b"4700.")
    digits = bytearray(data)
    digits[place + 8], digits[place + 9] = digits[place + 9], digits[place + 8]
    assert bytes(digits) != data
    chunks[6] = bytes(digits), at
    decoder, found = fed(chunks)
    assert decoder.rejected == 0
    assert [heard.fix.has_position for heard in found] == [True] * 6 + [False] + [True] * 3


def test_a_leap_no_machine_makes_is_passed_over_until_borne_out(stream, told_by_a_receiver):
    """One place a kilometre off is dropped; a receiver that stays there is believed at the second."""
    chunks = stream(10)
    off = [(told_by_a_receiver(T0 + k / 10, 47.01, -30.0), T0 + k / 10 + 0.05) for k in range(10, 20)]
    _, found = fed([*chunks[:5], off[0], *stream(30)[11:20]])
    assert not any(heard.fix.lat > 47.005 for heard in found)
    _, found = fed([*chunks, *off])
    assert sum(heard.fix.lat > 47.005 for heard in found) == 9


@pytest.mark.parametrize("noise", ["binary", "half lines", "an endless line", "empty fields", "too long"])
def test_noise_between_the_sentences(stream, closed_sentence, noise):
    """Binary, cut sentences, a line without end, empty or overlong sentences cost no good fix."""
    rng = random.Random(5)
    rubbish = {
        "binary": lambda: bytes(rng.randrange(256) for _ in range(60)) + b"\n",
        "half lines": lambda: b"$GNGGA,100000.00,4700.0" + (b"\r\n" if rng.random() < 0.5 else b""),
        "an endless line": lambda: b"x" * (LONGEST_LINE + 5) + b"\n",
        "empty fields": lambda: closed_sentence("GNGGA,,,,,,0,,,,M,,M,,") + closed_sentence("GNRMC,,V,,,,,,,,,,N"),
        "too long": lambda: closed_sentence("GNGGA," + "1" * 120 + ",4700.0,N,3000.0,W,4,9,1,1,M,1,M,,"),
    }[noise]
    chunks = stream(50)
    _, found = fed([(rubbish() + data, at) for data, at in chunks])
    assert [heard.fix for heard in found] == [heard.fix for heard in fed(chunks)[1]]


def test_a_sentence_longer_than_the_standard_allows_is_still_one(closed_sentence):
    """82 bytes are too few for a place to a millimetre; up to 128 with a right checksum are taken."""

    def at(second):
        return closed_sentence(
            f"GNGGA,1000{second:02d}.000,4700.123456789,N,03000.123456789,W,4,12,0.71,1012.345,M,-20.123,M,1.0,0123"
        ) + closed_sentence(f"GNRMC,1000{second:02d}.000,A,4700.123456789,N,03000.123456789,W,0.0,,160526,,,R")

    assert len(at(0).split(b"\r\n")[0]) > 82
    _, found = fed([(at(second), 1_778_925_600.0 + second) for second in range(3)])
    assert [heard.fix.lat for heard in found] == pytest.approx([47.0 + 0.123456789 / 60] * 3, abs=1e-12)


def mutated(line, rng):
    """Damage a line in one of the ways cables and memories do."""
    line = bytearray(line)
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        at = rng.randrange(len(line))
        way = rng.randrange(6)
        if way == 0:
            line[at] = rng.randrange(256)
        elif way == 1:
            del line[at]
        elif way == 2:
            line.insert(at, rng.randrange(256))
        elif way == 3:
            line[at] ^= 1 << rng.randrange(8)
        elif way == 4:
            other = rng.randrange(len(line))
            line[at], line[other] = line[other], line[at]
        else:
            del line[at : at + rng.randrange(1, 30)]
        if not line:
            return b"\n"
    return bytes(line)


@pytest.mark.parametrize("wanted", [0.1, pytest.param(1, marks=pytest.mark.long)])
@pytest.mark.parametrize("share, seed", [(0.1, 1), (0.5, 2), (1.0, 3)])
def test_a_hundred_thousand_damaged_lines(told_by_a_receiver, share, seed, wanted):
    """No exception and no false fix, with a tenth, half or all lines damaged: 10,000, and 100,000 in the long run.

    False is a place more than 5 cm from where the machine was at the time stated.
    """
    rng = random.Random(seed)
    wanted *= {0.1: 5_000, 0.5: 35_000, 1.0: 60_000}[share]
    decoder, found, damaged, k = ByteDecoder(), [], 0, 0
    while damaged < wanted:
        t = T0 + k / 10
        lines = told_by_a_receiver(t, 47.0 + 2.5 * k / 10 * METRE, -30.0, kinds=("GGA", "RMC", "GST")).splitlines(True)
        for n, line in enumerate(lines):
            if rng.random() < share:
                lines[n] = mutated(line, rng)
                damaged += 1
        found += decoder.feed(b"".join(lines), t + 0.02)
        k += 1
    placed = [heard.fix for heard in found if heard.fix.has_position]
    for fix in placed:
        assert abs(fix.lat - (47.0 + 2.5 * (fix.t - T0) * METRE)) < 0.05 * METRE, fix
        assert abs(fix.lon + 30.0) < 1e-6, fix
    # and the sound ones are not thrown away with the rest
    if share == 0.1:
        assert len(placed) > 0.7 * k


def test_a_roll_over_changes_the_time_alone(stream):
    """Deviation, quality, HDOP and place of a fix brought forward are those of the sentences; each counts once."""
    kinds = ("GGA", "GST", "RMC")
    chunks = [(data, at + WEEKS) for data, at in stream(5, start=T0 - WEEKS, kinds=kinds)]
    decoder, found = fed(chunks)
    plain = fed(stream(5, kinds=kinds))[1]
    assert [timed.fix for timed in found] == [timed.fix for timed in plain] and plain[0].fix.hdop == 0.7
    assert plain[0].fix.sigma == pytest.approx(0.02) and decoder.records == 15
