"""A sweep on the bench: every channel's level, as the shaft turns, into the log.

All levels are written when the shaft has turned by `step` since they last were, lit or not: were
only those written that changed, noise would choose them. Without an encoder they are written
every `every_ms`; then the Sun tells the angle.
"""

from array import array

from dialcore import records
from dialcore.compat import const

_TURN = const(65535)
_HALF = const(32768)


class Sweep:
    def __init__(self, clock, log, scan, encoder, step, every_ms):
        self._clock = clock
        self._log = log
        self._scan = scan
        self._encoder = encoder
        self._step = step
        self._every_ms = every_ms
        self._angle = -1  # as last written, -1 before
        self._due = clock.offset_ms
        self._silent = False
        self._payload = bytearray(120)
        channels = scan.watcher.channels
        # One array for each record that holds them all: slices would allocate.
        self._parts = []
        for first in range(0, channels, records.SWEEP_LEVELS):
            size = min(records.SWEEP_LEVELS, channels - first)
            self._parts.append((first, array("h", [0] * size)))

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        self._due -= shift_ms

    def take(self):
        """Write the scan down if it is due. Allocates nothing unless the encoder fails."""
        if not self._scan.watcher.gate:
            return
        if self._encoder is None:
            now = self._clock.offset_ms
            if now >= self._due:
                self._due = now + self._every_ms
                self._write(0, records.UNTURNED)
            return
        try:
            angle = self._encoder.angle()
            turned = (angle - self._angle + _HALF & _TURN) - _HALF
            if self._angle >= 0 and -self._step < turned < self._step:
                return
            state = self._encoder.state()
        except OSError:
            if not self._silent:
                self._silent = True
                size = records.pack_sweep(self._payload, 0, records.SILENT, 0, b"")
                self._log.record(records.SWEEP, self._payload, size)
            return
        self._silent = False
        self._angle = angle
        self._write(angle, state)

    def _write(self, angle, state):
        for part in self._parts:
            first = part[0]
            levels = part[1]
            for i in range(len(levels)):
                levels[i] = self._scan.level(first + i)
            size = records.pack_sweep(self._payload, angle, state, first, levels)
            self._log.record(records.SWEEP, self._payload, size)
