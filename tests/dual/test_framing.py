"""Framing and messages: what is sent is received, and nothing else is."""

from dialcore import framing, messages
from dialcore.compat import crc32, unpack


class Chance:
    """A small generator of numbers, the same on both runtimes (constants of MINSTD)."""

    def __init__(self, seed):
        self.state = seed * 2 + 1

    def below(self, n):
        self.state = self.state * 48271 % 2147483647
        return self.state % n

    def bytes(self, size, kinds=256):
        return bytes([self.below(kinds) for _ in range(size)])


def raises(error, call, *arguments):
    try:
        call(*arguments)
    except error:
        return True
    return False


def test_cobs_of_the_cases_that_matter():
    run = bytes(range(1, 255))
    for plain, stuffed in (
        (b"", b"\1"),
        (b"\0", b"\1\1"),
        (b"\0\0", b"\1\1\1"),
        (b"a", b"\2a"),
        (b"a\0", b"\2a\1"),
        (b"\0a", b"\1\2a"),
        (run, b"\xff" + run),
        (run + b"\0", b"\xff" + run + b"\1\1"),
        (b"\0" + run, b"\1\xff" + run),
        (run + b"a", b"\xff" + run + b"\2a"),
        (run + run, b"\xff" + run + b"\xff" + run),
        (run[1:] + b"\0" + b"a", b"\xfe" + run[1:] + b"\2a"),
    ):
        assert framing.cobs_encode(plain) == stuffed
        assert framing.cobs_decode(stuffed) == plain


def test_cobs_of_anything_comes_back_without_a_zero_in_between():
    chance = Chance(1)
    for size in list(range(40)) + [253, 254, 255, 507, 508, 509, 762, 1204]:
        for kinds in (1, 2, 256):
            plain = chance.bytes(size, kinds)
            stuffed = framing.cobs_encode(plain)
            assert 0 not in stuffed
            assert len(stuffed) <= size + size // 254 + 1
            assert framing.cobs_decode(stuffed) == plain
            assert framing.cobs_decode(bytearray(stuffed)) == plain


def test_what_is_no_cobs_is_refused():
    for bad in (b"\0", b"\2", b"\3a", b"\2a\0", b"\3a\0", b"\2a\5bcd", b"\xff" + b"x" * 253):
        assert framing.cobs_decode(bad) is None, bad


def test_a_frame_carries_its_body_between_two_zeros():
    frame = framing.encode(b"ab")
    check = crc32(b"ab")
    tail = bytes((check & 255, check >> 8 & 255, check >> 16 & 255, check >> 24))
    assert frame == b"\0" + framing.cobs_encode(b"ab" + tail) + b"\0"
    assert framing.encode(bytearray(b"ab")) == framing.encode(memoryview(b"ab")) == frame


def test_bodies_come_out_however_the_bytes_are_cut():
    chance = Chance(2)
    bodies = [chance.bytes(chance.below(300), 3) for _ in range(12)] + [b"", bytes(1200)]
    line = b"".join([framing.encode(body) for body in bodies])
    for step in (1, 2, 7, 100, len(line)):
        decoder = framing.Decoder()
        got = []
        for at in range(0, len(line), step):
            got += decoder.received(line[at : at + step])
        assert got == bodies
        assert decoder.bad == 0


def test_frames_may_share_a_zero():
    decoder = framing.Decoder()
    one = framing.encode(b"one")
    two = framing.encode(b"two")
    assert decoder.received(one + two[1:]) == [b"one", b"two"]
    assert decoder.bad == 0


def test_a_single_flipped_bit_never_passes():
    body = b"\x82\x07" + bytes(range(20))
    frame = framing.encode(body)
    for at in range(len(frame)):
        for bit in range(8):
            bent = bytearray(frame)
            bent[at] ^= 1 << bit
            decoder = framing.Decoder()
            assert decoder.received(b"\0" + bytes(bent) + b"\0") == []
            assert decoder.bad >= 1
            assert decoder.received(framing.encode(b"next")) == [b"next"]


def test_noise_costs_its_own_frame_only():
    decoder = framing.Decoder()
    good = framing.encode(b"good")
    assert decoder.received(b"noise" + good) == [b"good"]
    assert decoder.bad == 1
    assert decoder.received(good[:4]) == []  # cut short, then sent anew
    assert decoder.received(good + good) == [b"good", b"good"]
    assert decoder.bad == 2


def test_a_frame_longer_than_any_is_dropped_without_being_held():
    decoder = framing.Decoder()
    for _ in range(40):
        assert decoder.received(b"\1" * 1000) == []
    assert len(decoder._buffer) <= 1209
    assert decoder.received(framing.encode(b"good")) == [b"good"]
    assert decoder.bad == 1


def test_a_body_too_long_to_receive_is_not_sent():
    longest = b"\1" * framing.MAX_BODY
    assert framing.Decoder().received(framing.encode(longest)) == [longest]
    assert raises(ValueError, framing.encode, longest + b"\1")


def test_crc_goes_on_where_it_left_off():
    assert crc32(b"6789", crc32(b"12345")) == crc32(b"123456789") == 0xCBF43926


def test_messages_come_back_as_packed():
    assert messages.body(messages.STATUS, 9, session=0x0605) == b"\2\x09\5\6"
    assert messages.body(messages.SEAL, 1, b"xy", 7) == b"\5\1\7\0xy"
    assert messages.split(b"\5\1\7\1xy") == (messages.SEAL, 1, 0x0107, b"xy")
    for kind in (messages.HELLO, messages.HELLO | messages.ANSWER, messages.REFUSED):
        assert messages.body(kind, 1, b"xy", 7) == bytes((kind, 1)) + b"xy"
        assert messages.split(bytes((kind, 1)) + b"xy") == (kind, 1, None, b"xy")
    for short in (b"\5\1", b"\5\1\7"):
        assert messages.split(short) == (messages.SEAL, 1, 0, b"")
    assert messages.unpack_ask_hello(messages.pack_ask_hello(0x0605, True)) == (2, 2, 0x0605, 1)
    assert messages.unpack_ask_hello(b"\1\4") == (1, 4, None, None)
    packed = messages.pack_hello(
        33, 7, 1 << 40, b"boarduid", b"dialhash", 131072, "0.1.0", "MicroPython", ""
    )
    assert messages.unpack_hello(packed) == (
        (2, 2, 1, 33, 7, 1 << 40, b"boarduid", b"dialhash", 131072)
        + (b"0.1.0", b"MicroPython", b"")
    )
    fields = (7, 1 << 40, 1, 2, 3, 4, 5, 6, 7, 8, 9, 1, 33, 10000)
    assert messages.unpack_status(messages.pack_status(*fields)) == fields
    mark = (7, 1 << 40, -(1 << 50), 900)
    assert messages.unpack_mark(messages.pack_mark(*mark)) == mark
    assert messages.unpack_fetch(messages.pack_fetch(1 << 31, 32)) == (1 << 31, 32)
    assert messages.unpack_number(messages.pack_number(77)) == 77
    live = messages.pack_live(7, 123, 1, 5, 40000, 3, b"\xe4\1")
    assert messages.unpack_live(live) == (7, 123, 1, 5, 40000, 3, b"\xe4\1")


def test_later_versions_may_add_fields_and_short_ones_are_refused():
    mark = messages.pack_mark(1, 2, 3, 4)
    assert messages.unpack_mark(mark + b"more") == (1, 2, 3, 4)
    for unpacker in (
        messages.unpack_hello,
        messages.unpack_status,
        messages.unpack_mark,
        messages.unpack_fetch,
        messages.unpack_number,
        messages.unpack_live,
    ):
        assert raises(ValueError, unpacker, b"")
        assert raises(ValueError, unpacker, b"\1\2\3")
    assert unpack("<H", memoryview(b"\1\2\3")) == (0x0201,)


def test_texts_are_cut_to_what_a_message_may_hold():
    packed = messages.pack_hello(1, 1, 1, bytes(8), bytes(8), 0, "v" * 99, "r", "t")
    assert messages.unpack_hello(packed)[9:] == (b"v" * 60, b"r", b"t")
    # Texts that are cut off on the way read as far as they go.
    assert messages.unpack_hello(packed[:-2])[9:] == (b"v" * 60, b"r", b"")
