"""The one place where the two runtimes differ.

Everything else in dialcore is written in the common subset of MicroPython and
CPython; what is missing on one side is filled in here, and nowhere else.
"""

import gc
import struct
import time

__all__ = ("Any", "const", "crc32", "keep_heap_whole", "running_ms", "unpack")

try:
    from typing import Any
except ImportError:  # MicroPython reads annotations and throws them away
    Any = None  # type: ignore[assignment]

try:
    from micropython import const
except ImportError:  # CPython, or a host package that merely shares the name

    def const(value: int) -> int:
        """Return value; MicroPython's compiler folds it, CPython needs nothing."""
        return value


try:
    from binascii import crc32
except ImportError:  # small MicroPython builds leave crc32 out

    def crc32(data: Any, value: int = 0) -> int:
        """CRC-32 of IEEE 802.3, bit by bit: for builds without binascii.crc32."""
        value ^= 0xFFFFFFFF
        for byte in data:
            value ^= byte
            for _ in range(8):
                value = (value >> 1) ^ (0xEDB88320 if value & 1 else 0)
        return value ^ 0xFFFFFFFF


# Each runtime has one of the two, and knows nothing of the other's.
_ticks_ms: Any = getattr(time, "ticks_ms", None)
_monotonic_s: Any = getattr(time, "monotonic", None)


def running_ms() -> int:
    """The machine's own milliseconds, from any beginning; they never step."""
    return int(_ticks_ms() if _ticks_ms else _monotonic_s() * 1000)


_collect_each: Any = getattr(gc, "threshold", None)


def keep_heap_whole() -> None:
    """Before anything else is loaded: what loading leaves behind is collected as it goes.

    MicroPython else collects when its heap is full, and by then what stays lies between the
    holes of what did not: no room is left in one piece (20 KiB more heap, for 128 channels).
    """
    if _collect_each:
        _collect_each(4096)


def unpack(form: str, payload: Any) -> Any:
    """struct.unpack of a payload's start; what follows it is left alone.

    Raises ValueError for a payload that is too short: MicroPython's struct does, CPython's
    has an error of its own.
    """
    size = struct.calcsize(form)
    if len(payload) < size:
        raise ValueError("payload of %d bytes, %d expected" % (len(payload), size))
    return struct.unpack(form, payload[:size])
