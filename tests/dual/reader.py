"""Multiplexers whose lines lead to numbers: every place shows a count of its own."""

from dialcore import wiring
from dialcore.crossing import FIRST
from dialnode.multiplexed import Multiplexed

SKY = 50000
SHADE = 3000


def count_at(channel):
    """What a channel shows."""
    return 100 + 7 * channel


class Reader(Multiplexed):
    """The part of a board that scans; time is what the test says."""

    settle_us = 40

    def __init__(self, period_ms=500):
        self.now = 0
        self.fed = 0
        self.waited_us = 0
        self.supply = 65535 * 4200 // 9900
        self._state = bytearray(8)
        state = self._state

        def line(k):
            def switch(level):
                state[k] = level

            return switch

        self._a0, self._a1, self._a2, self._a3 = line(0), line(1), line(2), line(3)
        self._b0, self._b1, self._b2, self._b3 = line(4), line(5), line(6), line(7)
        self._light = self._place
        self._sky = self._open
        self._shade = self._covered
        self._supply = self._volts
        self._ticks = self._now
        self._sleep_us = self._wait
        self._period = period_ms
        self._due = self._supply_due = 0
        self.weak = False

    def _now(self):
        return self.now

    def _wait(self, us):
        self.waited_us += us

    def _open(self):
        return SKY

    def _covered(self):
        return SHADE

    def _volts(self):
        return self.supply

    def _place(self):
        s = self._state
        leaf = s[0] | s[1] << 1 | s[2] << 2 | s[3] << 3
        root = s[4] | s[5] << 1 | s[6] << 2 | s[7] << 3
        if root >= wiring.LADDER_LEAF:
            return wiring.tap_counts(wiring.ladder_tap(root, leaf))
        return 100 + 7 * (root << 4 | leaf)

    def feed(self):
        self.fed += 1


def counts_of(channels):
    """An array of a scan's counts."""
    from array import array

    return array("H", [0] * (channels + FIRST))
