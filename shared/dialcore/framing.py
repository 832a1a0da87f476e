"""Frames on the serial line: COBS with a CRC-32, ended by a zero byte.

Consistent Overhead Byte Stuffing: Cheshire and Baker, IEEE/ACM Transactions on
Networking 7(2), 1999. The bytes are laid down in SPEC.md.
"""

from dialcore.compat import Any, crc32

MAX_BODY = 1200  # bytes of a frame's body, before CRC and stuffing


def cobs_encode(data: Any) -> bytes:
    """data without its zero bytes, as bytes; one byte longer, and one more for each 254."""
    out = bytearray()
    pieces = bytes(data).split(b"\x00")
    for piece in pieces[:-1]:
        _group(out, piece)
        out.append(len(piece) % 254 + 1)
        out.extend(piece[len(piece) - len(piece) % 254 :])
    piece = pieces[-1]
    _group(out, piece)
    # A full run at the very end needs no empty group after it.
    if len(piece) % 254 or not piece:
        out.append(len(piece) % 254 + 1)
        out.extend(piece[len(piece) - len(piece) % 254 :])
    return bytes(out)


def _group(out: bytearray, piece: bytes) -> None:
    """Append the full groups of a piece without zeros: 254 bytes, no zero implied after."""
    for at in range(0, len(piece) - 253, 254):
        out.append(255)
        out.extend(piece[at : at + 254])


def cobs_decode(data: Any) -> "bytes | None":
    """Undo cobs_encode; None if data is no COBS."""
    out = bytearray()
    at = 0
    size = len(data)
    while at < size:
        run = data[at]
        end = at + run
        if run == 0 or end > size:
            return None
        chunk = data[at + 1 : end]
        if chunk.find(b"\x00") >= 0:
            return None
        out.extend(chunk)
        at = end
        if run < 255 and at < size:
            out.append(0)
    return bytes(out)


def encode(body: Any) -> bytes:
    """One frame around body, both delimiters with it.

    The leading zero ends whatever noise a line carried before. Raises ValueError for
    a body that no receiver would take.
    """
    if len(body) > MAX_BODY:
        raise ValueError("frame body of %d bytes, at most %d" % (len(body), MAX_BODY))
    check = crc32(body)
    return (
        b"\x00"
        + cobs_encode(bytes(body) + bytes((check >> s) & 255 for s in (0, 8, 16, 24)))
        + b"\x00"
    )


class Decoder:
    """Turns received bytes into frame bodies; a bad frame is counted and consumed.

    It holds at most one longest frame, whatever a peer sends.
    """

    def __init__(self) -> None:
        self._limit = MAX_BODY + 4 + (MAX_BODY + 4) // 254 + 1
        self._buffer = bytearray()
        self._skipping = False
        self.bad = 0

    def received(self, data: Any) -> "list[bytes]":
        """Take bytes as they came; return the list of good bodies they completed."""
        bodies = []  # type: list[bytes]
        first = True
        for piece in bytes(data).split(b"\x00"):
            if not first:
                self._finish(bodies)
            first = False
            if len(self._buffer) + len(piece) > self._limit:
                self._skipping = True
            if self._skipping:
                self._buffer = bytearray()
            else:
                self._buffer.extend(piece)
        return bodies

    def _finish(self, bodies: "list[bytes]") -> None:
        raw = self._buffer
        self._buffer = bytearray()
        if self._skipping:
            self._skipping = False
            self.bad += 1
            return
        if not raw:
            return
        plain = cobs_decode(raw)
        if plain is None or len(plain) < 4:
            self.bad += 1
            return
        body = plain[:-4]
        tail = plain[-4:]
        if crc32(body) != tail[0] | tail[1] << 8 | tail[2] << 16 | tail[3] << 24:
            self.bad += 1
            return
        bodies.append(body)
