"""A stranger's program: written from SPEC.md alone, it imports nothing of ours.

It pulls a board's log over any pair of functions that read and write bytes, and decodes it.
"""

import struct
import time
import zlib

HELLO, STATUS, FETCH, SEAL, BYE, PAGE, REFUSED = 0x01, 0x02, 0x04, 0x05, 0x08, 0x44, 0x7F


# -- frames


def stuff(data):
    """Consistent Overhead Byte Stuffing."""
    out = b""
    data += b"\0"  # a zero more, which the last group then stands for
    while data:
        run = data[: data.index(b"\0")]
        while len(run) >= 254:
            out += b"\xff" + run[:254]
            run, data = run[254:], data[254:]
            if len(data) == 1:
                return out  # a group of 254 bytes that ends the data is not followed by one
        out += bytes([len(run) + 1]) + run
        data = data[len(run) + 1 :]
    return out


def unstuff(data):
    """The data, or None where it is no valid stuffing."""
    out = b""
    while data:
        code, group, data = data[0], data[1 : data[0]], data[data[0] :]
        if len(group) != code - 1:
            return None
        out += group + (b"\0" if code < 255 and data else b"")
    return out


def frame(body):
    return b"\0" + stuff(body + struct.pack("<I", zlib.crc32(body))) + b"\0"


def body_of(between):
    """The body of what stood between two zeros; None for a bad frame."""
    data = unstuff(between) if len(between) <= 1209 else None
    if data is None or len(data) < 4:
        return None
    return data[:-4] if struct.pack("<I", zlib.crc32(data[:-4])) == data[-4:] else None


# -- pages


def decode(page):
    """(number, boot, records): (0x80, device_ms, channel, threshold, rose) for a crossing,
    (tag, device_ms, payload) for any other."""
    assert page[:4] == b"\x44\x4c\x01\x0a"
    number, boot = (int.from_bytes(page[at : at + 4], "little") for at in (4, 8))
    base = int.from_bytes(page[12:20], "little")
    size, count = (int.from_bytes(page[at : at + 2], "little") for at in (20, 22))
    assert len(page) == 24 + size + 4
    assert int.from_bytes(page[-4:], "little") == zlib.crc32(page[:-4])
    rest = iter(page[24:-4])
    tick = 0
    out = []

    def varint():
        value = 0
        for place in range(9):
            byte = next(rest)
            value += (byte & 0x7F) << 7 * place
            if byte < 0x80:
                return value, place + 1
        raise AssertionError("a varint of more than 9 bytes")

    def later(z):
        return z // 2 if z % 2 == 0 else -(z + 1) // 2

    for _ in range(count):
        first, second = next(rest), next(rest)
        if first >= 0x80:
            z = second & 0x0F
            if second & 0x10:
                z += 16 * varint()[0]
            tick += later(z)
            out.append((0x80, base + 10 * tick, first & 0x7F, second >> 5 & 3, second >> 7))
        else:
            z, taken = varint()
            tick += later(z)
            out.append((first, base + 10 * tick, bytes(next(rest) for _ in range(second - taken))))
    assert next(rest, None) is None
    return number, boot, out


# -- talking to a board


class Client:
    """read() gives the bytes that have come, b"" after a moment without any."""

    def __init__(self, read, write, session=0x5AA5):
        self._read, self._write = read, write
        self._session = session
        self._sequence = 40
        self._rest = b""

    def _send(self, kind, payload):
        self._sequence = (self._sequence + 1) % 256
        named = b"" if kind == HELLO else struct.pack("<H", self._session)
        self._write(frame(bytes([kind, self._sequence]) + named + payload))
        return self._sequence

    def _bodies(self):
        *whole, self._rest = (self._rest + self._read()).split(b"\0")
        bodies = [body_of(between) for between in whole if between]
        return [body for body in bodies if body is not None and len(body) >= 2]

    def ask(self, kind, payload=b""):
        """The answer's payload, and those of the pages that came before it."""
        for _ in range(4):
            sequence = self._send(kind, payload)
            pages = []
            until = time.monotonic() + 1
            while time.monotonic() < until:
                for body in self._bodies():
                    if body[1] != sequence:
                        continue
                    if body[0] == PAGE:
                        pages.append(body[4:])
                        until = time.monotonic() + 1
                    elif body[0] == kind | 0x80:
                        return body[2 if kind == HELLO else 4 :], pages
                    elif body[0] == REFUSED:
                        raise AssertionError(body[3:].decode())
        raise AssertionError("no answer")

    def pull(self):
        """{number: page} of all that the board holds, and the board's own number."""
        hello, _ = self.ask(HELLO, struct.pack("<BBHB", 2, 2, self._session, 0))
        self.ask(SEAL)
        status, _ = self.ask(STATUS)
        first, next = struct.unpack_from("<II", status, 12)
        pages = {}
        while first < next:
            told, came = self.ask(FETCH, struct.pack("<IH", first, 32))
            for payload in came:
                pages[int.from_bytes(payload[:4], "little")] = payload[4:]
            looked, sent = struct.unpack_from("<IH", told)
            if sent == len(came):
                first = looked
        self._send(BYE, b"")
        return pages, hello[16:24].hex()
