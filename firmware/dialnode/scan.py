"""One scan after the other: counts from the board, crossings and gate into the log."""

from array import array

from dialcore import records
from dialcore.crossing import FIRST, SHADE, SKY, Crossings

_BLIND_SCANS = 5  # a pause longer than so many scan periods is written down


class Scan:
    def __init__(self, board, clock, log, config):
        self._board = board
        self._clock = clock
        self._log = log
        self._blind_ms = config.scan_ms * _BLIND_SCANS
        self._calibration = config.calibration
        self._counts = array("H", [0] * (len(config.calibration.dark) + FIRST))
        self._last = clock.offset_ms
        self.watcher = Crossings(config.calibration, log.crossing, config.thresholds)
        self.levels = bytearray((self.watcher.channels + 3) // 4)
        self.scans = 0
        self.blind_ms = 0

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        self._last -= shift_ms
        self.watcher.rebase(shift_ms)

    def take(self):
        """Scan if one is due; False if none was. Allocates nothing unless the gate moves,
        the scan was held up or the log had broken off."""
        if not self._board.scan(self._counts):
            return False
        now = self._clock.tick()
        pause = now - self._last
        self._last = now
        watcher = self.watcher
        if pause > self._blind_ms and watcher.gate:
            self.blind_ms += pause
            self._log.record(records.BLIND, records.pack_count(pause))
        watcher.scan(self._counts, now)
        self.scans += 1
        if watcher.gate_moved or self._log.resumed:
            watcher.gate_moved = False
            self._log.resumed = False
            self._log.record(records.GATE, records.pack_gate(watcher.gate, self.direct()))
            if watcher.gate:
                self.snapshot()
        return True

    def level(self, channel):
        """A channel's level at the last scan, 1024 for a fully lit exit, in two signed bytes."""
        cal = self._calibration
        counts = self._counts[channel + FIRST] - cal.dark[channel]
        level = counts * cal.scale[channel] // max(self.watcher.direct, 1)
        return min(max(level, -32768), 32767)

    def direct(self):
        """Counts of direct light at the last scan, held to what two bytes can say."""
        return min(max(self.watcher.direct, 0), 65535)

    def outside(self):
        """Raw counts of the open-sky sensor and the shaded one at the last scan."""
        return self._counts[SKY], self._counts[SHADE]

    def snapshot(self):
        """Log every channel's state as it is now."""
        self.watcher.levels(self.levels)
        self._log.record(records.SNAPSHOT, self.levels)
