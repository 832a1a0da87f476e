"""Tables to be written: columns with their units in words, rows a chunk at a time."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from dialbench.days import dated

Kind = Literal["integer", "number", "datetime", "string", "boolean"]
Cells = NDArray[Any] | Sequence[Any]
Chunk = Sequence[Cells]

NO_TIME = int(np.iinfo(np.int64).min)  # in a column of datetimes: not known
GUARD = "'"  # before a text that a spreadsheet would take for a formula
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
ROWS = 200_000  # of a chunk, about


@dataclass(frozen=True)
class Column:
    """One column. Cells by kind: integer, int; number, float, nan for not known, written with
    so many decimals; datetime, microseconds of Unix UTC; string, str; boolean, bool."""

    name: str
    kind: Kind
    about: str
    decimals: int = 6


@dataclass(frozen=True)
class Table:
    """chunks: gives the rows from the first on, each time it is called; a chunk has one
    sequence of cells for each column."""

    name: str
    about: str
    columns: tuple[Column, ...]
    chunks: Callable[[], Iterator[Chunk]]


def cut(cells: Sequence[Cells]) -> Iterator[Chunk]:
    """Chunks of whole columns."""
    for at in range(0, len(cells[0]), ROWS):
        yield tuple(column[at : at + ROWS] for column in cells)


def csv_text(table: Table) -> Iterator[bytes]:
    """The table as CSV (RFC 4180, but for lines ended by LF) in UTF-8, chunk by chunk."""
    yield (",".join(column.name for column in table.columns) + "\n").encode()
    for chunk in table.chunks():
        texts = [_texts(column, cells) for column, cells in zip(table.columns, chunk, strict=True)]
        if len(texts[0]):
            yield ("\n".join(map(",".join, zip(*texts, strict=True))) + "\n").encode()


def utc_texts(utc_us: NDArray[np.int64]) -> list[str]:
    """Instants of UTC as text, to the microsecond; empty for those of no calendar."""
    known = dated(utc_us)
    texts = np.datetime_as_string(np.where(known, utc_us, 0).astype("M8[us]")).tolist()
    return [f"{text}Z" if told else "" for text, told in zip(texts, known.tolist(), strict=True)]


def _texts(column: Column, cells: Cells) -> list[str]:
    values = cells.tolist() if isinstance(cells, np.ndarray) else list(cells)
    if column.kind == "integer":
        return list(map(str, values))
    if column.kind == "datetime":
        return utc_texts(np.asarray(cells, np.int64))
    known: dict[Any, str] = {}
    write = _text if column.kind == "string" else _boolean
    if column.kind == "number":
        form = f"%.{column.decimals}f"
        finite = np.isfinite(np.asarray(cells, np.float64)).tolist()
        return [form % value if told else "" for value, told in zip(values, finite, strict=True)]
    for value in set(values):
        known[value] = write(value)
    return [known[value] for value in values]


def _boolean(value: bool) -> str:
    return "true" if value else "false"


def _text(text: str) -> str:
    # A spreadsheet takes such a cell for a formula, and runs it: names come from devices and files.
    return _quoted(f"{GUARD}{text}" if text.startswith((*_FORMULA, GUARD)) else text)


def unguarded(cell: str) -> str:
    """The text that was written as this cell."""
    return cell.removeprefix(GUARD)


def _quoted(text: str) -> str:
    if any(sign in text for sign in ',"\r\n'):
        return '"' + text.replace('"', '""') + '"'
    return text
