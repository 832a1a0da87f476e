"""What boards with multiplexers have in common, whatever their pins are made of.

Scanning: the leaves' select lines are set, then the root takes one leaf after the other. After
each switch the board waits until the line stands and throws one conversion away, for the
converter and the root's common still hold charge of the channel before; then it takes the
mean of eight.

The wait is measured at the start on the ladder, between its ends and from either end to its
middle, where a line is slowest: the shortest of some waits after which the reading stands. It
is then made four times as long, with what passes besides, for sensors of up to four times the
resistance of the ladder's middle: 40 us at least, 400 at most.

A supply that runs out: below `weak_mv` the board says `weak`, and writes no more to flash than
what it still had in memory. It is well again 200 mV above that.
"""

import gc
import os
import select
import sys
import time

import micropython

from dialcore import wiring
from dialcore.compat import const, running_ms
from dialcore.crossing import FIRST, SHADE, SKY
from dialnode import boots
from dialnode.ds3231 import Ds3231
from dialnode.flash_spi import SpiFlash
from dialnode.storage_files import FileStorage
from dialnode.storage_nor import NorStorage

_TICKS = const(0x3FFFFFFF)
_HALF = const(0x20000000)
_IDLE_MS = const(20)
_LONG_US = const(1000)  # after which any line of the ladder stands
_WAITS_US = (2, 3, 5, 8, 12, 18, 27, 40, 60, 90)  # that are tried
_BESIDES_US = const(8)  # that pass until the conversion that counts
_MARGIN = const(4)
_MOST_US = const(400)  # where none of them is enough
_STANDS = const(128)  # counts, 1/512 of the converter's range: eight steps of one of 12 bits
_SUPPLY_MS = const(1000)  # how often it is looked at
_WELL_MV = const(200)
_CTRL_C = const(3)
_BLOCK = const(64)  # of a USB line


class Multiplexed:
    """A board out of its parts; see DEVELOPERS.md, "To add a board", for the methods.

    lines: the select lines A0 to A3 and B0 to B3, each called with a level. enable: the same for EN.
    light, sky, shade, supply: functions that give counts of the converter. led: called with a
    level. i2c: a bus with readfrom_mem_into and writeto_mem. nor: the bus of a flash chip and
    its select line, taken when such storage is asked for.
    receiver: makes the UART of a satellite receiver. tick: the pin of the 1 Hz. A subclass adds
    uid, and the methods at the end of this class.
    """

    weak_mv = 2500  # millivolts of the supply below which flash is not written

    def __init__(self, lines, enable, light, sky, shade, supply, led, i2c, nor, receiver, tick):
        self._a0, self._a1, self._a2, self._a3 = lines[:4]
        self._b0, self._b1, self._b2, self._b3 = lines[4:]
        self._enable = enable
        self._light = light
        self._sky = sky
        self._shade = shade
        self._supply = supply
        self._led = led
        self._lamp = False
        self._i2c = i2c
        self._nor = nor
        self._make_receiver = receiver
        self._receiver = None
        self._tick = tick
        self._ticks = running_ms
        self._sleep_us = time.sleep_us
        self._period = 1000
        self._due = self._supply_due = self._ticks() & _TICKS
        self._edges = 0
        self._edge = self._due
        self.running = True
        self.weak = False
        self.config_path = "config.json"
        self.boot = boots.count("boot")
        self._line_in = sys.stdin.buffer
        self._line_out = sys.stdout.buffer
        self._poll_in = select.poll()
        self._poll_in.register(sys.stdin, select.POLLIN)
        self._poll_out = select.poll()
        self._poll_out.register(sys.stdout, select.POLLOUT)
        self._byte = bytearray(1)
        micropython.kbd_intr(-1)  # a frame may hold the byte that else interrupts
        self._enable(0)
        self.settle_us = _MOST_US
        self.settle_us = self._settling()

    # -- light

    def _choose(self, root, leaf):
        self._a0(leaf & 1)
        self._a1(leaf >> 1 & 1)
        self._a2(leaf >> 2 & 1)
        self._a3(leaf >> 3)
        self._b0(root & 1)
        self._b1(root >> 1 & 1)
        self._b2(root >> 2 & 1)
        self._b3(root >> 3)

    def _mean(self, wait_us):
        """The mean of eight conversions, so long after a switch and a conversion thrown away."""
        read = self._light
        self._sleep_us(wait_us)
        read()
        total = read() + read() + read() + read() + read() + read() + read() + read()
        return total >> 3

    def _settling(self):
        for wait_us in _WAITS_US:
            if (
                self._stands(wait_us, 0, 15)
                and self._stands(wait_us, 0, 8)
                and self._stands(wait_us, 15, 0)
                and self._stands(wait_us, 15, 8)
            ):
                return (wait_us + _BESIDES_US) * _MARGIN
        return _MOST_US

    def _stands(self, wait_us, before, tap):
        """Whether the ladder's tap is read right so soon after another."""
        total = 0
        for _ in range(8):
            self._choose(wiring.LADDER_LEAF, before)
            self._mean(_LONG_US)
            self._choose(wiring.LADDER_LEAF, tap)
            self._sleep_us(wait_us)
            self._light()
            total += self._light()
        return abs((total >> 3) - self._mean(_LONG_US)) <= _STANDS

    def scan(self, counts):
        """Fill counts if a scan is due; False otherwise. Allocates nothing."""
        now = self._ticks() & _TICKS
        if (now - self._due + _HALF & _TICKS) < _HALF:
            return False
        due = self._due + self._period & _TICKS
        if (now - due + _HALF & _TICKS) >= _HALF:
            due = now + self._period & _TICKS  # late by more than a scan: begin anew
        self._due = due
        self.feed()
        if (now - self._supply_due + _HALF & _TICKS) >= _HALF:
            self._supply_due = now + _SUPPLY_MS & _TICKS
            self._watch_supply()
        sky = self._sky
        shade = self._shade
        sky()
        counts[SKY] = sky() + sky() + sky() + sky() >> 2
        shade()
        counts[SHADE] = shade() + shade() + shade() + shade() >> 2
        last = len(counts)
        b0 = self._b0
        b1 = self._b1
        b2 = self._b2
        read = self._light
        wait = self._sleep_us
        settle_us = self.settle_us
        for leaf in range(16):
            at = leaf + FIRST
            if at >= last:
                break
            self._choose(0, leaf)
            root = 0
            while at < last:
                b0(root & 1)
                b1(root >> 1 & 1)
                b2(root >> 2)
                wait(settle_us)
                read()
                counts[at] = (
                    read() + read() + read() + read() + read() + read() + read() + read() >> 3
                )
                at += 16
                root += 1
        return True

    def probe(self, before, root, leaf):
        """Counts of any place of the tree, for a test of the board: root and leaf are what the
        select lines are set to. before: an input of the root whose tap is read first (9 to
        15), so that what is connected to nothing follows it; -1 for none."""
        if before >= 0:
            self._choose(before, leaf)
            self._mean(_LONG_US)
        self._choose(root, leaf)
        return self._mean(self.settle_us)

    # -- supply, lamp, watchdog

    def supply_mv(self):
        """Millivolts of the supply, as the converter sees them."""
        return self._supply() * (wiring.REFERENCE_MV * wiring.SUPPLY_PARTS) // 65535

    def _watch_supply(self):
        supply_mv = self.supply_mv()
        if self.weak:
            self.weak = supply_mv < self.weak_mv + _WELL_MV
        else:
            self.weak = supply_mv < self.weak_mv

    def lamp(self, on):
        """The board's lamp on or off."""
        if on != self._lamp:
            self._lamp = on
            self._led(1 if on else 0)

    # -- configuration, storage

    def setup(self, config):
        """What a good configuration says of the board's own parts; None if there is none."""
        if config is None:
            return
        self._period = config.scan_ms
        if config.nmea:
            self._receiver = self._make_receiver()
        if config.tick:
            if config.tick == "rtc":
                try:
                    Ds3231(self).square_wave()
                except OSError:
                    pass  # its absence is told when it is read
            # A chip's second begins as its output falls, a receiver's as its pulse rises.
            pin = self._tick
            pin.irq(self._count_edge, pin.IRQ_FALLING if config.tick == "rtc" else pin.IRQ_RISING)

    def storage(self, kind, limit_bytes):
        """The board's page storage: kind is "files" or "flash"."""
        if kind == "flash":
            storage = self._flash(limit_bytes)
        else:
            storage = self._files(limit_bytes)
        # A counter that was lost must not make one boot's times pass for another's.
        self.boot = max(self.boot, storage.newest_boot + 1)
        return storage

    def _files(self, limit_bytes):
        try:
            os.mkdir("log")
        except OSError:
            pass  # it is there already
        return FileStorage("log", limit_bytes)

    def _flash(self, limit_bytes):
        bus, chosen = self._nor()
        flash = SpiFlash(bus, chosen)
        if not flash.size_bytes:
            raise ValueError("no flash chip answers")
        return NorStorage(flash, limit_bytes)

    # -- time and clocks

    def ticks_ms(self):
        """The board's running milliseconds, modulo 2**30."""
        return self._ticks() & _TICKS

    def ticks_diff(self, later, earlier):
        """later - earlier across the wrap, for spans under six days."""
        return (later - earlier + _HALF & _TICKS) - _HALF

    def i2c_read(self, address, register, buffer):
        """Fill buffer from a chip's registers; OSError where none answers."""
        self._i2c.readfrom_mem_into(address, register, buffer)

    def i2c_write(self, address, register, data):
        """Set a chip's registers; OSError where none answers."""
        self._i2c.writeto_mem(address, register, data)

    def _count_edge(self, _pin):
        self._edge = self._ticks() & _TICKS
        self._edges = self._edges + 1 & _TICKS

    def tick_count(self):
        """How many ticks of 1 Hz have come, modulo 2**30."""
        return self._edges

    def tick_ticks(self):
        """What the board's ticks counter stood at when the latest of them came."""
        return self._edge

    def nmea_read(self, buffer):
        """Bytes of a satellite receiver read into buffer."""
        if self._receiver is None or not self._receiver.any():
            return 0
        return self._receiver.readinto(buffer) or 0

    # -- the line, and waiting

    def link_read(self, buffer):
        """Bytes read from the line into buffer, 0 if none wait."""
        size = 0
        byte = self._byte
        while size < len(buffer) and self._poll_in.poll(0):
            # A longer read would wait until all of it has come.
            if not self._line_in.readinto(byte):
                break
            buffer[size] = byte[0]
            size += 1
        return size

    def link_write(self, data):
        """How many bytes of data the line took."""
        self.feed()
        if not self._poll_out.poll(0):
            return 0
        return self._line_out.write(data[:_BLOCK]) or 0

    def idle(self, busy):
        """Wait for the line or the next scan, a moment at most; busy: something waits."""
        self.feed()
        left = self.ticks_diff(self._due, self._ticks() & _TICKS)
        self._poll_in.poll(1 if busy else min(max(left, 1), _IDLE_MS))

    def rest(self):
        """A long wait, at night: as deep as a host may be let wait for its answer. A scan is
        due behind it."""
        self.lamp(False)
        self.feed()
        self.doze()
        self.feed()
        self._due = self._ticks() & _TICKS

    def stop(self):
        """Hand the line back to the prompt, and no watchdog ends what is done there."""
        self._enable(1)
        self.lamp(False)
        self.let_be()
        micropython.kbd_intr(_CTRL_C)

    def runtime(self):
        """The interpreter's own version string."""
        return sys.version

    def heap_bytes(self):
        """Memory that the interpreter may use."""
        return gc.mem_alloc() + gc.mem_free()

    def heap_free(self):
        """Of that, what is free now."""
        return gc.mem_free()

    # -- of each kind of board

    def feed(self):
        """Tell the watchdog that all is well; the first time starts it."""
        raise NotImplementedError

    def doze(self):
        """As rest, the waiting alone."""
        raise NotImplementedError

    def let_be(self):
        """The watchdog off."""
        raise NotImplementedError
