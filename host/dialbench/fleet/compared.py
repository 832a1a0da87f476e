"""A fleet's boards held against each other: clocks that err together, one weather, outliers.

What several boards do at the same time no single body does: late together by one amount, it is
the clock that set them all, such as the computer's that pulled them. What one does alone is its
own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.fleet.member import Member
from dialbench.sky import from_us

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

HOUR_US = 3_600_000_000
_MAD = 1.4826
_SIGMAS = 5.0  # beyond which an hour's lateness is not noise
_LEAST_S = 1.0  # a common clock fault is at least so large
_NIGHT_H = 24  # hours without a crossing that a fault may last through
_LEAST_NOISE_S = 0.2
_FEWEST = 3  # crossings of a board in an hour
_STANDS_OUT = 4.0  # robust standard deviations from the fleet's median
_FLEET = 4  # boards, for one to stand out among them
_ALIKE = 0.8  # share of common time in which boards under one weather see the Sun alike
# A figure's least spread among sound boards: bodies are set up and made no better than this.
_SPREAD = {"median_s": 2.0, "noise_s": 1.0, "missed_share": 0.01}
_TOLD = {
    "median_s": ("crossings come {:+.1f} s late in the median", "{:+.1f} s"),
    "noise_s": ("crossings scatter by {:.1f} s", "{:.1f} s"),
    "missed_share": ("{:.1%} of its crossings are missed", "{:.1%}"),
}


@dataclass(frozen=True)
class ClockFault:
    """From one hour to another of UTC, boards whose crossings all came off by about one amount."""

    begin_us: int
    end_us: int
    offset_s: float
    boards: tuple[str, ...]


@dataclass(frozen=True)
class Alike:
    """Two boards' weather: hours in which both were logging, and the share of them in which the Sun
    shone on both or on neither; of the time it shone on either, the share on both."""

    boards: tuple[str, str]
    common_h: float
    overlap: float


@dataclass(frozen=True)
class Outlier:
    """A board that stands out: by which figure, its value, the fleet's median."""

    board: str
    figure: str
    value: float
    fleet: float


@dataclass(frozen=True)
class Fleet:
    members: tuple[Member, ...]
    faults: tuple[ClockFault, ...]
    weather: tuple[Alike, ...]
    outliers: tuple[Outlier, ...]

    @property
    def names(self) -> dict[int, str]:
        """Of each member by its place: its board, with the store where two have that board."""
        return names(self.members)

    def sentences(self) -> list[str]:
        told = []
        for fault in self.faults:
            begin, end = (from_us(at) for at in (fault.begin_us, fault.end_us))
            told.append(
                f"Boards {', '.join(fault.boards)} were {fault.offset_s:+.1f} s late together from"
                f" {begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} UTC: no body does that. Look at"
                " the clock that set them (dialbench clock), such as that of the computer."
            )
        for odd in self.outliers:
            what, fleet = _TOLD[odd.figure]
            told.append(
                f"Board {odd.board} stands out: {what.format(odd.value)}, the fleet's median is"
                f" {fleet.format(odd.fleet)}."
            )
        apart = [one for one in self.weather if one.overlap < _ALIKE]
        if self.weather and not apart:
            least = min(one.overlap for one in self.weather)
            told.append(f"All boards saw one weather: any two together at least {least:.0%} of it.")
        for one in sorted(apart, key=lambda one: one.overlap)[:5]:
            told.append(
                f"Boards {one.boards[0]} and {one.boards[1]} saw the Sun together in {one.overlap:.0%}"
                f" of the time that either did, of {one.common_h:.1f} h: another place, or an"
                " open-sky sensor in the shade."
            )
        if len(self.members) < _FLEET:
            told.append(f"Too few boards for one to stand out: it takes {_FLEET}.")
        elif not self.outliers:
            told.append("No board stands out.")
        if not self.faults:
            told.append("No clock fault is common to several boards.")
        return told

    def rows(self) -> list[tuple[str, ...]]:
        """A table of the boards, its heading first."""
        rows: list[tuple[str, ...]] = [
            ("board", "dial", "sun h", "matched", "missed", "median late s", "noise s")
        ]
        for k, one in enumerate(self.members):
            rows.append(
                (
                    self.names[k],
                    one.dial_name,
                    f"{one.observed_s / 3600:.1f}",
                    str(one.matched),
                    str(one.missed),
                    _figure(one.median_s, "+.1f"),
                    _figure(one.noise_s, ".1f"),
                )
            )
        return rows

    def as_dict(self) -> dict[str, Any]:
        """All facts as JSON's own types."""
        return {
            "boards": [
                {
                    "name": self.names[k],
                    "store": one.store,
                    "board": one.board,
                    "dial": one.dial_name,
                    "observed_s": one.observed_s,
                    "matched": one.matched,
                    "missed": one.missed,
                    "median_s": one.median_s,
                    "noise_s": one.noise_s,
                    "missed_share": one.missed_share,
                }
                for k, one in enumerate(self.members)
            ],
            "clock_faults": [asdict(one) for one in self.faults],
            "weather": [asdict(one) for one in self.weather],
            "outliers": [asdict(one) for one in self.outliers],
            "sentences": self.sentences(),
        }


def compared(members: Sequence[Member]) -> Fleet:
    """What a fleet's boards have in common, and which of them stand out."""
    return Fleet(
        tuple(members),
        tuple(_faults(members)),
        tuple(_weather(members)),
        tuple(_outliers(members)),
    )


def names(members: Sequence[Member]) -> dict[int, str]:
    boards = [one.board for one in members]
    return {
        k: one.board if boards.count(one.board) == 1 else f"{one.store}:{one.board}"
        for k, one in enumerate(members)
    }


def _faults(members: Sequence[Member]) -> list[ClockFault]:
    """Hours in which boards were off alike, those that follow one another taken together."""
    called = names(members)
    off: dict[int, list[tuple[int, float, float]]] = {}  # by hour: board, lateness, its sigma
    for k, one in enumerate(members):
        hours, place = np.unique(one.utc_us // HOUR_US, return_inverse=True)
        parts = [one.left_s[place == at] for at in range(len(hours))]
        # About each hour's own median: a fault is no noise.
        within = np.concatenate([part - np.median(part) for part in parts] or [np.zeros(1)])
        noise_s = max(_MAD * float(np.median(np.abs(within))), _LEAST_NOISE_S)
        for hour, left in zip(hours.tolist(), parts, strict=True):
            if len(left) >= _FEWEST:
                # 1.25: a median's standard deviation against a mean's.
                sigma_s = 1.25 * noise_s / np.sqrt(len(left))
                off.setdefault(hour, []).append((k, float(np.median(left)), float(sigma_s)))
    running: list[_Running] = []
    for hour, rows in sorted(off.items()):
        for boards, offset_s, sigma_s in _together(rows):
            if len({members[k].board for k in boards}) < 2:
                continue  # one board in two stores: it agrees with itself
            same = (
                one for one in reversed(running) if one.goes_on(hour, boards, offset_s, sigma_s)
            )
            last = next(same, None)
            if last is None:
                running.append(_Running(boards, hour, hour, [offset_s], sigma_s))
            else:
                last.last_hour = hour
                last.offsets_s.append(offset_s)
    return [
        ClockFault(
            one.first_hour * HOUR_US,
            (one.last_hour + 1) * HOUR_US,
            float(np.median(one.offsets_s)),
            tuple(called[k] for k in one.boards),
        )
        for one in running
    ]


@dataclass
class _Running:
    """Hours that follow one another in which the same boards were off alike."""

    boards: tuple[int, ...]
    first_hour: int
    last_hour: int
    offsets_s: list[float]
    sigma_s: float

    def goes_on(self, hour: int, boards: tuple[int, ...], offset_s: float, sigma_s: float) -> bool:
        apart_s = abs(float(np.median(self.offsets_s)) - offset_s)
        alike = apart_s < max(_LEAST_S, _SIGMAS * float(np.hypot(self.sigma_s, sigma_s)))
        return boards == self.boards and alike and hour - self.last_hour <= _NIGHT_H


def _together(
    rows: Sequence[tuple[int, float, float]],
) -> list[tuple[tuple[int, ...], float, float]]:
    """Groups of two boards and more that are surely off, and alike within their errors: with the
    median of their lateness and of its sigma."""
    far = sorted(
        (row for row in rows if abs(row[1]) > max(_LEAST_S, _SIGMAS * row[2])),
        key=lambda row: row[1],
    )
    groups: list[list[tuple[int, float, float]]] = []
    for row in far:
        last = groups[-1][-1] if groups else None
        if last is not None and row[1] - last[1] <= _SIGMAS * float(np.hypot(row[2], last[2])):
            groups[-1].append(row)
        else:
            groups.append([row])
    return [
        (
            tuple(sorted(k for k, _, _ in group)),
            float(np.median([late_s for _, late_s, _ in group])),
            float(np.median([sigma_s for _, _, sigma_s in group])),
        )
        for group in groups
        if len(group) > 1
    ]


def _weather(members: Sequence[Member]) -> list[Alike]:
    called = names(members)
    found = []
    for k, one in enumerate(members):
        for j in range(k + 1, len(members)):
            other = members[j]
            if one.board == other.board or not len(one.observed) or not len(other.observed):
                continue
            begin = max(int(one.observed[0, 0]), int(other.observed[0, 0]))
            end = min(int(one.observed[-1, 1]), int(other.observed[-1, 1]))
            first, second = (_cut(of.observed, begin, end) for of in (one, other))
            both = _shared_us(first, second)
            either = _length_us(first) + _length_us(second) - both
            if end > begin and either:
                found.append(Alike((called[k], called[j]), (end - begin) / HOUR_US, both / either))
    return found


def _cut(spans: Ints, begin: int, end: int) -> Ints:
    cut = np.clip(spans, begin, max(begin, end))
    return cut[cut[:, 1] > cut[:, 0]]


def _length_us(spans: Ints) -> int:
    return int((spans[:, 1] - spans[:, 0]).sum())


def _shared_us(first: Ints, second: Ints) -> int:
    """How long two rows of merged spans shine together."""
    edges = np.unique(np.concatenate((first.ravel(), second.ravel())))
    if len(edges) < 2:
        return 0
    middle = (edges[1:] + edges[:-1]) // 2
    lit = [_within(middle, spans) for spans in (first, second)]
    return int(np.diff(edges)[lit[0] & lit[1]].sum())


def _within(at: Ints, spans: Ints) -> NDArray[np.bool_]:
    if not len(spans):
        return np.zeros(len(at), np.bool_)
    k = np.searchsorted(spans[:, 0], at, side="right") - 1
    held: NDArray[np.bool_] = (k >= 0) & (at < spans[np.maximum(k, 0), 1])
    return held


def _outliers(members: Sequence[Member]) -> list[Outlier]:
    called = names(members)
    found = []
    for figure, least in _SPREAD.items():
        told = [(k, v) for k, one in enumerate(members) if (v := getattr(one, figure)) is not None]
        if len(told) < _FLEET:
            continue
        values = np.array([value for _, value in told])
        fleet = float(np.median(values))
        spread = max(least, _MAD * float(np.median(np.abs(values - fleet))))
        found += [
            Outlier(called[k], figure, value, fleet)
            for k, value in told
            if abs(value - fleet) > _STANDS_OUT * spread
        ]
    return found


def _figure(value: float | None, form: str) -> str:
    return "" if value is None else format(value, form)
