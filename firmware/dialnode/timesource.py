"""Reads clocks that know UTC, now and then, between scans, and writes down what they said.

The board's own clock is never set by them: a reading is a record like any other, and the
host makes of it what it can. No step waits: a chip is looked at once a step until its
seconds change, a receiver's bytes are taken as they come.
"""

from dialcore import records
from dialcore.compat import const

_SETTLE_MS = const(100)  # clocks wake with the board and need not answer at once
_FINE_MS = const(25)  # a second's beginning known so well is good enough at once
_PATIENCE_MS = const(5000)  # for a better one, or for a tick that does not come
_TICK_FRESH_MS = const(950)  # so long after a tick the chip still shows that second
_TICK_SIGMA_US = const(1000)  # the tick's own delay, and the count's millisecond
_COUNT_SIGMA_US = const(500)
_SQRT_12 = const(289)  # thousandths: one over it is the sigma of a window of width 1


class _Source:
    """When to read, and how to write it down; what a reading is, the kinds below know."""

    def __init__(self, number, clock, log, period_ms):
        self._number = number
        self._clock = clock
        self._log = log
        self._period_ms = period_ms
        self._due = clock.offset_ms + _SETTLE_MS  # offset from which the next reading is wanted
        self._fault = 0  # the last one written down
        self._trusted = True  # on the board itself; the host judges for itself

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        self._due -= shift_ms

    def _read(self, offset_ms, utc_us, sigma_us):
        device_ms = self._clock.epoch_ms + offset_ms
        self._log.record(records.RTC, records.pack_rtc(device_ms, utc_us, sigma_us, self._number))
        if self._trusted:
            self._clock.know(device_ms, utc_us)
        self._fault = 0
        self._wait()

    def _failed(self, reason):
        """Write a fault down once, and try again when the next reading is due."""
        if reason != self._fault:
            self._fault = reason
            self._log.record(records.RTC_FAULT, records.pack_rtc_fault(reason, self._number))
        self._wait()

    def _wait(self):
        self._due = self._clock.tick() + self._period_ms


class Chip(_Source):
    """A clock chip, read where its seconds begin.

    With `tick` the board counts the beginnings of its seconds (a 1 Hz square wave) and
    knows them to the millisecond; without, or while no tick comes, the beginning lies
    between two looks at the seconds.
    """

    def __init__(self, chip, board, clock, log, period_ms, tick):
        _Source.__init__(self, records.CHIP, clock, log, period_ms)
        self._chip = chip
        self._board = board
        self._tick = tick
        self._ready()

    def _ready(self):
        self._second = -1  # the seconds at the last look, -1 before the first
        self._looked = 0  # offset just before that look
        self._ticks = -1
        self._began = -1  # offset of the first look, -1 while none is wanted

    @property
    def listening(self):
        """Whether the next step should come soon."""
        return self._began >= 0

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        _Source.rebase(self, shift_ms)
        if self._began >= 0:
            # Two looks across a moved epoch are days apart by no clock: begin anew.
            self._ready()

    def step(self):
        """One look, if a reading is wanted."""
        now = self._clock.tick()
        if now < self._due:
            return
        try:
            if self._began < 0:
                self._begin(now)
            if self._tick:
                self._after_tick()
            patient = self._tick and now - self._began < _PATIENCE_MS
            if self._began >= 0 and not patient:
                self._between_looks(now)
        except OSError:
            self._end(records.CHIP_ABSENT)
        except ValueError:
            self._end(records.CHIP_NONSENSE)

    def _end(self, fault):
        self._ready()
        self._failed(fault)

    def _begin(self, now):
        self._began = now
        if self._chip.stopped():
            self._trusted = False
            self._log.record(
                records.RTC_FAULT, records.pack_rtc_fault(records.CHIP_STOPPED, self._number)
            )
            # Its note is the only one until ours is safe from the power going.
            if self._log.seal():
                self._chip.forget_stop()

    def _after_tick(self):
        ticks = self._board.tick_count()
        if ticks == self._ticks or self._ticks < 0:
            self._ticks = ticks
            return
        at = self._clock.offset_of(self._board.tick_ticks())
        second_s = self._chip.utc_s()
        fresh = self._clock.tick() - at < _TICK_FRESH_MS
        if fresh and self._board.tick_count() == ticks:
            self._take(at, second_s, _TICK_SIGMA_US)
        self._ticks = ticks

    def _between_looks(self, now):
        second = self._chip.second()
        after = self._clock.tick()
        if 0 <= self._second != second:
            width = after - self._looked
            if width <= _FINE_MS or after - self._began >= _PATIENCE_MS:
                utc_s = self._chip.utc_s()
                if utc_s % 60 == second:  # still the second whose beginning was seen
                    at = self._looked + width // 2
                    self._take(at, utc_s, width * _SQRT_12 + _COUNT_SIGMA_US)
                    return
        self._second = second
        self._looked = now

    def _take(self, offset_ms, second_s, sigma_us):
        self._ready()
        self._read(offset_ms, 1000000 * second_s, sigma_us)


class Receiver(_Source):
    """A satellite receiver. It speaks late by latency_ms, give or take sigma_ms, and its
    sentence began between two looks; with `tick` its pulse before the sentence says when the
    second began that the sentence names."""

    listening = False  # its bytes wait for it

    def __init__(self, sentences, board, clock, log, period_ms, latency_ms, sigma_ms, tick):
        _Source.__init__(self, records.SATELLITES, clock, log, period_ms)
        self._sentences = sentences
        self._board = board
        self._latency_ms = latency_ms
        self._sigma_ms = sigma_ms
        self._tick = tick
        self._bytes = bytearray(64)
        self._looked = clock.offset_ms  # offset of the last look
        self._began = 0  # offset at which the sentence under way began, in the middle of
        self._window = 0  # so many milliseconds, from look to look
        self._second = None  # offset at which the pulse before it came, if one did

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        _Source.rebase(self, shift_ms)
        self._looked -= shift_ms
        self._began -= shift_ms
        self._second = None

    def step(self):
        """Take what has come; it is read even when nothing is wanted, and then dropped."""
        size = self._board.nmea_read(self._bytes)
        now = self._clock.tick()
        window = now - self._looked
        if size < len(self._bytes):
            self._looked = now  # else more may have waited as long
        for i in range(size):
            before = self._sentences.begun
            told = self._sentences.heard(self._bytes[i])
            if self._sentences.begun and not before:
                self._began = now - window // 2
                self._window = window
                self._second = None
                if self._tick and self._board.tick_count():
                    pulse = self._clock.offset_of(self._board.tick_ticks())
                    if 0 <= now - pulse < 1000:
                        self._second = pulse
            if told is not None and now >= self._due:
                self._told(told[0], told[1])

    def _told(self, second_s, part_ms):
        utc_us = 1000000 * second_s + 1000 * part_ms
        second = self._second
        # Looked for so seldom, the sentence may be of the second before the latest pulse.
        surely = self._window + self._latency_ms + 3 * self._sigma_ms < 1000
        if second is not None and surely and part_ms == 0:
            self._read(second, utc_us, _TICK_SIGMA_US)
        else:
            sigma_us = 1000 * self._sigma_ms + self._window * _SQRT_12
            self._read(self._began - self._latency_ms, utc_us, sigma_us)
