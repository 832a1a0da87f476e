"""What host and board say to each other inside a frame. Laid down byte by byte in SPEC.md.

A body is: type (1 byte), sequence (1 byte, echoed in the answer), session (2 bytes, but
not in HELLO, its answer and REFUSED), payload, all little-endian. An answer's type is the
request's with the top bit set. Unpackers take the payload and raise ValueError when it is
too short; longer is allowed, so that a later version can add fields at the end.
"""

import struct

from dialcore.compat import Any, const, unpack

PROTOCOL = const(2)

HELLO = const(0x01)
STATUS = const(0x02)
MARK = const(0x03)
FETCH = const(0x04)
SEAL = const(0x05)
STREAM = const(0x06)
RELEASE = const(0x07)
BYE = const(0x08)
TRACE = const(0x09)
PROBE = const(0x0A)
CHECK = const(0x0B)
ANSWER = const(0x80)  # added to a request's type
PAGE = const(0x44)  # one page, between FETCH and its answer
LIVE = const(0x46)  # one look at the channels, unasked while streaming
TRACED = const(0x49)  # one look on the bench, unasked while tracing
REFUSED = const(0x7F)  # a request could not be met: code, text

BAD_REQUEST = const(1)
UNKNOWN_REQUEST = const(2)
NO_COMMON_VERSION = const(3)
STORAGE_FAULT = const(4)
BUSY = const(5)
NO_SESSION = const(6)

FETCH_PAGES = const(32)  # a FETCH brings at most so many
FETCHES = const(4)  # and so many of them may be under way
SESSION_MS = const(10000)  # a session as long silent gives way to another

_ASK_HELLO = "<BB"
_SESSION = "<HB"
_HELLO = "<BBBBIQ8s8sI"
_STATUS = "<IQIIIIIIIIHBBI"
_MARK = "<IQqI"
_FETCH = "<IH"
_LIVE = "<IQBBHH"
_TRACED = "<IQBBHHB"


def _text(value: str) -> bytes:
    raw = value.encode()[:60]
    return bytes((len(raw),)) + raw


def _texts(payload: Any, at: int, count: int) -> "list[bytes]":
    out = []
    for _ in range(count):
        size = payload[at] if at < len(payload) else 0
        out.append(bytes(payload[at + 1 : at + 1 + size]))
        at += 1 + size
    return out


def body(kind: int, sequence: int, payload: bytes = b"", session: int = 0) -> bytes:
    """A frame body. HELLO, its answer and REFUSED, which every version reads alike, name
    no session."""
    if _names_session(kind):
        return bytes((kind, sequence, session & 255, session >> 8)) + payload
    return bytes((kind, sequence)) + payload


def split(said: Any) -> Any:
    """(kind, sequence, session, payload) of a body of two bytes or more; session is None in
    what names none, and 0 where it is cut off."""
    kind = int(said[0])
    if _names_session(kind):
        session = said[2] | said[3] << 8 if len(said) > 3 else 0
        return kind, said[1], session, said[4:]
    return kind, said[1], None, said[2:]


def _names_session(kind: int) -> bool:
    return kind not in (HELLO, HELLO | ANSWER, REFUSED)


def pack_ask_hello(session: int, alone: bool) -> bytes:
    """HELLO: the protocol versions the host speaks; its session, from 1; alone: no other
    program can have the line, so whatever session there was is dead."""
    return struct.pack(_ASK_HELLO, PROTOCOL, PROTOCOL) + struct.pack(_SESSION, session, alone)


def unpack_ask_hello(payload: Any) -> Any:
    """(lowest, highest protocol version, session, alone); the last two None from a host of a
    version that knows no sessions."""
    versions = unpack(_ASK_HELLO, payload)
    if len(payload) < struct.calcsize(_ASK_HELLO) + struct.calcsize(_SESSION):
        return versions + (None, None)
    return versions + unpack(_SESSION, payload[struct.calcsize(_ASK_HELLO) :])


def pack_hello(
    channels: int,
    boot: int,
    device_ms: int,
    uid: bytes,
    dial_hash: bytes,
    heap_bytes: int,
    firmware: str,
    runtime: str,
    trouble: str,
) -> bytes:
    """HELLO's answer: uid and dial_hash are 8 bytes; the last three are texts.

    heap_bytes is the memory the firmware may use, 0 where there is no such limit;
    trouble is "" or a sentence that says why the board does not log.
    """
    head = struct.pack(
        _HELLO, PROTOCOL, PROTOCOL, 1, channels, boot, device_ms, uid, dial_hash, heap_bytes
    )
    return head + _text(firmware) + _text(runtime) + _text(trouble)


def unpack_hello(payload: Any) -> Any:
    """(protocol_min, protocol_max, page_version, channels, boot, device_ms, uid, dial_hash,
    heap_bytes, firmware, runtime, trouble); the texts as bytes."""
    fixed = unpack(_HELLO, payload)
    return fixed + tuple(_texts(payload, struct.calcsize(_HELLO), 3))


def pack_status(*fields: Any) -> bytes:
    """STATUS' answer: boot, device_ms, first_page, next_page, retired_pages, torn_pages,
    overflow_records, bad_frames, blind_ms, scans, open_records, gate, channels, heap_free."""
    return struct.pack(_STATUS, *fields)


def unpack_status(payload: Any) -> Any:
    return unpack(_STATUS, payload)


def pack_mark(boot: int, device_ms: int, utc_us: int, sigma_us: int) -> bytes:
    """A clock mark: the device's clock read device_ms when UTC was utc_us (Unix, microseconds)."""
    return struct.pack(_MARK, boot, device_ms, utc_us, sigma_us)


def unpack_mark(payload: Any) -> Any:
    return unpack(_MARK, payload)


def pack_fetch(first: int, count: int) -> bytes:
    return struct.pack(_FETCH, first, count)


def unpack_fetch(payload: Any) -> Any:
    return unpack(_FETCH, payload)


def pack_number(number: int) -> bytes:
    """A page number, as SEAL's answer and the head of a PAGE carry it."""
    return struct.pack("<I", number)


def unpack_number(payload: Any) -> Any:
    return unpack("<I", payload)[0]


def pack_live(
    boot: int, device_ms: int, gate: int, channels: int, direct: int, dropped: int, levels: bytes
) -> bytes:
    """LIVE: gate is 1 in direct sun; direct is the open-sky level in counts; levels packs
    two bits a channel, lowest first: how many of the three thresholds it is above."""
    return struct.pack(_LIVE, boot, device_ms, gate, channels, direct, dropped) + levels


def unpack_live(payload: Any) -> Any:
    """(boot, device_ms, gate, channels, direct, dropped, levels); levels stays packed."""
    fixed = unpack(_LIVE, payload)
    return fixed + (bytes(payload[struct.calcsize(_LIVE) :]),)


def pack_traced(
    boot: int,
    device_ms: int,
    gate: int,
    channels: int,
    dropped: int,
    angle: int,
    state: int,
    levels: bytes,
) -> bytes:
    """TRACED: gate as in LIVE; angle and state of the shaft's encoder as in a SWEEP record;
    levels holds a signed 16-bit level for each channel, in the scale of SWEEP's."""
    head = struct.pack(_TRACED, boot, device_ms, gate, channels, dropped, angle, state)
    return head + levels


def unpack_traced(payload: Any) -> Any:
    """(boot, device_ms, gate, channels, dropped, angle, state, levels as a tuple)."""
    fixed = unpack(_TRACED, payload)
    count = min(fixed[3], (len(payload) - struct.calcsize(_TRACED)) // 2)
    return fixed + (unpack("<%dh" % count, payload[struct.calcsize(_TRACED) :]),)
