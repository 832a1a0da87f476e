"""Which channels changed: what is wrong with a bore told apart from what is with a sensor.

Each has a signature. A sensor whose gain falls has its channel lit later and dark sooner, by
the more the higher the threshold; what narrows a bore moves its edges alike at all of them;
what sits on one of its walls moves that wall's edges alone; a bore that was moved shifts both
edges the same way. The signature that explains most is believed, others that explain nearly
as much are named beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dialbench.health.lines import Lines
from dialbench.health.scan import Block, Change, Scan

Floats = NDArray[np.float64]

# What may change; the last four belong to a bore, the others to a channel.
KINDS = ("gain", "dark", "exit", "width", "rise", "fall", "axis")
GAIN, DARK, EXIT, WIDTH, RISE, FALL, AXIS = range(len(KINDS))
_MOST = 6  # changes of one channel; more are one thing that is not understood
_RIVAL = 0.1  # of what a cause explains: another that explains so much less is as likely
_SMALLEST_S = 1e-9


@dataclass(frozen=True)
class Suspect:
    """What may change: of a bore (an index into dial.bores), or -1 of the whole channel."""

    kind: int
    bore: int


@dataclass(frozen=True)
class Found:
    """A change of a channel. told: the day (since 1970) on which there was enough to say so;
    others: what explains it nearly as well, with the amount by which it would."""

    channel: int
    suspect: Suspect
    change: Change
    told: int
    others: tuple[tuple[Suspect, float], ...]


@dataclass(frozen=True)
class Changes:
    """found: in the order of channels; limit: the score that chance exceeds at the stated
    rate; suspects: how many were watched."""

    found: tuple[Found, ...]
    limit: float
    suspects: int


def changes(lines: Lines, late_s: Floats, false_alarms: float) -> Changes:
    """What changed in lines whose channels have nothing in common any more, late_s (lines,
    days); false_alarms: how many are expected by chance in all these days together."""
    parts, blocks, suspects = [], [], []
    for channel in np.unique(lines.channel).tolist():
        part = np.flatnonzero(lines.channel == channel)
        mine, partial = _suspects(lines, part)
        parts.append(channel)
        suspects.append(mine)
        kind = np.array([one.kind for one in mine], np.int64)
        blocks.append(Block(late_s[part], lines.weight[part], partial, kind))
    if not blocks or not len(lines.day):
        return Changes((), np.inf, 0)
    scan = Scan(lines.day, blocks)
    limit = scan.limit(false_alarms / scan.suspects)
    found = []
    for number, (channel, mine) in enumerate(zip(parts, suspects, strict=True)):
        found += _of_channel(scan, number, channel, mine, limit)
    return Changes(tuple(found), limit, scan.suspects)


def _of_channel(
    scan: Scan, number: int, channel: int, suspects: list[Suspect], limit: float
) -> list[Found]:
    """The changes of a channel, the clearest first; each is taken away before the next."""
    block, found = scan.blocks[number], []
    peaks = scan.peaks(number)
    for _ in range(_MOST):
        over = (peaks > limit).any(axis=0)
        if not over.any():
            break
        first = int(over.argmax())
        # Judged with all that came since: what went away again is no news.
        best = _ranked(scan, number, block)
        if max(one.score for one in best) <= limit:
            break
        change = best[0]
        near = [
            one
            for one in best[1:]
            if one.fit**2 > change.fit**2 * (1 - _RIVAL)
            and suspects[one.suspect].kind != suspects[change.suspect].kind
        ]
        others = tuple((suspects[one.suspect], one.amount) for one in near)
        block = scan.without(block, change)
        change = _widened(scan, block, change)
        suspect = suspects[change.suspect]
        found.append(Found(channel, suspect, change, int(scan.day[first]), others))
        peaks = scan.peaks(number, block)
    return found


def _widened(scan: Scan, block: Block, change: Change) -> Change:
    """The change with the error that its own suspect's straying adds; block: without it."""
    stray = np.sqrt(2.0) * scan.slow(block, change.suspect)
    if change.shape == "slope":
        stray *= 2.0 / max(int(scan.day[-1]) - change.since, 1)
    return replace(change, sigma=float(np.hypot(change.sigma, stray)))


def _ranked(scan: Scan, number: int, block: Block) -> list[Change]:
    every = [scan.latest(number, k, block) for k in range(len(block.kind))]
    return sorted(every, key=lambda one: -one.fit)


def _suspects(lines: Lines, part: NDArray[np.int64]) -> tuple[list[Suspect], Floats]:
    """What may change of a channel, and how its lines, numbered, would: (lines, suspects)."""
    suspects, columns = [], []

    def add(kind: int, bore: int, column: Floats) -> None:
        if np.abs(column).max(initial=0.0) > _SMALLEST_S:
            suspects.append(Suspect(kind, bore))
            columns.append(column)

    for kind, values in ((GAIN, lines.gain), (DARK, lines.dark), (EXIT, lines.exit)):
        add(kind, -1, values[part])
    for bore in np.unique(lines.bore[part]).tolist():
        mine = (lines.bore[part] == bore).astype(float)
        rise = lines.rise[part].astype(float)
        entry, axis = lines.entry[part] * mine, lines.axis[part] * mine
        sides = int(np.unique(rise[mine > 0]).size)
        add(WIDTH, bore, entry)
        if sides == 2:  # with one edge these are all the same
            add(RISE, bore, entry * rise)
            add(FALL, bore, entry * (1 - rise))
            add(AXIS, bore, axis)
    return suspects, np.stack(columns, axis=1) if columns else np.zeros((len(part), 0))
