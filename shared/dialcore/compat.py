"""The one place where the two runtimes differ.

Everything else in dialcore is written in the common subset of MicroPython and
CPython; what is missing on one side is filled in here, and nowhere else.
"""

try:
    from micropython import const
except ImportError:  # CPython, or a host package that merely shares the name

    def const(value):
        """Return value; MicroPython's compiler folds it, CPython needs nothing."""
        return value


try:
    from binascii import crc32
except ImportError:  # small MicroPython builds leave crc32 out

    def crc32(data, value=0):
        """CRC-32 of IEEE 802.3, bit by bit: for builds without binascii.crc32."""
        value ^= 0xFFFFFFFF
        for byte in data:
            value ^= byte
            for _ in range(8):
                value = (value >> 1) ^ (0xEDB88320 if value & 1 else 0)
        return value ^ 0xFFFFFFFF
