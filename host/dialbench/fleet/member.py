"""One board of a fleet: how late its crossings came, and when it saw the Sun."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench import dialfile
from dialbench.compare import compare, merged
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.logged import board_log, predicted
from dialbench.sky import Sky
from dialbench.store import Store, StoredBoard

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_SLOT_DEG = 3.75  # of hour angle: crossings of one day closer than this are one line
_FEWEST = 3  # crossings of a line, for it to have a median of its own
_MAD = 1.4826  # to a standard deviation


@dataclass(frozen=True, eq=False)
class Member:
    """utc_us, late_s, left_s, shape (n,): when each matched crossing was due, how late it came, and
    how much later than those of its line use to (or all of the board, where its line has few).
    observed: merged spans of direct sun (m, 2), microseconds of UTC."""

    store: str
    board: str
    dial_name: str
    utc_us: Ints
    late_s: Floats
    left_s: Floats
    observed: Ints
    matched: int
    missed: int

    @property
    def median_s(self) -> float | None:
        return float(np.median(self.late_s)) if len(self.late_s) else None

    @property
    def noise_s(self) -> float | None:
        """Robust standard deviation of what is left of lateness line by line."""
        if not len(self.left_s):
            return None
        return float(_MAD * np.median(np.abs(self.left_s - np.median(self.left_s))))

    @property
    def missed_share(self) -> float | None:
        """Of the crossings that came or should have in observed time, those that did not."""
        due = self.matched + self.missed
        return self.missed / due if due else None

    @property
    def observed_s(self) -> float:
        return float((self.observed[:, 1] - self.observed[:, 0]).sum()) / 1e6


def member(store: Store, path: str, board: StoredBoard, dial: Dial | None = None) -> Member:
    """What a store says of one of its boards. dial: another than the one that came with the log.

    Raises UserError where the dial is not known, and SkyError for times out of reach.
    """
    if dial is None:
        if board.dial_toml is None:
            raise UserError(
                f"{path} does not know the dial of board {board.uid}: name it with --dial"
            )
        dial = dialfile.parse(board.dial_toml, f"dial of board {board.uid}")
    with store.reading():  # a pull may be writing
        logged = board_log(store, board.uid, board.dial_hash)
    sky = Sky(dial.site)
    expected, _ = predicted(logged, dial, sky)
    found = compare(expected, logged.measured, logged.observed, logged.unlogged)
    at = found.predicted_index
    utc_us = expected.utc_us[at]
    slot = np.zeros(len(at), np.int64)
    if len(at):
        slot = np.floor(sky.sun(utc_us).hour_angle_deg / _SLOT_DEG).astype(np.int64)
    columns = (expected.channel[at], expected.threshold[at], expected.rise[at], slot)
    lines = np.stack([column.astype(np.int64) for column in columns])
    return Member(
        path,
        board.uid,
        dial.name,
        utc_us,
        found.residual_s,
        _left(found.residual_s, lines),
        merged(logged.observed),
        found.counts["matched"],
        found.counts["missed"],
    )


def _left(late_s: Floats, lines: Ints) -> Floats:
    """Lateness less the median of its line, the columns of lines saying which that is."""
    if not len(late_s):
        return late_s
    left = late_s - np.median(late_s)
    _, line = np.unique(lines, axis=1, return_inverse=True)
    order = np.argsort(line, kind="stable")
    for points in np.split(order, np.flatnonzero(np.diff(line[order])) + 1):
        if len(points) >= _FEWEST:
            left[points] = late_s[points] - np.median(late_s[points])
    return left
