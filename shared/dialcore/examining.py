"""PROBE and CHECK, by which a host tests a board, as messages.py has the others. A module of its
own, for a board has no memory for what it is seldom asked.
"""

import struct

from dialcore.compat import Any, const, unpack

_ASK_PROBE = "<BBBB"
_PROBE = "<HHHH"
_CHECK = "<HHHHBBqIIIIIH"

NO_TAP = const(255)  # a PROBE that reads none before
LOOKS = const(32)  # of one PROBE at most
WEAK_SUPPLY = const(1)
TICK_WANTED = const(2)  # a tick is configured
NO_CHIP = const(0)  # a CHECK: none is configured, and none answers
CHIP_WELL = const(1)
CHIP_MISSING = const(2)  # it is configured and does not answer
CHIP_STOOD = const(3)
CHIP_NO_DATE = const(4)


def pack_ask_probe(before: int, root: int, leaf: int, looks: int) -> bytes:
    """PROBE: a place of the tree of multiplexers by its select lines, 0 to 15 each, read so
    many times, 1 to LOOKS; before: the root's input that is read before each, or NO_TAP."""
    return struct.pack(_ASK_PROBE, before, root, leaf, looks)


def unpack_ask_probe(payload: Any) -> Any:
    """(before, root, leaf, looks). Raises ValueError where there is no such place."""
    before, root, leaf, looks = unpack(_ASK_PROBE, payload)
    if root > 15 or leaf > 15 or (before > 15 and before != NO_TAP) or not 0 < looks <= LOOKS:
        raise ValueError("there is no such place to probe")
    return before, root, leaf, looks


def pack_probe(mean: int, spread: int, least: int, most: int) -> bytes:
    """PROBE's answer in counts, spread (a standard deviation) in sixteenths of one."""
    return struct.pack(_PROBE, mean, spread, least, most)


def unpack_probe(payload: Any) -> Any:
    return unpack(_PROBE, payload)


def pack_check(*fields: Any) -> bytes:
    """CHECK's answer: supply_mv, settle_us, sky, shade, flags (WEAK_SUPPLY, TICK_WANTED), chip,
    chip_s, ticks, tick_ms, bad_writes, erases, storage_bytes, read_ms."""
    return struct.pack(_CHECK, *fields)


def unpack_check(payload: Any) -> Any:
    return unpack(_CHECK, payload)
