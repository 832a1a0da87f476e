"""Logs of other makes: crossings and observed time out of two CSV files.

Both have a heading. Crossings: `utc` (ISO 8601, ending in Z), `channel`, `threshold` (0.25,
0.5 or 0.75), `direction` (rise or fall), and if the logger knows it `sigma_s`, the standard
uncertainty of the time. Observed time: `start`, `end`, both as utc. A file with mistakes is
refused with all of them.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path

import numpy as np

from dialbench import csvtable
from dialbench.csvtable import Table, TableError, utc_us
from dialbench.errors import inert
from dialbench.store.facts import ForeignLog

_MAX_SIGMA_S = 86_400.0
_FEW = 1024

_WHOLE = re.compile(r"\d{1,3}", re.ASCII)
_DECIMAL = re.compile(r"\d{1,9}(\.\d{0,9})?", re.ASCII)
_THRESHOLDS = {0.25: 0, 0.5: 1, 0.75: 2}


def load(crossings: Path, observed: Path, channels: int) -> ForeignLog:
    """The log of two files, for a dial of so many channels. Raises TableError."""
    return parse(
        csvtable.read(crossings), str(crossings), csvtable.read(observed), str(observed), channels
    )


def parse(
    crossings: bytes, name: str, observed: bytes, observed_name: str, channels: int
) -> ForeignLog:
    """The log of two files' bytes; the names stand for them in messages. Raises TableError."""
    problems: list[str] = []
    rows = _sorted_rows(
        Table[int](crossings, name, _columns(channels), {"sigma_s": lru_cache(_FEW)(_sigma_us)}),
        problems,
    )
    spans = _spans(
        Table[int](observed, observed_name, {"start": utc_us, "end": utc_us}, {}), problems
    )
    if problems:
        raise TableError(problems)
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


# -- single cells: each gives a value, or raises ValueError with what to write instead


def _columns(channels: int) -> dict[str, Callable[[str], int]]:
    def channel(text: str) -> int:
        if _WHOLE.fullmatch(text) is None or int(text) >= channels:
            raise ValueError(f"write a channel of the dial, 0 to {channels - 1}")
        return int(text)

    # The same few texts stand in these columns over and over: each is read once.
    few = lru_cache(_FEW)
    return {
        "utc": utc_us,
        "channel": few(channel),
        "threshold": few(_threshold),
        "direction": few(_rise),
    }


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


def _sorted_rows(
    table: Table[int], problems: list[str]
) -> list[tuple[int, int, int, int, int | None]]:
    """Crossings in order; one that is there twice is a mistake."""
    found: dict[tuple[int, int, int, int], tuple[int, int | None]] = {}
    for line, (at_us, channel, threshold, rise, sigma_us) in table.rows(problems):
        assert at_us is not None and channel is not None
        assert threshold is not None and rise is not None
        key = (at_us, channel, threshold, rise)
        first = found.setdefault(key, (line, sigma_us))[0]
        if first != line:
            problems.append(
                f"{table.name}: line {line}: is the same crossing as line {first}; remove one"
            )
    return [(*key, found[key][1]) for key in sorted(found)]


def _spans(table: Table[int], problems: list[str]) -> list[tuple[int, int]]:
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
