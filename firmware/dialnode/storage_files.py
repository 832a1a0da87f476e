"""Pages in files on the board's filesystem: the default storage.

A storage offers append(page), read(number), first, next, torn, newest_boot; bad and erases,
counters since the start; kind and size_bytes, what SETUP says of it. Here a file holds pages
one after the other, 32 KB or 256 of them, and is named by the number of its first; the oldest
files go when the log has grown to its limit, in bytes or in files: the names must fit into
the board's memory. A page that a power cut tore is found by its CRC, counted and left where
it is; the next page then begins a new file. A page damaged later costs no other: the
next is searched for.

Pages are the batch in which records are synced: each costs about one erase of 4 KB, and the
file system spreads these over its flash.
"""

import os

from dialcore import records
from dialcore.compat import const

_PER_FILE = const(256)
_FILE_BYTES = const(32768)
_FILES = const(256)
_NO_SPACE = const(28)  # ENOSPC, which small builds do not name
_BEGINS = records.MAGIC + bytes((records.VERSION, records.TICK_MS))
_BLOCK = const(256)


class FileStorage:
    """Pages under a folder that exists; limit_bytes bounds what they take.

    first and next: the oldest page held and the number the next page must carry. Pages
    before first have been retired. newest_boot: that of the newest good page at the start, 0 if
    there was none.
    bad: writes that failed. erases: about how many, one a write or removal.
    """

    kind = "files"

    def __init__(self, folder, limit_bytes):
        self._folder = folder
        self.size_bytes = limit_bytes
        self._files = sorted(
            int(name[1:], 16) for name in os.listdir(folder) if _is_page_file(name)
        )
        self._sizes = [os.stat(self._path(n))[6] for n in self._files]
        self._cursor = (-1, 0, 0)  # file's first page, page number, offset of the last look
        self.torn = self.bad = self.erases = 0
        self.newest_boot = 0
        self.next = 0
        self._room = 0  # pages that still may go into the newest file
        if self._files:
            self._resume()
        self.first = self._files[0] if self._files else 0

    def _path(self, first_page):
        return "%s/p%08x" % (self._folder, first_page)

    def _resume(self):
        """Find where the newest file ends, and whether it ends well."""
        name = self._files[-1]
        number, end = self._walk(name)
        older = len(self._files) - 2
        while not self.newest_boot and older >= 0:
            self._walk(self._files[older])
            older -= 1
        self.next = number
        rest = self._sizes[-1] - end
        if not rest:
            self._room = _PER_FILE - (number - name)
            return
        self.torn += 1
        if rest > records.MAX_PAGE:
            # More than the one page a power cut can tear: give none of their numbers again.
            self.next = max(number, name + _PER_FILE)
        elif number == name:
            # Half a page and nothing else: its name and number are needed again.
            self._files.pop()
            self._sizes.pop()

    def _walk(self, name):
        """(number, offset behind the last good one) after a file's pages; notes their boot."""
        number = name
        offset = end = 0
        with open(self._path(name), "rb") as file:
            while True:
                page, found, after = _page_from(file, offset, number, name + _PER_FILE)
                if not after:
                    return number, end
                offset = after
                number = found + 1
                if page is not None:
                    end = offset
                    self.newest_boot = max(self.newest_boot, records.header(page)[1])

    def append(self, page):
        """Write one page; it is safe against power loss when this returns. Raises OSError."""
        while True:
            try:
                self._write(page)
                break
            except OSError as wrong:
                # Where there is no more space than this, less must do.
                if wrong.args[0] != _NO_SPACE or not self._retire():
                    self.bad += 1
                    raise
        while (sum(self._sizes) > self.size_bytes or len(self._files) > _FILES) and self._retire():
            pass

    def _write(self, page):
        fresh = self._room <= 0 or self._sizes[-1] >= _FILE_BYTES
        name = self.next if fresh else self._files[-1]
        self.erases += 1
        try:
            with open(self._path(name), "wb" if fresh else "ab") as file:
                if file.write(page) != len(page):
                    raise OSError(_NO_SPACE)
                file.flush()
        except OSError:
            # Never write behind half a page: the next one begins a new file.
            self._room = 0
            if not fresh:
                self.torn += 1
            raise
        if fresh:
            self._files.append(name)
            self._sizes.append(0)
            self._room = _PER_FILE
        self._sizes[-1] += len(page)
        self._room -= 1
        self.next += 1
        self.first = self._files[0]

    def _retire(self):
        """Give up the oldest file; False if it is the only one, or will not go."""
        if len(self._files) < 2:
            return False
        try:
            os.remove(self._path(self._files[0]))
        except OSError:
            return False
        self.erases += 1
        self._files.pop(0)
        self._sizes.pop(0)
        self.first = self._files[0]
        return True

    def read(self, number):
        """The page's bytes, or None if it is retired, damaged or not written yet."""
        name = -1
        for candidate in self._files:
            if candidate <= number:
                name = candidate
        if name < 0:
            return None
        where, at, offset = self._cursor
        if where != name or at > number:
            at, offset = name, 0
        page = None
        with open(self._path(name), "rb") as file:
            while at <= number:
                page, found, offset = _page_from(file, offset, at, name + _PER_FILE)
                if not offset or found > number:
                    return None
                at = found + 1
        self._cursor = (name, at, offset)
        return page


def _is_page_file(name):
    if len(name) != 9 or name[0] != "p":
        return False
    for c in name[1:]:
        if c not in "0123456789abcdef":
            return False
    return True


def _page_from(file, offset, number, stop):
    """(page, its number, the offset behind it) from an offset on, where a page so numbered
    should be. The page is None if it is damaged; the offset 0 where no page follows."""
    file.seek(offset)
    page, size = _page_at(file, number)
    if page is not None:
        return page, number, offset + size
    behind = offset + size if size else 0
    while True:
        file.seek(offset)
        data = file.read(_BLOCK)
        at = data.find(_BEGINS)
        if at >= 0:
            offset += at
            file.seek(offset)
            head = file.read(records.HEADER_BYTES)
            if len(head) == records.HEADER_BYTES:
                found = records.header(head)[0]
                file.seek(offset)
                page, size = _page_at(file, found)
                if page is not None and number < found < stop:
                    return page, found, offset + size
            offset += 1
        elif len(data) == _BLOCK:
            offset += _BLOCK - len(_BEGINS) + 1
        else:
            return None, number, behind


def _page_at(file, number):
    """The page where the file stands, and how far the next one is.

    (None, size) for a damaged page whose size can still be told, (None, 0) where nothing
    can be told any more.
    """
    head = file.read(records.HEADER_BYTES)
    try:
        size = records.header(head)[3]
    except ValueError:
        return None, 0
    if size > records.MAX_PAGE:
        return None, 0
    page = head + file.read(size - records.HEADER_BYTES)
    try:
        if records.check(page)[0] != number:
            return None, size
    except ValueError:
        return None, size if len(page) == size else 0
    return page, size
