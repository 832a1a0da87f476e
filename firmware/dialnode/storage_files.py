"""Pages in files on the board's filesystem: the default storage.

A storage offers append(page), read(number), first, next, torn. Here a file holds up to
32 pages one after the other and is named by the number of its first; the oldest files
go when the log has grown to its limit. A page that a power cut tore is found by its
CRC, counted and left where it is; the next page then begins a new file.
"""

import os

from dialcore import records
from dialcore.compat import const

_PER_FILE = const(32)


class FileStorage:
    """Pages under a folder that exists; limit_bytes bounds what they take.

    first and next: the oldest page held and the number the next page must carry. Pages
    before first have been retired.
    """

    def __init__(self, folder, limit_bytes):
        self._folder = folder
        self._limit = limit_bytes
        self._files = sorted(
            int(name[1:], 16) for name in os.listdir(folder) if _is_page_file(name)
        )
        self._sizes = [os.stat(self._path(n))[6] for n in self._files]
        self._cursor = (-1, 0, 0)  # file index, page number, offset of the last look
        self.torn = 0
        self.next = 0
        self._room = 0  # pages that still may go into the newest file
        if self._files:
            self._resume()
        self.first = self._files[0] if self._files else 0

    def _path(self, first_page):
        return "%s/p%08x" % (self._folder, first_page)

    def _resume(self):
        """Find the end of the newest file, and whether it is whole."""
        number = self._files[-1]
        end = 0
        for found, _offset, size in self._walk(len(self._files) - 1):
            number = found + 1
            end += size
        self.next = number
        self._room = _PER_FILE - (number - self._files[-1])
        if end < self._sizes[-1]:
            self.torn += 1
            self._room = 0
            if number == self._files[-1]:
                # Not one good page: the name is needed again, and nothing is lost.
                os.remove(self._path(self._files.pop()))
                self._sizes.pop()

    def _walk(self, index):
        """Yield (number, offset, size) of the good pages of one file, in order."""
        number = self._files[index]
        offset = 0
        with open(self._path(number), "rb") as file:
            while True:
                page = _next_page(file)
                if page is None or records.header(page)[0] != number:
                    return
                yield number, offset, len(page)
                offset += len(page)
                number += 1

    def append(self, page):
        """Write one page; it is safe against power loss when this returns. Raises OSError."""
        fresh = self._room <= 0
        if fresh:
            self._files.append(self.next)
            self._sizes.append(0)
            self._room = _PER_FILE
        try:
            with open(self._path(self._files[-1]), "ab") as file:
                if file.write(page) != len(page):
                    raise OSError("short write")
                file.flush()
        except OSError:
            self._abandon(fresh)
            raise
        self._sizes[-1] += len(page)
        self._room -= 1
        self.next += 1
        while sum(self._sizes) > self._limit and len(self._files) > 1:
            os.remove(self._path(self._files.pop(0)))
            self._sizes.pop(0)
            self._cursor = (-1, 0, 0)
        self.first = self._files[0]

    def _abandon(self, fresh):
        """Never write behind half a page: the next one begins a new file."""
        self._room = 0
        if fresh:
            path = self._path(self._files.pop())
            self._sizes.pop()
            try:
                os.remove(path)
            except OSError:
                pass  # it was never made
        else:
            self.torn += 1

    def read(self, number):
        """The page's bytes, or None if it is retired, torn or not written yet."""
        index = len(self._files) - 1
        while index >= 0 and self._files[index] > number:
            index -= 1
        if index < 0:
            return None
        where, at, offset = self._cursor
        if where != index or at > number:
            at, offset = self._files[index], 0
        with open(self._path(self._files[index]), "rb") as file:
            file.seek(offset)
            while at <= number:
                page = _next_page(file)
                if page is None or records.header(page)[0] != at:
                    return None
                offset += len(page)
                at += 1
        self._cursor = (index, at, offset)
        return page


def _is_page_file(name):
    if len(name) != 9 or name[0] != "p":
        return False
    for c in name[1:]:
        if c not in "0123456789abcdef":
            return False
    return True


def _next_page(file):
    """The good page that starts where the file stands, or None."""
    head = file.read(records.HEADER_BYTES)
    try:
        size = records.header(head)[3]
        if size > records.MAX_PAGE:
            return None
        page = head + file.read(size - records.HEADER_BYTES)
        records.check(page)
    except ValueError:
        return None
    return page
