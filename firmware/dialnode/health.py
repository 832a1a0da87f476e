"""How the board is: its counters into the log, once a day and when a fault was counted."""

from dialcore import records
from dialcore.compat import const

_DAY_MS = const(86400000)
# Faults that follow upon each other are told together, so that telling wears nothing out.
_LEAST_MS = const(600000)


class Health:
    def __init__(self, board, clock, log, scan):
        self._board = board
        self._clock = clock
        self._log = log
        self._scan = scan
        self._told = 0  # faults counted when last told
        self._last = clock.offset_ms - _LEAST_MS

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        self._last -= shift_ms

    def step(self):
        """Tell if it is time. Allocates nothing otherwise."""
        since = self._clock.offset_ms - self._last
        if since < _LEAST_MS:
            return
        log = self._log
        faults = log.torn + log.bad + log.overflow
        if since < _DAY_MS and faults == self._told:
            return
        self._told = faults
        self._last = self._clock.offset_ms
        log.record(
            records.HEALTH,
            records.pack_health(
                log.first_page,
                log.torn,
                log.bad,
                log.erases,
                log.overflow,
                self._scan.blind_ms,
                self._board.heap_free(),
            ),
        )
