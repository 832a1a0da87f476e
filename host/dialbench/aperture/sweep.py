"""A sweep: how bright each channel was while the dial turned, or the Sun moved.

It comes out of a CSV file, one line for each channel and position: `angle_deg` (of the shaft,
growing in the sense in which the body sees the light go from morning to afternoon; the zero is
anyone's), `channel`, `level` (light on the channel, in any unit, as a share of the light outside
if that changes), and optionally `utc` and `height_mm` (of the lamp, where it is not always the
same). Under the Sun `utc` is needed, and `angle_deg` only where the body turns. Lines stand in
the order in which they were measured. Or it comes out of a board's log (dialcore.records, SWEEP).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dialbench import csvtable
from dialbench.csvtable import Table, TableError
from dialbench.errors import UserError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SLACK_DEG = 0.25  # so far back and the shaft has turned round
_NUMBER = re.compile(r"[+-]?\d{1,9}(\.\d{0,12})?([eE][+-]?\d{1,2})?", re.ASCII)
_FARTHEST_DEG = 36_000.0
_WHOLE = re.compile(r"\d{1,3}", re.ASCII)


class SweepError(UserError):
    """A sweep that says nothing of its dial; one sentence."""


@dataclass(frozen=True)
class Sweep:
    """Arrays of one length, in the order measured.

    angle: the shaft's, radians, None where only the Sun moved. utc_us, height_mm: None where
    not told. turning: +1 or -1, the way the shaft turned last; 0 where it did not.
    """

    channel: Ints
    level: Floats
    angle: Floats | None
    utc_us: Ints | None
    height_mm: Floats | None
    turning: Ints

    @classmethod
    def of(
        cls,
        channel: Ints,
        level: Floats,
        angle_deg: Floats | None,
        utc_us: Ints | None = None,
        height_mm: Floats | None = None,
    ) -> Sweep:
        if angle_deg is None:
            return cls(channel, level, None, utc_us, height_mm, np.zeros(len(channel), np.int64))
        angle_deg = np.degrees(np.unwrap(np.radians(angle_deg)))
        return cls(channel, level, np.radians(angle_deg), utc_us, height_mm, _turning(angle_deg))

    def __len__(self) -> int:
        return len(self.channel)

    def rows(self, which: Ints) -> Sweep:
        """Some of its samples, or all in another order."""

        def some(of: Floats | None) -> Floats | None:
            return None if of is None else of[which]

        return Sweep(
            self.channel[which],
            self.level[which],
            some(self.angle),
            None if self.utc_us is None else self.utc_us[which],
            some(self.height_mm),
            self.turning[which],
        )


def _turning(angle_deg: Floats) -> Ints:
    """Which way the shaft last turned: the way it came from its last turning point."""
    found = np.zeros(len(angle_deg), np.int64)
    way, farthest, began = 0, 0.0, 0
    for at, angle in enumerate(angle_deg.tolist()):
        if not at:
            farthest = angle
        if way == 0:
            if abs(angle - farthest) > _SLACK_DEG:
                way, farthest = (1 if angle > farthest else -1), angle
                found[began:at] = way
        elif (angle - farthest) * way > 0:
            farthest = angle
        elif (farthest - angle) * way > _SLACK_DEG:
            way, farthest = -way, angle
        found[at] = way
    return found


def load(path: Path, channels: int, sun: bool) -> Sweep:
    """A sweep's file, for a dial of so many channels. Raises TableError, SweepError."""
    return parse(csvtable.read(path), str(path), channels, sun)


def parse(raw: bytes, name: str, channels: int, sun: bool) -> Sweep:
    """A sweep's bytes; name stands for the file in messages. Raises TableError, SweepError."""

    def channel(text: str) -> float:
        if _WHOLE.fullmatch(text) is None or int(text) >= channels:
            raise ValueError(f"write a channel of the dial, 0 to {channels - 1}")
        return int(text)

    light: dict[str, Callable[[str], float]] = {"channel": channel, "level": _level}
    angle, utc = {"angle_deg": _angle_deg}, {"utc": csvtable.utc_us}
    needed: Mapping[str, Callable[[str], float]]
    optional: Mapping[str, Callable[[str], float | None]]
    if sun:
        needed, optional = {**utc, **light}, {**angle}
    else:
        needed, optional = {**angle, **light}, {**utc, "height_mm": _height_mm}
    problems: list[str] = []
    table = Table[float](raw, name, needed, optional)
    rows = [values for _, values in table.rows(problems)]
    if problems:
        raise TableError(problems)
    if not rows:
        raise TableError([f"{table.name}: has no line but its heading; write the sweep's samples"])
    order = [*needed, *optional]
    columns = {label: [row[at] for row in rows] for at, label in enumerate(order)}

    def column(label: str) -> Floats | None:
        cells = columns.get(label, [])
        if not cells or all(cell is None for cell in cells):
            return None
        return np.array(cells, np.float64)

    utc_cells = columns.get("utc", [])
    known = bool(utc_cells) and utc_cells[0] is not None
    level, number = column("level"), column("channel")
    assert level is not None and number is not None
    return Sweep.of(
        number.astype(np.int64),
        level,
        column("angle_deg"),
        np.array(utc_cells, np.int64) if known else None,
        column("height_mm"),
    )


def text(sweep: Sweep) -> str:
    """The sweep as the text of a file that `load` reads. A lamp's height is not written: it is
    told with the command."""
    labels, columns = (
        ["channel", "level"],
        [
            [str(one) for one in sweep.channel.tolist()],
            [f"{one:.5f}" for one in sweep.level.tolist()],
        ],
    )
    if sweep.angle is not None:
        labels.insert(0, "angle_deg")
        columns.insert(0, [f"{one:.5f}" for one in (np.degrees(sweep.angle) % 360).tolist()])
    if sweep.utc_us is not None:
        labels.append("utc")
        written = {one: csvtable.utc_text(one) for one in np.unique(sweep.utc_us).tolist()}
        columns.append([written[one] for one in sweep.utc_us.tolist()])
    lines = [",".join(labels), *map(",".join, zip(*columns, strict=True))]
    return "\n".join(lines) + "\n"


def _number(text: str, what: str) -> float:
    if _NUMBER.fullmatch(text) is None:
        raise ValueError(f"write {what}")
    return float(text)


def _angle_deg(text: str) -> float:
    what = (
        f"the shaft's angle in degrees, {-_FARTHEST_DEG:.0f} to {_FARTHEST_DEG:.0f}, such as 12.3"
    )
    found = _number(text, what)
    if abs(found) > _FARTHEST_DEG:
        raise ValueError(f"write {what}")
    return found


def _level(text: str) -> float:
    return _number(text, "the light on the channel as a number, such as 0.731")


def _height_mm(text: str) -> float:
    what = "the lamp's height along the shaft in mm, such as -20"
    found = _number(text, what)
    if abs(found) > 1e5:
        raise ValueError(f"write {what}")
    return found


def of_board(readings: Iterable[tuple[int, float | None, int, Ints]]) -> Sweep:
    """Of a board's readings (utc_us, angle_deg, first channel, levels); in the order written.

    angle_deg is None where no encoder is. Raises SweepError where there are none, or some with
    an angle and some without.
    """
    utc_us: list[int] = []
    angle_deg: list[float | None] = []
    channel: list[int] = []
    level: list[float] = []
    for at_us, angle, first, levels in readings:
        utc_us += [at_us] * len(levels)
        angle_deg += [angle] * len(levels)
        channel += range(first, first + len(levels))
        level += levels.tolist()
    if not channel:
        raise SweepError(
            'the log holds no sweep with a usable angle: put "sweep" into the board\'s'
            " config.json, and check the encoder and its magnet"
        )
    turned = [angle for angle in angle_deg if angle is not None]
    if turned and len(turned) < len(angle_deg):
        raise SweepError(
            "the log holds sweeps with and without an encoder: choose one boot with --boot"
        )
    return Sweep.of(
        np.array(channel, np.int64),
        np.array(level, np.float64) / 1024,
        np.array(turned, np.float64) if turned else None,
        np.array(utc_us, np.int64),
    )
