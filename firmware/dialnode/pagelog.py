"""The log: records go into a page in memory, full or old pages into the storage.

Two pages take turns, so that a scan can always write on. When both are full the log
breaks off: records are counted, none is kept, until there is room again for the count,
which is itself a record. A record counts as kept once its page is in the storage: at the
latest `commit_ms` after it was written (the commit horizon).
"""

from dialcore import records
from dialcore.compat import const

_PATIENCE_MS = const(2000)


class PageLog:
    """A storage, the clock and the boot number make a log."""

    def __init__(self, storage, clock, boot, commit_ms):
        self._storage = storage
        self._clock = clock
        self._boot = boot
        self._commit_ms = commit_ms
        self._page = records.PageWriter()
        self._spare = records.PageWriter()
        self._waiting = False  # the spare is full and waits for the storage
        self._patience = 0  # offset until which a storage that failed is left alone
        self._page.start(clock.offset_ms)
        self._unsaid = 0  # records lost since the log broke off
        self.overflow = 0
        self.held = False  # nothing is handed to the storage, which may fail half-way
        self.resumed = False  # the log went on after a break; the caller clears it

    @property
    def first_page(self):
        return self._storage.first

    @property
    def next_page(self):
        return self._storage.next

    @property
    def torn(self):
        return self._storage.torn

    @property
    def bad(self):
        return self._storage.bad

    @property
    def erases(self):
        return self._storage.erases

    @property
    def size_bytes(self):
        return self._storage.size_bytes

    @property
    def broken(self):
        """Whether records are being lost."""
        return self._unsaid > 0

    @property
    def open_records(self):
        return self._page.count

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        self._page.rebase(shift_ms)
        self._spare.rebase(shift_ms)
        self._patience -= shift_ms

    def crossing(self, channel, threshold, rise, offset_ms):
        """Log a crossing. Allocates nothing."""
        if not self._page.count:
            self._page.start(offset_ms)
        if self._unsaid or not (
            self._page.crossing(channel, threshold, rise, offset_ms)
            or (
                self._turn_over(offset_ms)
                and self._page.crossing(channel, threshold, rise, offset_ms)
            )
        ):
            self.overflow += 1
            self._unsaid += 1

    def record(self, tag, payload, size=-1):
        """Log any other record, as of now; size as in PageWriter.record. Allocates nothing."""
        now = self._clock.offset_ms
        if not self._page.count:
            self._page.start(now)
        if self._unsaid or not (
            self._page.record(tag, now, payload, size)
            or (self._turn_over(now) and self._page.record(tag, now, payload, size))
        ):
            self.overflow += 1
            self._unsaid += 1

    def _turn_over(self, offset_ms):
        if self._waiting:
            return False
        self._page, self._spare = self._spare, self._page
        self._waiting = True
        self._page.start(offset_ms)
        return True

    def flush(self):
        """Hand what is due to the storage; True if nothing waits any more."""
        if not self._waiting:
            page = self._page
            if not page.count or self._clock.offset_ms - page.base_offset_ms < self._commit_ms:
                return True
        return self._clock.offset_ms >= self._patience and self._write()

    def seal(self):
        """Hand everything to the storage, due or not; True if it is all there."""
        if self._waiting and not self._write():
            return False
        return not self._page.count or self._write()

    def _write(self):
        if self.held:
            return False
        if not self._waiting:
            self._turn_over(self._clock.offset_ms)
        full = self._spare
        try:
            self._storage.append(
                full.sealed(self.next_page, self._boot, self._clock.epoch_ms + full.base_offset_ms)
            )
        except OSError:
            self._patience = self._clock.offset_ms + _PATIENCE_MS
            return False
        self._waiting = False
        if self._unsaid:
            lost = self._unsaid
            self._unsaid = 0
            self.record(records.OVERFLOW, records.pack_count(lost))
            self.resumed = True
        return True

    def read(self, number):
        """A stored page's bytes, or None if it is not there or cannot be read."""
        try:
            return self._storage.read(number)
        except OSError:
            return None
