"""Framing against published values and the library cobs.

- CRC-32: check value of "123456789", IEEE 802.3 / ITU-T V.42.
- Consistent Overhead Byte Stuffing: Cheshire and Baker, IEEE/ACM Transactions on Networking
  7(2), 1999; the worked example is from memory.
"""

import builtins
import importlib.util
import zlib

import pytest
from cobs import cobs
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dialcore import compat, framing

# Runs with few kinds of bytes, so that zeros and full groups of 254 come up often.
DATA = st.one_of(
    st.binary(max_size=framing.MAX_BODY),
    st.lists(st.sampled_from([b"\0", b"\1", b"x" * 253, b"x" * 254, b"x" * 255]), max_size=5).map(
        b"".join
    ),
)
BODIES = DATA.map(lambda data: data[: framing.MAX_BODY])


def test_crc_32_gives_the_published_check_value():
    assert compat.crc32(b"123456789") == 0xCBF43926


def test_the_bit_by_bit_crc_for_small_builds_is_the_same(monkeypatch):
    real = builtins.__import__

    def without_binascii(name, *rest):
        if name == "binascii":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without_binascii)
    spec = importlib.util.spec_from_file_location("compat_small", compat.__file__)
    small = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(small)
    assert small.crc32 is not compat.crc32
    assert small.crc32(b"123456789") == 0xCBF43926
    assert small.crc32(b"6789", small.crc32(b"12345")) == 0xCBF43926
    for data in (b"", b"\0", bytes(range(256)), b"\xff" * 1024):
        assert small.crc32(data) == zlib.crc32(data)


def test_the_worked_example_of_cheshire_and_baker():
    # The start of an IP packet, from memory.
    plain = bytes.fromhex("45 00 00 2C 4C 79 00 00 40 06 4F 37")
    stuffed = bytes.fromhex("02 45 01 04 2C 4C 79 01 05 40 06 4F 37")
    assert framing.cobs_encode(plain) == stuffed
    assert framing.cobs_decode(stuffed) == plain


# Short packets as descriptions of the code commonly show them, from memory.
@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        ("00", "01 01"),
        ("00 00", "01 01 01"),
        ("11 22 00 33", "03 11 22 02 33"),
        ("11 22 33 44", "05 11 22 33 44"),
        ("11 00 00 00", "02 11 01 01 01"),
    ],
)
def test_short_packets_as_commonly_shown(plain, stuffed):
    assert framing.cobs_encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert framing.cobs_decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


def test_a_run_of_254_costs_one_byte_and_of_255_two():
    # The code FF of Cheshire and Baker: 254 bytes and no zero after them.
    run = bytes(range(1, 256))
    assert framing.cobs_encode(run[:254]) == b"\xff" + run[:254]
    assert framing.cobs_encode(run) == b"\xff" + run[:254] + b"\x02\xff"


@settings(max_examples=200, deadline=None)
@given(DATA)
@example(b"")
@example(b"x" * 254 + b"\0")
def test_stuffing_is_that_of_the_library_cobs(data):
    stuffed = framing.cobs_encode(data)
    assert stuffed == cobs.encode(data)
    assert framing.cobs_decode(stuffed) == data


@settings(max_examples=300, deadline=None)
@given(st.one_of(st.binary(max_size=40), DATA))
def test_unstuffing_takes_and_refuses_what_the_library_cobs_does(data):
    try:
        expected = cobs.decode(data)
    except cobs.DecodeError:
        expected = None
    assert framing.cobs_decode(data) == expected


@settings(max_examples=100, deadline=None)
@given(st.lists(st.binary(max_size=60), max_size=6), st.binary(max_size=30), st.randoms())
def test_a_decoder_finds_every_frame_after_noise(bodies, noise, chance):
    line = noise + b"".join(map(framing.encode, bodies))
    decoder = framing.Decoder()
    got = []
    while line:
        size = chance.randrange(1, 40)
        got += decoder.received(line[:size])
        line = line[size:]
    assert got == bodies


@settings(max_examples=60, deadline=None)
@given(st.lists(BODIES, min_size=1, max_size=2))
@example([bytes(framing.MAX_BODY)])
@example([b"\xff" * framing.MAX_BODY])
def test_a_stream_may_be_cut_at_every_byte(bodies):
    line = b"".join(map(framing.encode, bodies))
    byte_by_byte = framing.Decoder()
    got = []
    for at in range(len(line)):
        got += byte_by_byte.received(line[at : at + 1])
    assert (got, byte_by_byte.bad) == (bodies, 0)
    for at in range(0, len(line), 1 + len(line) // 100):
        decoder = framing.Decoder()
        assert decoder.received(line[:at]) + decoder.received(line[at:]) == bodies
        assert decoder.bad == 0


NOISE = st.one_of(
    st.binary(max_size=80),
    st.integers(0, 5000).map(bytes),  # floods of zeros
    st.integers(1205, 4000).map(lambda size: b"\x07" * size),  # and of anything but zeros
    BODIES.map(lambda body: framing.encode(body)[:-3]),  # frames cut short
)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(NOISE, st.binary(max_size=300)), max_size=5), st.integers(1, 2000))
def test_noise_of_any_kind_costs_no_frame_after_it_and_no_room(pieces, step):
    line = b"".join(noise + framing.encode(body) for noise, body in pieces)
    decoder = framing.Decoder()
    got = []
    for at in range(0, len(line), step):
        got += decoder.received(line[at : at + step])
        assert len(decoder._buffer) <= 1209
    # The noise may hold frames of its own; ours are there in their order all the same.
    rest = iter(got)
    assert all(body in rest for _, body in pieces)


@pytest.mark.parametrize("size", [1208, 1209, 1210, 1211, 5000])
def test_the_longest_frame_passes_and_nothing_longer_is_held(size):
    decoder = framing.Decoder()
    decoder.received(b"\x00" + b"\xff" * size)
    assert len(decoder._buffer) == (size if size <= 1209 else 0)
    longest = bytes(k % 255 + 1 for k in range(framing.MAX_BODY))
    frame = framing.encode(longest)
    assert len(frame) == 1209 + 2
    assert decoder.received(frame) == [longest]
    assert decoder.bad == 1
