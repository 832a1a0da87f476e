"""The virtual board: a process that gets its light and its time from a byte stream.

argv: a folder that stands for the board's flash, and the number of the descriptor on
which light arrives. A frame of light is little-endian 16-bit words: the board's ticks
(low word, high word; milliseconds modulo 2**30), what a clock chip shows (Unix seconds, low
word, high word; milliseconds past them; bit 0 whether a chip is there, bit 1 whether it has
stood still, bit 2 whether the ticks run on until the next frame, as the machine's clock does),
what the machine's clock stood at just then (low word, high word; milliseconds modulo 2**30), what an
encoder shows (its raw angle; bit 12 whether it sees a magnet, 13 and 14 whether that is too weak or
too strong, 15 whether an encoder is there),
the open-sky sensor, the shaded one, then every channel. Descriptor 0 is the serial line, both
ways. Both must be set non-blocking, and frames written whole. The end of the light is the
power going off.
"""

import gc
import os
import select
import sys
import time
from array import array
from binascii import unhexlify

from dialcore import wiring
from dialcore.compat import const, running_ms
from dialcore.crossing import FIRST
from dialnode import boots
from dialnode.flash_spi import SECTOR, SpiFlash
from dialnode.storage_files import FileStorage
from dialnode.storage_nor import NorStorage
from dialnode.virtual_nor import NorChip

_TICKS = const(0x3FFFFFFF)
_HALF = const(0x20000000)
_IDLE_MS = const(20)
_LATE_MS = const(60000)  # a frame that is later than this was of another clock


class VirtualBoard:
    """Same methods as every board_*: see DEVELOPERS.md, "To add a board"."""

    def __init__(self):
        self._folder = sys.argv[1]
        self._light_number = int(sys.argv[2])
        self._light = open(self._light_number, "rb", buffering=0)
        self._line_in = open(0, "rb", buffering=0)
        self._line_out = open(1, "wb", buffering=0)
        self._poll = select.poll()
        self._poll.register(self._light, select.POLLIN)
        self._poll.register(self._line_in, select.POLLIN)
        self._now = array("H", [0] * 9)
        self._shown = 0
        self._chip = Registers()
        self._encoder = EncoderRegisters()
        self.running = True
        self.config_path = self._folder + "/config.json"
        with open(self._folder + "/uid") as file:
            self.uid = unhexlify(file.read(16))
        self.boot = boots.count(self._folder + "/boot")
        self.weak = False  # its power does not run low
        self.settle_us = 0
        self._counts = array("H")

    def setup(self, config):
        """Its light comes at its own pace, and its chips are there or not."""

    def storage(self, kind, limit_bytes):
        """The board's page storage: kind is "files" or "flash"."""
        if kind == "flash":
            storage = NorStorage(self._flash(limit_bytes), limit_bytes)
        else:
            storage = self._files(limit_bytes)
        # A counter that was lost must not make one boot's times pass for another's.
        self.boot = max(self.boot, storage.newest_boot + 1)
        return storage

    def _files(self, limit_bytes):
        folder = self._folder + "/log"
        try:
            os.mkdir(folder)
        except OSError:
            pass  # it is there already
        return FileStorage(folder, limit_bytes)

    def _flash(self, least_bytes):
        """The chip in a file of its own; made as large as asked for, and so it stays."""
        path = self._folder + "/flash"
        try:
            size = os.stat(path)[6]
        except OSError:
            size = SECTOR
            while size < least_bytes:
                size *= 2
            with open(path + ".new", "wb") as file:
                blank = b"\xff" * SECTOR
                while file.tell() < size:
                    file.write(blank)
            os.rename(path + ".new", path)
        chip = NorChip(open(path, "r+b", buffering=0), size)
        return SpiFlash(chip, chip.select)

    def ticks_ms(self):
        """The board's running milliseconds, modulo 2**30."""
        ticks = (self._now[1] & 0x3FFF) << 16 | self._now[0]
        if self._now[5] & 4:
            since = running_ms() - (self._now[7] << 16 | self._now[6]) & _TICKS
            if since < _LATE_MS:
                ticks = ticks + since & _TICKS
            # Between two frames that were rounded otherwise.
            if self.ticks_diff(ticks, self._shown) < 0:
                ticks = self._shown
            self._shown = ticks
        return ticks

    def ticks_diff(self, later, earlier):
        """later - earlier across the wrap, for spans under six days."""
        return (later - earlier + _HALF & _TICKS) - _HALF

    def scan(self, counts):
        """Fill counts with a new scan if one is there; False otherwise."""
        size = self._light.readinto(self._now)
        if not size:
            if size is not None:
                self.running = False
            return False
        self._light.readinto(counts)
        self._counts = counts
        return True

    def probe(self, before, root, leaf):
        """Counts of any place of a tree of multiplexers, as multiplexed.Multiplexed.probe: its
        ladder is whole, its channels show what they did at the latest scan."""
        if root >= wiring.LADDER_LEAF:
            return wiring.tap_counts(wiring.ladder_tap(root, leaf))
        at = FIRST + root * wiring.INPUTS + leaf
        return self._counts[at] if at < len(self._counts) else 0

    def supply_mv(self):
        """Millivolts of the supply, 0 where the board cannot tell."""
        return 0

    def i2c_read(self, address, register, buffer):
        """Fill buffer from a chip's registers; OSError where none answers."""
        if address == self._encoder.ADDRESS:
            self._encoder.show(self._now[8])
            self._encoder.read(register, buffer)
            return
        chip_s = self._now[3] << 16 | self._now[2]
        self._chip.show(chip_s, self._now[5] & 1, self._now[5] & 2)
        self._chip.read(address, register, buffer)

    def i2c_write(self, address, register, data):
        """Set a chip's registers; OSError where none answers."""
        self._chip.write(address, register, data)

    def tick_count(self):
        """How many ticks of 1 Hz have come, from any beginning, modulo 2**30."""
        return (self._now[3] & 0x3FFF) << 16 | self._now[2]

    def tick_ticks(self):
        """What the board's ticks counter stood at when the latest of them came."""
        return ((self._now[1] & 0x3FFF) << 16 | self._now[0]) - self._now[4] & _TICKS

    def nmea_read(self, buffer):
        """Bytes of a satellite receiver read into buffer: here there is none."""
        return 0

    def link_read(self, buffer):
        """Bytes read from the line into buffer, 0 if none wait."""
        return self._line_in.readinto(buffer) or 0

    def link_write(self, data):
        """How many bytes of data the line took."""
        return self._line_out.write(data) or 0

    def idle(self, busy):
        """Wait for light or line, a moment at most; busy: something waits to be sent."""
        for which, what in self._poll.poll(1 if busy else _IDLE_MS):
            # Where nothing scans, nothing else would see that the light is over.
            if what == select.POLLHUP and which in (self._light, self._light_number):
                self.running = False

    def rest(self):
        """The night is as long as its light says."""
        self.idle(False)

    def lamp(self, on):
        """It has none."""

    def stop(self):
        """Power off, or hand the line back to the prompt: here the process just ends."""
        self._light.close()

    def runtime(self):
        """The interpreter's own version string."""
        return sys.version

    def heap_bytes(self):
        """Memory the interpreter may use, as a 32-bit board would count it; 0: no limit."""
        if sys.implementation.name != "micropython":
            return 0
        return _as_32_bit(gc.mem_alloc() + gc.mem_free())

    def heap_free(self):
        """Of that, what is free now."""
        if sys.implementation.name != "micropython":
            return 0
        return _as_32_bit(gc.mem_free())


class Registers:
    """A DS3231 as its bus sees it: shows the time it is told, and whether it stood still."""

    ADDRESS = 0x68

    def __init__(self):
        self._bytes = bytearray(19)
        self._fitted = False
        self._told_stop = False

    def show(self, unix_s, fitted, stopped):
        """Its time from now on; the first sight of a stop sets the chip's note of it."""
        self._fitted = fitted
        year, month, day, hour, minute, second = time.gmtime(unix_s)[:6]
        weekday = (unix_s // 86400 + 3) % 7 + 1
        for at, number in enumerate((second, minute, hour, weekday, day, month, year % 100)):
            self._bytes[at] = number // 10 << 4 | number % 10
        if stopped and not self._told_stop:
            self._told_stop = True
            self._bytes[15] |= 0x80

    def read(self, address, register, buffer):
        """Fill buffer; OSError for another address, or where no chip is fitted."""
        self._answer(address)
        for at in range(len(buffer)):
            buffer[at] = self._bytes[register + at]

    def write(self, address, register, data):
        """Set registers; OSError as in read."""
        self._answer(address)
        self._bytes[register : register + len(data)] = data

    def _answer(self, address):
        if address != self.ADDRESS or not self._fitted:
            raise OSError(19)  # ENODEV


class EncoderRegisters:
    """An AS5600 as its bus sees it: shows the angle and the magnet that it is told."""

    ADDRESS = 0x36

    def __init__(self):
        self._bytes = bytearray(16)
        self._fitted = False

    def show(self, word):
        """As in a frame of light."""
        self._fitted = word & 0x8000
        self._bytes[12] = word >> 8 & 15
        self._bytes[13] = word & 255
        self._bytes[11] = (word >> 7 & 0x20) | (word >> 9 & 0x10) | (word >> 11 & 8)

    def read(self, register, buffer):
        """Fill buffer; OSError where no encoder is fitted."""
        if not self._fitted:
            raise OSError(19)  # ENODEV
        for at in range(len(buffer)):
            buffer[at] = self._bytes[register + at]


def _as_32_bit(size):
    # Objects are made of words: a 64-bit build takes twice the bytes of a 32-bit one.
    return size // 2 if sys.maxsize > 0x7FFFFFFF else size
