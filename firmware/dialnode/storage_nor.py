"""Pages on a bare flash chip: raw sectors, used in a ring.

What storage_files offers, on a chip of its own. A sector begins with a header that says its
turn in the ring and the number of its first page; pages follow, each on a boundary of 16
bytes. A sector is erased right before it is used, and found blank before it is written. What
is programmed is read back: a page that does not stand there goes to the next sector, and the
bad one is counted. A page that a power cut tore ends its sector.

    header: "DS", u16 sectors in the ring, u32 turn, u32 first page, u32 CRC-32 of these

The turn counts the sectors used over the chip's life, those that were bad too: sector
`turn % sectors`. So a start reads one header a sector, and the newest sector's pages.
"""

import struct
from array import array

from dialcore import records
from dialcore.compat import const, crc32
from dialnode.flash_spi import PAGE, SECTOR

_HEADER = "<2sHII"
_HEAD_BYTES = const(16)
_GRAIN = const(16)
_NONE = const(0x3FFFFFFF)  # no page is numbered so high
_MOST_PAGES = const(127)  # that a sector can hold
# Sectors tried for one page: more than a bad block of 64 KB holds. No more is lost to a chip
# that erases and does not program.
_TRIES = const(20)
_EIO = const(5)
_ERASED = b"\xff" * PAGE
_NOTHING = b"\xff" * records.HEADER_BYTES


class NorStorage:
    """Pages on the first limit_bytes of a flash; attributes as those of FileStorage.

    bad: programs, erases and reads that failed, since the start. Raises ValueError where the
    chip is smaller, or holds the ring of another size.
    """

    kind = "flash"

    def __init__(self, flash, limit_bytes):
        if limit_bytes > flash.size_bytes:
            raise ValueError("the flash has %d bytes" % flash.size_bytes)
        self._flash = flash
        self._sectors = limit_bytes // SECTOR
        self.size_bytes = self._sectors * SECTOR
        # Of each sector's first page. (Out of a range: a list or bytes were as long once more.)
        self._numbers = array("I", range(self._sectors))
        for sector in range(self._sectors):
            self._numbers[sector] = _NONE
        self._chunk = bytearray(PAGE)
        self._cursor = (-1, 0, 0)  # sector, offset behind the page last read, its number
        self._turn = -1
        self._end = SECTOR  # where the newest sector goes on
        self.torn = self.bad = self.erases = 0
        self.first = self.next = self.newest_boot = 0
        hidden = self._find_ring()
        if self._turn >= 0:
            self._resume()
            self._drop_half_erased()
        if hidden:
            self.next += _MOST_PAGES
        self._count_first()

    # -- finding one's way at the start

    def _find_ring(self):
        """Note where sectors begin and which is newest; True if one that cannot be read may
        be newer still."""
        # As two bytes can tell them; meaningless where no sector has a number.
        rounds = array("H", range(self._sectors))
        dead = []
        for sector in range(self._sectors):
            try:
                head = self._head(sector)
            except OSError:
                self.bad += 1
                dead.append(sector)
                continue
            if head is not None:
                turn, self._numbers[sector] = head
                rounds[sector] = turn // self._sectors & 0xFFFF
                self._turn = max(self._turn, turn)
        before = _NONE
        for turn in range(self._turn, self._turn - self._sectors, -1):
            sector = turn % self._sectors
            # Sectors that would not be erased hold what the ring has long left behind; and
            # one that took no page has the number of the next.
            late = rounds[sector] != turn // self._sectors & 0xFFFF
            if late or self._numbers[sector] >= before:
                self._numbers[sector] = _NONE
            else:
                before = self._numbers[sector]
        return (self._turn + 1) % self._sectors in dead

    def _head(self, sector):
        """(turn, first page) as the sector's header says, None if it has none. Raises OSError
        where it cannot be read."""
        head = bytearray(_HEAD_BYTES)
        for _ in range(2):
            self._flash.read(sector * SECTOR, head)
            magic, sectors, turn, number = struct.unpack(_HEADER, head[:12])
            if magic != b"DS" or struct.unpack("<I", head[12:])[0] != crc32(head[:12]):
                continue
            if sectors != self._sectors:
                # Begun with another size: what is there must not be taken for nothing.
                raise ValueError("log_bytes must be %d here" % (sectors * SECTOR))
            if turn % sectors == sector and number < _NONE:
                return turn, number
        return None

    def _safe_head(self, sector):
        try:
            return self._head(sector)
        except OSError:
            return None

    def _resume(self):
        """Find where the newest sector ends, and whether it ends well."""
        sector = self._turn % self._sectors
        start = self._numbers[sector]
        try:
            self.next, end, _since = self._behind(sector)
            used = self._used(sector)
            if used > end:
                self.torn += 1
        except OSError:
            self.bad += 1
            used, end = SECTOR, _HEAD_BYTES
        if used - end > records.MAX_PAGE:
            # More than the one page a power cut can tear: give none of their numbers again.
            self.next = start + _MOST_PAGES
        self._end = SECTOR if used > end else end
        turn = self._turn
        while not self.newest_boot and turn > 0 and turn > self._turn - self._sectors:
            turn -= 1
            if self._numbers[turn % self._sectors] != _NONE:
                try:
                    self._behind(turn % self._sectors)
                except OSError:
                    self.bad += 1

    def _behind(self, sector):
        """(number, offset) behind a sector's last good page, and the number since which none
        is missing before it; notes that page's boot."""
        at = _HEAD_BYTES
        number = since = self._numbers[sector]
        while True:
            page, after = self._page_from(sector, at, number)
            if page is None:
                return number, at, since
            at = after
            found, boot = records.header(page)[:2]
            if found != number:
                since = found
            number = found + 1
            self.newest_boot = max(self.newest_boot, boot)

    def _used(self, sector):
        """The offset behind the last byte of a sector that is not blank."""
        at = SECTOR
        while at > 0:
            at -= PAGE
            self._flash.read(sector * SECTOR + at, self._chunk)
            if self._chunk != _ERASED:
                end = PAGE
                while self._chunk[end - 1] == 255:
                    end -= 1
                return at + end
        return 0

    def _drop_half_erased(self):
        """The sector whose turn is next may have been cut while it was erased, or have lost a
        page to time: what it holds is retired but for the pages that reach up, with none
        missing, to those of the sector after it."""
        oldest = (self._turn + 1) % self._sectors
        number = self._numbers[oldest]
        if number == _NONE:
            return
        following = _NONE
        for other in self._numbers:
            if number < other < following:
                following = other
        try:
            behind, _at, since = self._behind(oldest)
        except OSError:
            self.bad += 1
            return
        self._numbers[oldest] = since if behind == following else _NONE

    def _count_first(self):
        oldest = min(self._numbers)
        self.first = self.next if oldest == _NONE else oldest

    # -- writing

    def append(self, page):
        """Write one page; it is safe against power loss when this returns. Raises OSError."""
        sectors = self._sectors
        if self._end + len(page) <= SECTOR:
            if self._put(self._turn % sectors * SECTOR + self._end, page):
                self._end = _rounded(self._end + len(page))
                self.next += 1
                return
            self.bad += 1
            self._end = SECTOR
        for turn in range(self._turn + 1, self._turn + 1 + min(_TRIES, sectors - 1)):
            sector = turn % sectors
            if self._opened(sector, turn) and self._put(sector * SECTOR + _HEAD_BYTES, page):
                for passed in range(self._turn + 1, turn):
                    self._numbers[passed % sectors] = _NONE
                self._numbers[sector] = self.next
                self._turn = turn
                self._end = _rounded(_HEAD_BYTES + len(page))
                self.next += 1
                self._count_first()
                return
            self.bad += 1
        raise OSError(_EIO)

    def _opened(self, sector, turn):
        """Erase a sector and give it its header; False if it will not take that."""
        before = self._safe_head(sector)
        head = struct.pack(_HEADER, b"DS", self._sectors, turn, self.next)
        head += struct.pack("<I", crc32(head))
        self.erases += 1
        self._cursor = (-1, 0, 0)  # it may be in this sector, between other pages
        try:
            self._flash.erase(sector * SECTOR)
            done = self._used(sector) == 0 and self._put(sector * SECTOR, head)
        except OSError:
            done = False
        if done or self._safe_head(sector) != before:
            self._numbers[sector] = _NONE
            self._count_first()
        return done

    def _put(self, address, data):
        """Program data and read it back; whether it stands there."""
        try:
            at = 0
            while at < len(data):
                end = at + PAGE - (address + at & PAGE - 1)
                self._flash.program(address + at, data[at:end])
                at = end
            return self._stands(address, data)
        except OSError:
            return False

    def _stands(self, address, data):
        view = memoryview(self._chunk)
        for at in range(0, len(data), PAGE):
            part = data[at : at + PAGE]
            self._flash.read(address + at, view[: len(part)])
            if bytes(view[: len(part)]) != bytes(part):
                return False
        return True

    # -- reading

    def read(self, number):
        """The page's bytes, or None if it is retired, damaged or not written yet."""
        sector = -1
        best = -1
        if self.first <= number < self.next:
            for candidate in range(self._sectors):
                if best < self._numbers[candidate] <= number:
                    sector = candidate
                    best = self._numbers[candidate]
        if sector < 0:
            return None
        where, at, last = self._cursor
        if where != sector or last >= number:
            at, last = _HEAD_BYTES, best - 1
        try:
            page, after = self._page_from(sector, at, last + 1)
            while page is not None and records.header(page)[0] < number:
                page, after = self._page_from(sector, after, last + 1)
        except OSError:
            self.bad += 1
            return None
        if page is None or records.header(page)[0] > number:
            return None
        self._cursor = (sector, after, number)
        return page

    def _page_from(self, sector, at, least):
        """The next good page of a sector, numbered `least` or higher, and the offset behind
        it; (None, 0) if there is none from the offset at on."""
        while at <= SECTOR - records.HEADER_BYTES:
            page = self._page_at(sector * SECTOR + at, SECTOR - at)
            if page == _NOTHING:
                break
            if page is not None and records.header(page)[0] >= least:
                return page, _rounded(at + len(page))
            at += _GRAIN
        return None, 0

    def _page_at(self, address, room):
        """The page at an address, None if no good one stands there, _NOTHING where nothing
        was written. Raises OSError where it cannot be read."""
        head = bytearray(records.HEADER_BYTES)
        for _ in range(2):
            self._flash.read(address, head)
            if head == _NOTHING:
                return head
            try:
                size = records.header(head)[3]
                if size <= min(room, records.MAX_PAGE):
                    page = bytearray(size)
                    self._flash.read(address, page)
                    records.check(page)
                    return bytes(page)
            except ValueError:
                continue
        return None


def _rounded(offset):
    return (offset + _GRAIN - 1) // _GRAIN * _GRAIN
