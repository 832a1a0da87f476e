"""The clock chip DS3231, by its registers.

Maxim's data sheet of the DS3231 (19-5170), from memory: address 0x68; seconds to years in
registers 0 to 6, two decimal digits a byte; bit 7 of register 15 says that the oscillator
has stood still since the bit was last cleared. With its square wave at 1 Hz the output
falls as the seconds count on; register 14 as 0 turns it on. The aging register is never touched.
"""

from dialcore.compat import const
from dialnode import utc

_ADDRESS = const(0x68)
_CONTROL = const(0x0E)
_STATUS = const(0x0F)
_STOPPED = const(0x80)


class Ds3231:
    """Every method raises OSError where no chip answers. Only `forget_stop` and
    `square_wave` write to it."""

    def __init__(self, board):
        self._read = board.i2c_read
        self._write = board.i2c_write
        self._one = bytearray(1)
        self._seven = bytearray(7)

    def second(self):
        """The seconds that the chip shows, 0 to 59. Raises ValueError for what is none."""
        self._read(_ADDRESS, 0, self._one)
        return _decimal(self._one[0])

    def utc_s(self):
        """Unix seconds that the chip shows. Raises ValueError for what is no date."""
        told = self._seven
        self._read(_ADDRESS, 0, told)
        hour = told[2]
        if hour & 0x40:  # it counts to twelve, bit 5 for the afternoon
            hour = _decimal(hour & 0x1F) % 12 + (12 if hour & 0x20 else 0)
        else:
            hour = _decimal(hour)
        return utc.seconds(
            2000 + _decimal(told[6]) + (100 if told[5] & 0x80 else 0),
            _decimal(told[5] & 0x7F),
            _decimal(told[4]),
            hour,
            _decimal(told[1]),
            _decimal(told[0]),
        )

    def stopped(self):
        """Whether the oscillator has stood still since `forget_stop`."""
        self._read(_ADDRESS, _STATUS, self._one)
        return bool(self._one[0] & _STOPPED)

    def forget_stop(self):
        """Clear the chip's note of having stood still, so that the next is seen."""
        self._read(_ADDRESS, _STATUS, self._one)
        self._one[0] &= 0x7F
        self._write(_ADDRESS, _STATUS, self._one)

    def square_wave(self):
        """A square wave of 1 Hz at its output from now on, the oscillator never stopped."""
        self._one[0] = 0
        self._write(_ADDRESS, _CONTROL, self._one)


def _decimal(byte):
    """The number that two decimal digits in a byte say."""
    if byte & 15 > 9 or byte >> 4 > 9:
        raise ValueError("no decimal digits: %02x" % byte)
    return 10 * (byte >> 4) + (byte & 15)
