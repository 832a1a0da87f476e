"""The virtual board's flash chip: answers on a bus as a chip of the W25Q class does (from
memory), out of anything that can seek, read and write in place."""

from dialcore.compat import const
from dialnode.flash_spi import PAGE, SECTOR

_MAKER = const(0xEF)
_KIND = const(0x40)


class NorChip:
    """The bus of one chip: write, readinto; select() is its select line.

    memory holds size_bytes, a power of two. Everything is done at once: it is never busy.
    """

    def __init__(self, memory, size_bytes):
        self._memory = memory
        self._size = size_bytes
        self._said = b""
        self._enabled = False

    def select(self, level):
        """0 begins a command, 1 ends it: what changes the memory happens then."""
        said = self._said
        self._said = b""
        if not level or not said:
            return
        if said[0] in (0x02, 0x20) and self._enabled:
            at = self._address(said)
            if said[0] == 0x20:
                self.erase(at & ~(SECTOR - 1))
            else:
                assert (at & (PAGE - 1)) + len(said) - 4 <= PAGE, "a chip would wrap round"
                self.program(at, said[4:])
        self._enabled = said[0] == 0x06

    def _address(self, said):
        return (said[1] << 16 | said[2] << 8 | said[3]) & self._size - 1

    def erase(self, address):
        """All bits of a sector to 1."""
        self._put(address, b"\xff" * SECTOR)

    def program(self, address, data):
        """Bits of data that are 0 to 0."""
        old = self._get(address, len(data))
        self._put(address, bytes([old[i] & data[i] for i in range(len(data))]))

    def _get(self, address, size):
        self._memory.seek(address)
        return self._memory.read(size)

    def _put(self, address, data):
        self._memory.seek(address)
        self._memory.write(data)

    def write(self, data):
        """Bytes from the board."""
        self._said += bytes(data)

    def readinto(self, buffer):
        """Bytes to the board: all that one command answers."""
        command = self._said[0]
        if command == 0x9F:
            exponent = 0
            while 1 << exponent < self._size:
                exponent += 1
            buffer[:] = bytes((_MAKER, _KIND, exponent))
        elif command == 0x03:
            buffer[:] = self._get(self._address(self._said), len(buffer))
        else:
            buffer[:] = bytes(len(buffer))  # the status: not busy
