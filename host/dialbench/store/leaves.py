"""Rows out of a SQLite file whose tree is broken: every leaf page is read by itself.

The format is SQLite's own, "Database File Format" (sqlite.org/fileformat2.html): leaves of
tables with row numbers, begun by the byte 0x0d; rows that run over onto other pages are
left out. Nothing here trusts what it reads.
"""

from __future__ import annotations

from collections.abc import Iterator

Value = int | bytes | str | None

_LEAF = 0x0D
_FILE_HEAD = 100  # stands before the first page's own head
_WAL_HEAD, _FRAME_HEAD = 32, 24
_INTEGERS = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8}  # serial type: bytes


def rows(database: bytes, log: bytes) -> Iterator[list[Value]]:
    """Rows of every leaf, in the file and in its write-ahead log; a row whose first column
    is the row's number has that there. The same row can come more than once."""
    size = int.from_bytes(database[16:18], "big")
    if size < 512 or size & (size - 1):
        size = 4096  # SQLite's own choice, where the head is gone
    for at in range(0, len(database), size):
        yield from _leaf(database[at : at + size], _FILE_HEAD if at == 0 else 0)
    for at in range(_WAL_HEAD, len(log), _FRAME_HEAD + size):
        yield from _leaf(log[at + _FRAME_HEAD : at + _FRAME_HEAD + size], 0)


def _leaf(page: bytes, head: int) -> Iterator[list[Value]]:
    if len(page) < head + 8 or page[head] != _LEAF:
        return
    cells = int.from_bytes(page[head + 3 : head + 5], "big")
    for place in range(head + 8, min(head + 8 + 2 * cells, len(page) - 1), 2):
        row = _cell(page, int.from_bytes(page[place : place + 2], "big"))
        if row is not None:
            yield row


def _cell(page: bytes, at: int) -> list[Value] | None:
    """The row at a place of a leaf; None where there is no whole one."""
    try:
        size, at = _varint(page, at)
        number, at = _varint(page, at)
        record = page[at : at + size]
        if len(record) < size or size > len(page) - 35:  # the longest that is not cut
            return None
        head, place = _varint(record, 0)
        values: list[Value] = []
        body = head
        while place < head:
            kind, place = _varint(record, place)
            value, body = _value(record, body, kind)
            values.append(value)
        if values and values[0] is None:
            values[0] = number
    except (IndexError, UnicodeDecodeError):
        return None
    return values if body == size else None


def _value(record: bytes, at: int, kind: int) -> tuple[Value, int]:
    if kind == 0:
        return None, at
    if kind in (8, 9):
        return kind - 8, at
    if kind in _INTEGERS:
        end = at + _INTEGERS[kind]
        return int.from_bytes(record[at:end], "big", signed=True), end
    if kind < 12:  # a float, or of no use yet: a store holds none
        raise IndexError
    end = at + (kind - 12) // 2
    raw = record[at:end]
    return (raw.decode() if kind & 1 else raw), end


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """SQLite's varint: seven bits a byte, highest first, the ninth byte whole."""
    value = 0
    for _ in range(8):
        byte = data[at]
        at += 1
        value = value << 7 | byte & 127
        if byte < 128:
            return value, at
    return value << 8 | data[at], at + 1
