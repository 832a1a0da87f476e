"""Tables in CSV files from outside, with a heading; each mistake in one is a sentence.

A file with mistakes is refused with all of them, and nothing of it is kept.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Generic, TypeVar

from dialbench.errors import UserError, inert

MAX_BYTES = 128_000_000
MAX_ROWS = 2_000_000  # a hundred channels' crossings of ten years
_PRINTED_PROBLEMS = 40
_SHOWN = 40  # characters of a cell that a message repeats

_INSTANT = re.compile(
    r"(\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?([Zz]|\+00:00)?", re.ASCII
)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_YEARS = (1900, 2052)  # those in which the Sun's place is known
_EXAMPLE = "2027-04-16T12:00:00.250Z"
_NO_INSTANT = f"there is no such instant; write one such as {_EXAMPLE}"

Cell = TypeVar("Cell", bound=float)


class TableError(UserError):
    """Why a file is refused: a sentence a mistake, each with file, line and column."""

    def __init__(self, problems: Sequence[str]) -> None:
        hidden = len(problems) - _PRINTED_PROBLEMS
        more = [f"... and {hidden} more"] if hidden > 0 else []
        super().__init__(*problems[:_PRINTED_PROBLEMS], *more)
        self.problems = list(problems)


def read(path: Path) -> bytes:
    """All of a file, or one byte more than a table may have. Raises TableError."""
    name = inert(str(path))
    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise TableError([f"{name}: there is no such file"]) from None
    except (OSError, ValueError) as error:  # ValueError: NUL in the path
        reason = getattr(error, "strerror", None) or error
        raise TableError([f"{name}: cannot be read ({reason})"]) from None
    return raw


def utc_us(text: str) -> int:
    """Microseconds of UTC that a cell says. Raises ValueError with what to write instead."""
    found = _INSTANT.fullmatch(text)
    if found is None:
        raise ValueError(f"write an instant of UTC such as {_EXAMPLE}")
    if found[3] is None:
        raise ValueError(f"says no zone; write UTC and end it in Z, such as {_EXAMPLE}")
    minute_us, second = _minute_us(found[1][:16]), int(found[1][17:])
    if second > 59:
        raise ValueError(_NO_INSTANT)
    nanoseconds = int((found[2] or "0").ljust(9, "0"))
    return minute_us + 1_000_000 * second + (nanoseconds + 500) // 1000


@lru_cache(1024)  # a log's crossings come many to the minute
def _minute_us(text: str) -> int:
    """Microseconds of UTC at the start of a minute, "2027-04-16T12:00"."""
    try:
        minute = datetime.fromisoformat(text).replace(tzinfo=UTC)
    except ValueError:
        raise ValueError(_NO_INSTANT) from None
    if not _YEARS[0] <= minute.year <= _YEARS[1]:
        raise ValueError(f"write an instant of the years {_YEARS[0]} to {_YEARS[1]}")
    return (minute - _EPOCH) // timedelta(microseconds=1)


def utc_text(utc_us: int) -> str:
    """An instant as a cell that utc_us reads."""
    instant = _EPOCH + timedelta(microseconds=utc_us)
    return instant.isoformat(timespec="microseconds").replace("+00:00", "Z")


class Table(Generic[Cell]):
    """One file: its lines as rows of values, in the order of the columns asked for."""

    def __init__(
        self,
        raw: bytes,
        name: str,
        needed: Mapping[str, Callable[[str], Cell]],
        optional: Mapping[str, Callable[[str], Cell | None]],
    ) -> None:
        self.name = inert(name)
        self._raw = raw
        self._needed = needed
        self._readers = {**needed, **optional}

    def rows(self, problems: list[str]) -> Iterator[tuple[int, list[Cell | None]]]:
        """(line, values) of every sound line; mistakes go to problems."""
        try:
            yield from self._rows(problems)
        except csv.Error as wrong:
            problems.append(f"{self.name}: is no CSV ({inert(str(wrong))}); save it as plain CSV")
        except UnicodeDecodeError as wrong:
            line = self._raw.count(b"\n", 0, wrong.start) + 1
            problems.append(f"{self.name}: line {line} is not UTF-8; save it as UTF-8")

    def _rows(self, problems: list[str]) -> Iterator[tuple[int, list[Cell | None]]]:
        if len(self._raw) > MAX_BYTES:
            problems.append(
                f"{self.name}: is larger than {MAX_BYTES // 1_000_000} MB; import it in parts"
            )
            return
        text = self._raw.decode("utf-8-sig")
        if "\0" in text:
            line = text.count("\n", 0, text.index("\0")) + 1
            problems.append(f"{self.name}: line {line} holds a NUL; save it as plain CSV")
            return
        lines = csv.reader(io.StringIO(text, newline=""), strict=True)
        heading = [cell.strip() for cell in next(lines, [])]
        places = self._places(heading, problems)
        if places is None:
            return
        for count, cells in enumerate(lines):
            if not cells:
                continue
            if count >= MAX_ROWS:
                problems.append(f"{self.name}: has more than {MAX_ROWS} lines; import it in parts")
                return
            if len(cells) != len(heading):
                problems.append(
                    f"{self.name}: line {lines.line_num} has {len(cells)} cells, the heading"
                    f" {len(heading)}; write one cell for each column"
                )
            else:
                yield from self._values(lines.line_num, cells, places, problems)
            if len(problems) > 10 * _PRINTED_PROBLEMS:
                problems.append(f"{self.name}: the rest was not read")
                return

    def _places(self, heading: list[str], problems: list[str]) -> dict[str, int] | None:
        """Which cell each column stands in; None where the heading has mistakes."""
        before = len(problems)
        wanted = ",".join(self._needed)
        for name in self._needed:
            if name not in heading:
                problems.append(
                    f"{self.name}: line 1: the column {name} is missing; begin the file with"
                    f" {wanted}"
                )
        for at, name in enumerate(heading):
            if name not in self._readers:
                problems.append(
                    f"{self.name}: line 1: the column {_shown(name)} does not belong here;"
                    f" remove it, or write one of {', '.join(self._readers)}"
                )
            elif name in heading[:at]:
                problems.append(f"{self.name}: line 1: the column {name} is there twice; keep one")
            if len(problems) > before + _PRINTED_PROBLEMS:
                break
        if len(problems) > before:
            return None
        return {name: heading.index(name) for name in self._readers if name in heading}

    def _values(
        self, line: int, cells: list[str], places: dict[str, int], problems: list[str]
    ) -> Iterator[tuple[int, list[Cell | None]]]:
        values: list[Cell | None] = []
        for name, read in self._readers.items():
            if name not in places:
                values.append(None)
                continue
            cell = cells[places[name]].strip()
            try:
                values.append(read(cell))
            except ValueError as wrong:
                problems.append(f"{self.name}: line {line}: {name}: is {_shown(cell)}; {wrong}")
        if len(values) == len(self._readers):
            yield line, values


def _shown(cell: str) -> str:
    return inert(repr(cell if len(cell) <= _SHOWN else cell[:_SHOWN] + "..."))
