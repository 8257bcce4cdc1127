"""Pieces of trace come back as they went in, and small."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from store.traces.trace_codec import MAX_COUNT, join, lengths_of, make_trace, pack, unpack
from store.traces.varint import InvalidEncoding, unpacked, unzigzag, varints, zigzag


def test_zigzag_is_that_of_the_protocol_buffers_guide():
    """Signed numbers fold as in the table "ZigZag encoding" of the Protocol Buffers guide.

    Source: protobuf.dev, Programming Guides, Encoding, "Signed Integers".
    """
    original = np.array([0, -1, 1, -2, 0x7FFFFFFF, -0x80000000], dtype=np.int64)
    encoded = [0, 1, 2, 3, 0xFFFFFFFE, 0xFFFFFFFF]
    assert zigzag(original).tolist() == encoded
    assert unzigzag(np.array(encoded, dtype=np.uint64)).tolist() == original.tolist()


@pytest.mark.parametrize(("number", "hexes"), [(1, "01"), (150, "9601"), (2**64 - 2, "feffffffffffffffff01")])
def test_varints_are_those_of_the_protocol_buffers_guide(number, hexes):
    """1, 150, and -2 as an unsigned 64-bit number have the bytes the guide prints.

    Source: protobuf.dev, Programming Guides, Encoding, "Base 128 Varints", "Signed Integers".
    """
    assert varints(np.array([number], dtype=np.uint64)).hex() == hexes
    assert zigzag(unpacked(bytes.fromhex(hexes))).tolist() == [number]


@given(st.lists(st.integers(-(2**63), 2**63 - 1)))
def test_any_whole_numbers_come_back(numbers):
    """Zig-zag and varints lose nothing of any 64-bit numbers."""
    values = np.array(numbers, dtype=np.int64)
    assert unpacked(varints(zigzag(values))).tolist() == numbers


OLD_PIECE = "525401030278da011b00e4ffc8010080c8f4ef03fdc7f4ef03ffc3f2f20780c4f2f20766000a00e2c00eee"


fixes = st.lists(
    st.tuples(
        st.floats(-7e9, 7e9),
        st.one_of(st.none(), st.tuples(st.floats(-90, 90), st.floats(-180, 180))),
        st.one_of(st.just(np.nan), st.floats(0, 1000)),
        st.integers(-1, 9),
        st.one_of(st.just(np.nan), st.floats(0, 99.99)),
    ),
    max_size=40,
)


@settings(max_examples=200)
@given(fixes)
def test_any_trace_comes_back_to_the_last_digit_kept(drawn):
    """Time is exact to 0.01 s, position to 1e-7 degree, sigma to 1 cm, HDOP to 0.01; what is missing stays so."""
    t = [f[0] for f in drawn]
    lat = [np.nan if f[1] is None else f[1][0] for f in drawn]
    lon = [np.nan if f[1] is None else f[1][1] for f in drawn]
    trace = make_trace(t, lat, lon, *([f[k] for f in drawn] for k in (2, 3, 4)))
    back = unpack(pack(trace))
    for name, unit in (("t", 100), ("lat", 10**7), ("lon", 10**7), ("sigma", 100), ("hdop", 100)):
        given_, got = np.rint(getattr(trace, name) * unit), np.rint(getattr(back, name) * unit)
        np.testing.assert_array_equal(got, given_)
        off = np.abs(getattr(back, name) - getattr(trace, name))
        assert not np.any(off > 0.5001 / unit + 1e-6 * (name == "t"))
    np.testing.assert_array_equal(back.quality, trace.quality)
    again = unpack(pack(back))
    for name, values in vars(back).items():
        np.testing.assert_array_equal(getattr(again, name), values, strict=True)


def test_a_noisy_trace_takes_little_room(drive, record_property, capsys):
    """A 10 Hz trace with receiver noise costs at most 1.3 bytes a fix, sealed every 5 minutes."""
    t, lat, lon = drive(36_000)
    parts = [pack(make_trace(*(v[i : i + 3000] for v in (t, lat, lon)))) for i in range(0, 36_000, 3000)]
    per_fix = sum(map(len, parts)) / len(t)
    with capsys.disabled():
        print(f"\n  packed trace: {per_fix:.2f} bytes a fix")
    record_property("bytes_a_fix", per_fix)
    assert per_fix <= 1.3
    assert np.abs(join(map(unpack, parts)).lat - lat).max() <= 0.5e-7 + 1e-14


def test_an_hdop_costs_a_newer_layout_only_where_it_is(drive):
    """Without an HDOP the bytes are those of layout 1; with one of layout 2, beyond 99.99 kept as that."""
    t, lat, lon = drive(300)
    plain, stated = make_trace(t, lat, lon), make_trace(t, lat, lon, hdop=np.full(300, 250.0))
    assert pack(plain)[:4] == b"RT\x01\x00" and pack(stated)[:4] == b"RT\x02\x08"
    assert set(unpack(pack(stated)).hdop) == {99.99} and np.isnan(unpack(pack(plain)).hdop).all()
    for head in (b"RT\x01\x08", b"RT\x02\x10", b"RT\x03\x00"):
        with pytest.raises(InvalidEncoding, match="newer program"):
            unpack(head + pack(stated)[4:])


def test_a_piece_of_layout_1_states_no_hdop():
    """The bytes that the program before layout 2 made of two fixes are read as they were meant."""
    old = bytes.fromhex(OLD_PIECE)
    back = unpack(old)
    assert back.t.tolist() == [1.0, 2.0] and back.lat.tolist() == [52.0, 52.0000001]
    assert back.sigma.tolist() == [0.5, 0.5] and back.quality.tolist() == [4, 4] and np.isnan(back.hdop).all()
    assert pack(back) == old


def test_cut_or_altered_pieces_are_noticed(drive):
    """A piece of trace cut anywhere, or with any one byte altered, never decodes to other fixes."""
    trace = make_trace(*drive(50))
    piece = pack(trace)
    for end in range(len(piece)):
        with pytest.raises(InvalidEncoding):
            unpack(piece[:end])
    for place in range(len(piece)):
        for flip in (1, 0x80):
            altered = bytearray(piece)
            altered[place] ^= flip
            try:
                back = unpack(bytes(altered))
            except InvalidEncoding:
                continue
            # Two of the bits in zlib's own header say nothing about the content.
            np.testing.assert_array_equal(back.lat, unpack(piece).lat)


def test_many_pieces_are_judged_as_each_alone(drive):
    """Of pieces looked at together one bad one is refused exactly where `unpack` refuses it alone."""
    t, lat, lon = drive(300)
    some = [make_trace(t[:n], lat[:n], lon[:n]) for n in (0, 1, 90, 90, 300)]
    some.append(make_trace(t[:90], lat[:90], lon[:90], np.full(90, 0.5), np.full(90, 4)))
    some.append(make_trace(t[:90], lat[:90], lon[:90], None, np.full(90, 4), np.full(90, 0.9)))
    pieces = [pack(one) for one in some]
    assert lengths_of(pieces) == [len(unpack(piece)) for piece in pieces] == [0, 1, 90, 90, 300, 90, 90]
    chance, refused = np.random.default_rng(3), 0
    for n in range(600):
        which, altered = n % len(pieces), bytearray(pieces[n % len(pieces)])
        altered[chance.integers(len(altered))] ^= 1 << chance.integers(8)
        try:
            alone = len(unpack(bytes(altered)))
        except InvalidEncoding:
            alone, refused = None, refused + 1
        among = [*pieces[:which], bytes(altered), *pieces[which + 1 :]]
        try:
            assert lengths_of(among)[which] == alone
        except InvalidEncoding:
            assert alone is None
    assert 500 < refused < 600


def test_a_piece_that_swells_is_not_unpacked():
    """A few bytes that would unpack to far more fixes than they claim are refused."""
    import zlib

    bomb = b"RT\x01\x00\x01" + zlib.compress(bytes(50_000_000))
    with pytest.raises(InvalidEncoding):
        unpack(bomb)
    with pytest.raises(InvalidEncoding, match="too many"):
        unpack(b"RT\x01\x00" + varints(np.array([MAX_COUNT + 1], dtype=np.uint64)) + b"x")


def test_impossible_fixes_are_not_taken():
    """A latitude beyond the pole, an endless time, an HDOP below 0, columns of unequal length: ValueError."""
    for bad in (
        ([0.0], [90.1], [0.0]),
        ([np.inf], [0.0], [0.0]),
        ([np.nan], [0.0], [0.0]),
        ([0.0], [0.0], []),
        ([0.0], [0.0], [0.0], None, None, [-1.0]),
    ):
        with pytest.raises(ValueError):
            make_trace(*bad)
