"""Logs of other makes: crossings and observed time out of two CSV files.

Both have a heading. Crossings: `utc` (ISO 8601, ending in Z), `channel`, `threshold` (0.25,
0.5 or 0.75), `direction` (rise or fall), and if the logger knows it `sigma_s`, the standard
uncertainty of the time. Observed time: `start`, `end`, both as utc. A file with mistakes is
refused with all of them.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from dialbench.errors import UserError, inert
from dialbench.store.facts import ForeignLog

MAX_BYTES = 128_000_000
MAX_ROWS = 2_000_000  # a hundred channels' crossings of ten years
_MAX_SIGMA_S = 86_400.0
_PRINTED_PROBLEMS = 40
_SHOWN = 40  # characters of a cell that a message repeats

_INSTANT = re.compile(
    r"(\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d)(?:\.(\d{1,9}))?([Zz]|\+00:00)?", re.ASCII
)
_WHOLE = re.compile(r"\d{1,3}", re.ASCII)
_DECIMAL = re.compile(r"\d{1,9}(\.\d{0,9})?", re.ASCII)
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_YEARS = (1900, 2052)  # those in which the Sun's place is known
_THRESHOLDS = {0.25: 0, 0.5: 1, 0.75: 2}
_EXAMPLE = "2027-04-16T12:00:00.250Z"


class ForeignError(UserError):
    """Why a file is refused: a sentence a mistake, each with file, line and column."""

    def __init__(self, problems: Sequence[str]) -> None:
        hidden = len(problems) - _PRINTED_PROBLEMS
        more = [f"... and {hidden} more"] if hidden > 0 else []
        super().__init__(*problems[:_PRINTED_PROBLEMS], *more)
        self.problems = list(problems)


def load(crossings: Path, observed: Path, channels: int) -> ForeignLog:
    """The log of two files, for a dial of so many channels. Raises ForeignError."""
    return parse(_bytes(crossings), str(crossings), _bytes(observed), str(observed), channels)


def parse(
    crossings: bytes, name: str, observed: bytes, observed_name: str, channels: int
) -> ForeignLog:
    """The log of two files' bytes; the names stand for them in messages. Raises ForeignError."""
    problems: list[str] = []
    rows = _sorted_rows(
        _Table(crossings, name, _columns(channels), {"sigma_s": _sigma_us}), problems
    )
    spans = _spans(
        _Table(observed, observed_name, {"start": _utc_us, "end": _utc_us}, {}), problems
    )
    if problems:
        raise ForeignError(problems)
    table = np.array([row[:4] for row in rows], dtype=np.int64).reshape(-1, 4)
    return ForeignLog(
        name=inert(Path(name).name)[:200],
        utc_us=table[:, 0].copy(),
        channel=table[:, 1].copy(),
        threshold=table[:, 2].copy(),
        rise=table[:, 3].astype(np.bool_),
        sigma_us=tuple(row[4] for row in rows),
        observed=tuple(spans),
    )


def _bytes(path: Path) -> bytes:
    name = inert(str(path))
    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise ForeignError([f"{name}: there is no such file"]) from None
    except (OSError, ValueError) as error:  # ValueError: NUL in the path
        reason = getattr(error, "strerror", None) or error
        raise ForeignError([f"{name}: cannot be read ({reason})"]) from None
    return raw


# -- single cells: each gives a value, or raises ValueError with what to write instead


def _utc_us(text: str) -> int:
    found = _INSTANT.fullmatch(text)
    if found is None:
        raise ValueError(f"write an instant of UTC such as {_EXAMPLE}")
    if found[3] is None:
        raise ValueError(f"says no zone; write UTC and end it in Z, such as {_EXAMPLE}")
    try:
        second = datetime.fromisoformat(found[1]).replace(tzinfo=UTC)
    except ValueError:
        raise ValueError(f"there is no such instant; write one such as {_EXAMPLE}") from None
    if not _YEARS[0] <= second.year <= _YEARS[1]:
        raise ValueError(f"write an instant of the years {_YEARS[0]} to {_YEARS[1]}")
    nanoseconds = int((found[2] or "0").ljust(9, "0"))
    return (second - _EPOCH) // timedelta(microseconds=1) + (nanoseconds + 500) // 1000


def _columns(channels: int) -> dict[str, Callable[[str], int]]:
    def channel(text: str) -> int:
        if _WHOLE.fullmatch(text) is None or int(text) >= channels:
            raise ValueError(f"write a channel of the dial, 0 to {channels - 1}")
        return int(text)

    return {"utc": _utc_us, "channel": channel, "threshold": _threshold, "direction": _rise}


def _threshold(text: str) -> int:
    found = _THRESHOLDS.get(float(text)) if _DECIMAL.fullmatch(text) else None
    if found is None:
        raise ValueError("write the lit fraction that was passed: 0.25, 0.5 or 0.75")
    return found


def _rise(text: str) -> int:
    if text not in ("rise", "fall"):
        raise ValueError("write rise or fall")
    return int(text == "rise")


def _sigma_us(text: str) -> int | None:
    if not text:
        return None
    if _DECIMAL.fullmatch(text) is None or not 0 < float(text) <= _MAX_SIGMA_S:
        raise ValueError("write seconds greater than 0, such as 0.05, or leave it empty")
    return max(1, round(float(text) * 1e6))


# -- whole files


class _Table:
    """One file: its lines as rows of values, in the order of the columns asked for."""

    def __init__(
        self,
        raw: bytes,
        name: str,
        needed: dict[str, Callable[[str], int]],
        optional: dict[str, Callable[[str], int | None]],
    ) -> None:
        self.name = inert(name)
        self._raw = raw
        self._needed = needed
        self._readers = {**needed, **optional}

    def rows(self, problems: list[str]) -> Iterator[tuple[int, list[int | None]]]:
        """(line, values) of every sound line; mistakes go to problems."""
        try:
            yield from self._rows(problems)
        except csv.Error as wrong:
            problems.append(f"{self.name}: is no CSV ({inert(str(wrong))}); save it as plain CSV")
        except UnicodeDecodeError as wrong:
            line = self._raw.count(b"\n", 0, wrong.start) + 1
            problems.append(f"{self.name}: line {line} is not UTF-8; save it as UTF-8")

    def _rows(self, problems: list[str]) -> Iterator[tuple[int, list[int | None]]]:
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
    ) -> Iterator[tuple[int, list[int | None]]]:
        values: list[int | None] = []
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


def _sorted_rows(table: _Table, problems: list[str]) -> list[tuple[int, int, int, int, int | None]]:
    """Crossings in order; one that is there twice is a mistake."""
    found: dict[tuple[int, int, int, int], tuple[int, int | None]] = {}
    for line, (utc_us, channel, threshold, rise, sigma_us) in table.rows(problems):
        assert utc_us is not None and channel is not None
        assert threshold is not None and rise is not None
        key = (utc_us, channel, threshold, rise)
        first = found.setdefault(key, (line, sigma_us))[0]
        if first != line:
            problems.append(
                f"{table.name}: line {line}: is the same crossing as line {first}; remove one"
            )
    return [(*key, found[key][1]) for key in sorted(found)]


def _spans(table: _Table, problems: list[str]) -> list[tuple[int, int]]:
    """Spans in order, those that touch run together."""
    found = []
    for line, (start_us, end_us) in table.rows(problems):
        assert start_us is not None and end_us is not None
        if end_us <= start_us:
            problems.append(
                f"{table.name}: line {line}: end: is not after start; write the later instant"
            )
        else:
            found.append((start_us, end_us))
    spans: list[tuple[int, int]] = []
    for start_us, end_us in sorted(found):
        if spans and start_us <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], end_us))
        else:
            spans.append((start_us, end_us))
    return spans


def _shown(cell: str) -> str:
    return inert(repr(cell if len(cell) <= _SHOWN else cell[:_SHOWN] + "..."))
