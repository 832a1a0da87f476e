"""Pages of the log: written on the board without allocating, read anywhere.

A page is self-contained: header, records, CRC-32. Times in it are ticks of 10 ms
from the page's base, each record's as a signed difference to the one before, so
that a crossing costs two to four bytes. Every byte is laid down in SPEC.md.
"""

import struct

from dialcore.compat import Any, const, crc32, unpack

VERSION = const(1)
TICK_MS = const(10)
MAGIC = b"DL"
HEADER_BYTES = const(24)
CRC_BYTES = const(4)
MAX_PAGE = const(1024)
_HEADER = "<2sBBIIQHH"  # magic, version, tick_ms, number, boot, base_ms, payload bytes, records

BOOT = const(1)
GATE = const(2)
SNAPSHOT = const(3)
MARK = const(4)
OVERFLOW = const(5)
BLIND = const(6)
RTC = const(7)
SETUP = const(8)
HEALTH = const(9)
RTC_FAULT = const(10)
SWEEP = const(11)
CROSSING = const(0x80)  # with the channel in the low seven bits

CHIP = const(1)  # what an RTC record's reading is of
SATELLITES = const(2)
CHIP_ABSENT = const(1)  # why an RTC_FAULT record was written
CHIP_STOPPED = const(2)
CHIP_NONSENSE = const(3)
WEAK = const(1)  # bits of a SWEEP record's state: the encoder's magnet is too far off,
STRONG = const(2)  # too near,
NO_MAGNET = const(4)  # or not there;
SILENT = const(8)  # the encoder does not answer;
UNTURNED = const(16)  # there is none, and the angle says nothing
SWEEP_HEAD = const(4)  # bytes of its payload before the levels
SWEEP_LEVELS = const(58)  # levels that it holds at most

_LONGEST_CROSSING = const(7)


class PageWriter:
    """Fills one page. Times come as milliseconds from an epoch of the caller's own,
    small enough that arithmetic on them never allocates."""

    def __init__(self, size: int = MAX_PAGE) -> None:
        self._page = bytearray(size)
        self._end = size - CRC_BYTES
        self._at = HEADER_BYTES
        self._base = 0
        self._last = 0
        self.count = 0

    def start(self, base_offset_ms: int) -> None:
        """Begin an empty page whose base is at an offset from the caller's epoch."""
        self._at = HEADER_BYTES
        self._base = base_offset_ms
        self._last = 0
        self.count = 0

    def rebase(self, shift_ms: int) -> None:
        """The caller's epoch moved later by shift_ms."""
        self._base -= shift_ms

    @property
    def base_offset_ms(self) -> int:
        """Where start() put this page's base."""
        return self._base

    def crossing(self, channel: int, threshold: int, rise: int, offset_ms: int) -> bool:
        """Append a crossing; False if the page has no room left. Allocates nothing."""
        at = self._at
        if self._end - at < _LONGEST_CROSSING:
            return False
        page = self._page
        tick = (offset_ms - self._base + 5) // TICK_MS
        z = tick - self._last
        z = z << 1 if z >= 0 else (-z << 1) - 1
        page[at] = CROSSING | channel
        head = rise << 7 | threshold << 5 | z & 15
        z >>= 4
        if z:
            head |= 16
        page[at + 1] = head
        at += 2
        if z:
            at = self._varint(at, z)
        self._at = at
        self._last = tick
        self.count += 1
        return True

    def record(self, tag: int, offset_ms: int, payload: Any, size: int = -1) -> bool:
        """Append any other record; False if the page has no room left.

        size: how much of the payload's start counts, all of it if not told. Allocates nothing.
        """
        at = self._at
        if size < 0:
            size = len(payload)
        if self._end - at < size + 7 or size > 120:
            return False
        page = self._page
        tick = (offset_ms - self._base + 5) // TICK_MS
        z = tick - self._last
        z = z << 1 if z >= 0 else (-z << 1) - 1
        page[at] = tag
        end = self._varint(at + 2, z)
        for i in range(size):
            page[end + i] = payload[i]
        end += size
        page[at + 1] = end - at - 2
        self._at = end
        self._last = tick
        self.count += 1
        return True

    def _varint(self, at: int, value: int) -> int:
        page = self._page
        while value > 127:
            page[at] = value & 127 | 128
            at += 1
            value >>= 7
        page[at] = value
        return at + 1

    def sealed(self, number: int, boot: int, base_ms: int) -> memoryview:
        """The finished page as a view of this writer's own buffer.

        base_ms is the base in the device's milliseconds since boot. The view is valid
        until the next start().
        """
        page = self._page
        used = self._at - HEADER_BYTES
        struct.pack_into(
            _HEADER, page, 0, MAGIC, VERSION, TICK_MS, number, boot, base_ms, used, self.count
        )
        view = memoryview(page)
        struct.pack_into("<I", page, self._at, crc32(view[: self._at]))
        return view[: self._at + CRC_BYTES]


def header(data: Any) -> Any:
    """(number, boot, base_ms, bytes of the whole page, records) from a page's start.

    Raises ValueError where data does not start with a header of a known version; the
    CRC is not looked at.
    """
    if len(data) < HEADER_BYTES:
        raise ValueError("page cut short")
    magic, version, tick, number, boot, base, used, count = struct.unpack(
        _HEADER, data[:HEADER_BYTES]
    )
    if magic != MAGIC:
        raise ValueError("no page starts here")
    if version != VERSION or tick != TICK_MS:
        raise ValueError("page of version %d, this reader knows %d" % (version, VERSION))
    return number, boot, base, HEADER_BYTES + used + CRC_BYTES, count


def check(data: Any) -> Any:
    """header() of exactly one page whose CRC holds; raises ValueError otherwise."""
    found = header(data)
    size = found[3]
    if size != len(data):
        raise ValueError("page of %d bytes where its header says %d" % (len(data), size))
    if crc32(data[: size - CRC_BYTES]) != struct.unpack("<I", data[size - CRC_BYTES :])[0]:
        raise ValueError("page's CRC does not hold")
    return found


def _varint_at(data: Any, at: int, end: int) -> Any:
    value = 0
    shift = 0
    while at < end:
        byte = data[at]
        at += 1
        value |= (byte & 127) << shift
        if byte < 128:
            return value, at
        shift += 7
        if shift > 56:
            break
    raise ValueError("number cut short or too long")


def records(data: Any) -> Any:
    """Yield the records of one page, (tag, device_ms, ...), in the order written.

    A crossing is (CROSSING, device_ms, channel, threshold, rise); any other record,
    known or not, is (tag, device_ms, payload as bytes). Raises ValueError for a bad page.
    """
    _number, _boot, base, size, count = check(data)
    at = HEADER_BYTES
    end = size - CRC_BYTES
    tick = 0
    for _ in range(count):
        if at + 2 > end:
            raise ValueError("page holds fewer records than it says")
        tag = data[at]
        second = data[at + 1]
        at += 2
        if tag & CROSSING:
            z = second & 15
            if second & 16:
                # Most are one byte; behind the last there is still the CRC.
                high = data[at]
                if high < 128 and at < end:
                    at += 1
                else:
                    high, at = _varint_at(data, at, end)
                z |= high << 4
            tick += -(z + 1 >> 1) if z & 1 else z >> 1
            yield CROSSING, base + tick * TICK_MS, tag & 127, second >> 5 & 3, second >> 7
        else:
            stop = at + second
            if stop > end:
                raise ValueError("record runs over the page's end")
            z, at = _varint_at(data, at, stop)
            tick += -(z + 1 >> 1) if z & 1 else z >> 1
            yield tag, base + tick * TICK_MS, bytes(data[at:stop])
            at = stop
    if at != end:
        raise ValueError("page holds more than its records")


def pack_boot(dial_hash: bytes, channels: int, cause: int, firmware: str) -> bytes:
    """BOOT's payload: dial hash (8 bytes), channels, cause (0 power, 1 watchdog, 2 soft), text."""
    return bytes(dial_hash) + bytes((channels, cause)) + firmware.encode()[:40]


def unpack_boot(payload: Any) -> Any:
    return unpack("<8sBB", payload) + (payload[10:],)


def pack_gate(is_open: int, direct: int) -> bytes:
    """GATE's payload: direct sun came (1) or went (0), and the open-sky level in counts."""
    return struct.pack("<BH", is_open, direct)


def unpack_gate(payload: Any) -> Any:
    return unpack("<BH", payload)


def pack_mark(device_ms: int, utc_us: int, sigma_us: int) -> bytes:
    """MARK's payload; device_ms is the mark's own instant, not the record's."""
    return struct.pack("<QqI", device_ms, utc_us, sigma_us)


def unpack_mark(payload: Any) -> Any:
    return unpack("<QqI", payload)


def pack_count(number: int) -> bytes:
    """OVERFLOW's payload (records lost) and BLIND's (milliseconds)."""
    return struct.pack("<I", number)


def unpack_count(payload: Any) -> Any:
    return unpack("<I", payload)[0]


# The storages a board may keep its log in, as SETUP names them.
STORAGES = ("none", "files", "flash")
_SETUP = "<IIBBI"
_HEALTH = "<IIIIIII"


def pack_setup(
    scan_ms: int, commit_s: int, thresholds: int, storage: str, storage_bytes: int
) -> bytes:
    """SETUP's payload: what the log was set to. thresholds: bit k set where crossings of
    threshold k are logged; storage: one of STORAGES."""
    return struct.pack(
        _SETUP, scan_ms, commit_s, thresholds, STORAGES.index(storage), storage_bytes
    )


def unpack_setup(payload: Any) -> Any:
    """(scan_ms, commit_s, thresholds, number among STORAGES, storage_bytes)."""
    return unpack(_SETUP, payload)


def pack_health(
    retired: int, torn: int, bad: int, erases: int, overflow: int, blind_ms: int, free_bytes: int
) -> bytes:
    """HEALTH's payload: the counters of the storage, of the log and of the memory."""
    return struct.pack(_HEALTH, retired, torn, bad, erases, overflow, blind_ms, free_bytes)


def unpack_health(payload: Any) -> Any:
    """(retired, torn, bad, erases, overflow, blind_ms, free_bytes)."""
    return unpack(_HEALTH, payload)


def pack_rtc(device_ms: int, utc_us: int, sigma_us: int, source: int) -> bytes:
    """RTC's payload: what a clock beside the board's own said, CHIP or SATELLITES; device_ms
    is the reading's own instant, not the record's."""
    return struct.pack("<QqIB", device_ms, utc_us, sigma_us, source)


def unpack_rtc(payload: Any) -> Any:
    return unpack("<QqIB", payload)


def pack_rtc_fault(reason: int, source: int) -> bytes:
    """RTC_FAULT's payload: CHIP_ABSENT, CHIP_STOPPED or CHIP_NONSENSE, and of which clock."""
    return bytes((reason, source))


def unpack_rtc_fault(payload: Any) -> Any:
    """(reason, source)."""
    return unpack("<BB", payload)


def pack_sweep(payload: Any, angle: int, state: int, first: int, levels: Any) -> int:
    """Fill payload, a bytearray of 120, with a SWEEP's; return how many bytes of it count.

    angle: of the shaft, 65536 to a turn. state: bits WEAK to UNTURNED. levels: of channels from
    `first` on, SWEEP_LEVELS at most, 1024 for a fully lit exit, from -32768 to 32767.
    """
    payload[0] = angle & 255
    payload[1] = angle >> 8
    payload[2] = state
    payload[3] = first
    at = SWEEP_HEAD
    for level in levels:
        payload[at] = level & 255
        payload[at + 1] = level >> 8 & 255
        at += 2
    return int(at)


def unpack_sweep(payload: Any) -> Any:
    """(angle, state, first channel, levels as a tuple). Raises ValueError as the others do."""
    angle, state, first = unpack("<HBB", payload)
    count = (len(payload) - SWEEP_HEAD) // 2
    return angle, state, first, unpack("<%dh" % count, payload[SWEEP_HEAD:])
