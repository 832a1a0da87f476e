"""A serial NOR flash chip: read, program, erase.

Commands, page and sector size are those of the W25Q class of chips (from memory), which
the makers of such chips have in common. Three-byte addresses: chips up to 16 MB.
"""

from dialcore.compat import const

SECTOR = const(4096)
PAGE = const(256)  # bytes that one program command reaches, on a boundary of as many

_READ = const(0x03)
_PROGRAM = const(0x02)
_ERASE = const(0x20)
_ENABLE = b"\x06"
_STATUS = b"\x05"
_IDENTITY = b"\x9f"
_BUSY = const(1)
# Looks at the status before a chip counts as dead: an erase may take 400 ms (from memory),
# and a look takes 4 us at least on a bus of 8 MHz.
_LOOKS = const(200000)
_EIO = const(5)


class SpiFlash:
    """The chip behind a bus (write, readinto) and a select line: select(0) chooses it.

    size_bytes: what the chip says of itself, 0 where no chip answers. Every method raises
    OSError where the chip does not get done.
    """

    def __init__(self, bus, select):
        self._bus = bus
        self._select = select
        self._head = bytearray(4)
        self._status = bytearray(1)
        told = bytearray(3)
        select(1)  # ends what a board that started anew had begun
        try:
            self._wait()  # a chip keeps its power then, and may still be erasing
            select(0)
            bus.write(_IDENTITY)
            bus.readinto(told)
            select(1)
        except OSError:
            pass
        # Maker, kind, and the exponent of the size; a line that floats is all ones or zeros.
        self.size_bytes = 1 << told[2] if told[0] not in (0, 255) and 12 <= told[2] <= 24 else 0

    def _command(self, code, address):
        head = self._head
        head[0] = code
        head[1] = address >> 16
        head[2] = address >> 8 & 255
        head[3] = address & 255
        self._select(0)
        self._bus.write(head)

    def _wait(self):
        status = self._status
        for _ in range(_LOOKS):
            self._select(0)
            self._bus.write(_STATUS)
            self._bus.readinto(status)
            self._select(1)
            if not status[0] & _BUSY:
                return
            if status[0] == 255:
                break  # nothing drives the line
        raise OSError(_EIO)

    def _enable(self):
        self._select(0)
        self._bus.write(_ENABLE)
        self._select(1)

    def read(self, address, buffer):
        """Fill buffer from address on."""
        self._command(_READ, address)
        self._bus.readinto(buffer)
        self._select(1)

    def program(self, address, data):
        """Clear the bits that are 0 in data; data within one PAGE."""
        self._enable()
        self._command(_PROGRAM, address)
        self._bus.write(data)
        self._select(1)
        self._wait()

    def erase(self, address):
        """Set all bits of the SECTOR at address."""
        self._enable()
        self._command(_ERASE, address)
        self._select(1)
        self._wait()
