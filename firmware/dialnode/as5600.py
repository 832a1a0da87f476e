"""The magnetic encoder AS5600, by its registers: the angle of a magnet on the shaft's end.

ams's data sheet of the AS5600 (DS000365, v1-06 of 2018): address 0x36; RAW ANGLE, 12 bits of a
turn, in registers 0x0C (its high four bits) and 0x0D; STATUS in 0x0B, of which a bit each says
that a magnet is there (MD), that it is too weak (ML) and too strong (MH). Their places, bits 5,
4 and 3, from memory. Nothing is ever written to it: its burn commands cannot be undone.
"""

from dialcore import records
from dialcore.compat import const

_ADDRESS = const(0x36)
_STATUS = const(0x0B)
_RAW_ANGLE = const(0x0C)
_MAGNET = const(0x20)
_WEAK = const(0x10)
_STRONG = const(0x08)


class As5600:
    """Every method raises OSError where no chip answers; else it allocates nothing."""

    STEP = const(16)  # of 65536, between two angles that it tells apart

    def __init__(self, board):
        self._read = board.i2c_read
        self._one = bytearray(1)
        self._two = bytearray(2)

    def angle(self):
        """The shaft's angle, 65536 to a turn, from any zero."""
        self._read(_ADDRESS, _RAW_ANGLE, self._two)
        return (self._two[0] & 15) << 12 | self._two[1] << 4

    def state(self):
        """Bits of dialcore.records: how the magnet is."""
        self._read(_ADDRESS, _STATUS, self._one)
        told = self._one[0]
        if not told & _MAGNET:
            return records.NO_MAGNET
        return (records.WEAK if told & _WEAK else 0) | (records.STRONG if told & _STRONG else 0)
