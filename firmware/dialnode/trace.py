"""A trace on the bench: every channel's level with the shaft's angle, for a host that looks on.

What is sent is what one scan and the encoder right after it said: an angle that is read later
belongs to another stand of a shaft that turns.
"""

from dialcore import messages, records
from dialcore.compat import const

_COUNT = const(65535)


class Trace:
    """encoder is None where there is none."""

    def __init__(self, clock, scan, encoder):
        self._clock = clock
        self._scan = scan
        self._encoder = encoder
        self._period = 0  # 0 is off
        self._due = 0
        self._at = 0
        self._angle = 0
        self._state = records.UNTURNED
        self._gate = 0
        self._levels = bytearray(2 * scan.watcher.channels)
        self._dropped = 0
        self.waiting = False  # a look that was taken and not sent

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        self._due -= shift_ms
        self._at -= shift_ms

    def begin(self, period_ms):
        """One look every period_ms from now on; 0 ends it."""
        self._period = period_ms
        self._due = self._clock.offset_ms
        self.waiting = False

    def take(self):
        """Look at the scan if that is due. Allocates nothing unless the encoder fails."""
        now = self._clock.offset_ms
        if not self._period or now < self._due:
            return
        self._due = now + self._period
        if self.waiting:
            self.drop()
        self.waiting = True
        self._at = now
        self._gate = self._scan.watcher.gate
        if self._encoder is not None:
            try:
                self._angle = self._encoder.angle()
                self._state = self._encoder.state()
            except OSError:
                self._state = records.SILENT
        levels = self._levels
        at = 0
        for channel in range(self._scan.watcher.channels):
            level = self._scan.level(channel)
            levels[at] = level & 255
            levels[at + 1] = level >> 8 & 255
            at += 2

    def drop(self):
        """Count the look that waits as one that is not sent."""
        self.waiting = False
        self._dropped = (self._dropped + 1) & _COUNT

    def taken(self, boot):
        """The payload of the look that waits, which then waits no more."""
        self.waiting = False
        return messages.pack_traced(
            boot,
            self._clock.epoch_ms + self._at,
            self._gate,
            self._scan.watcher.channels,
            self._dropped,
            self._angle,
            self._state,
            bytes(self._levels),
        )
