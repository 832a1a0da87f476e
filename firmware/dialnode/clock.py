"""The device's own time: milliseconds since boot, across the wrap of the ticks counter.

It is never set and never steps. `offset_ms` counts from `epoch_ms` and stays small, so
that a scan can use it without allocating; `rebase` moves the epoch when it has grown.
"""

from dialcore.compat import const

_ENOUGH_MS = const(1 << 27)  # a day and a half


class Clock:
    def __init__(self, board):
        self._ticks = board.ticks_ms
        self._diff = board.ticks_diff
        self._last = board.ticks_ms()
        self.epoch_ms = 0
        self.offset_ms = 0
        self._boot_utc_ms = -1  # UTC at the counter's zero as last told, -1 while unknown

    def know(self, device_ms, utc_us):
        """It was utc_us so many milliseconds after boot, says who should know."""
        self._boot_utc_ms = utc_us // 1000 - device_ms

    def utc_s(self):
        """Unix seconds as last told, for what need not be exact; -1 while unknown. No record
        carries it."""
        if self._boot_utc_ms < 0:
            return -1
        return (self._boot_utc_ms + self.epoch_ms + self.offset_ms) // 1000

    def tick(self):
        """Read the counter; return milliseconds since the epoch. Allocates nothing."""
        now = self._ticks()
        self.offset_ms += self._diff(now, self._last)
        self._last = now
        return self.offset_ms

    def offset_of(self, ticks):
        """Milliseconds from the epoch to when the counter stood at ticks, days ago at most."""
        return self.offset_ms + self._diff(ticks, self._last)

    def now_ms(self):
        """Milliseconds since boot."""
        return self.epoch_ms + self.tick()

    def rebase(self):
        """Move the epoch up to now if it lies far back; return by how many milliseconds."""
        if self.offset_ms < _ENOUGH_MS:
            return 0
        shift = self.offset_ms
        self.epoch_ms += shift
        self.offset_ms = 0
        return shift
