"""Matches measured with predicted crossings, one to one.

A crossing can only be matched with one of its own channel, threshold and direction.
First the shift common to all of them is found (a turned body moves every crossing
alike, by 240 s a degree), then each is matched near that shift.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.crossing import Crossings

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Interval = tuple[int, int]

SCHEMA = "dialbench.comparison/1"

# What can become of a predicted crossing; the numbers are those of Comparison.kind.
KINDS = ("matched", "missed", "unobserved")
MATCHED, MISSED, UNOBSERVED = range(3)

# A common shift is looked for this far: a turn of 7.5 deg.
FARTHEST_S = 1800
# Half the width of the slot in which votes for one shift count together. A bore made
# 0.1 deg off is 24 s early or late, so that two and a half sigma of them fit, and the
# shift next to it that could be mistaken (a step away, 300 s or more) does not.
VOTE_S = 60
# A match lies within this of the common shift: seven sigma of the same making scatter,
# or the day's swing of a pose 1.7 deg off about the other two axes (times the tangent of
# the Sun's declination); a fifth of a 15-minute step, so that the neighbour step's
# crossing is never in reach.
WINDOW_S = 180
# An unmatched crossing this near the edge of observed time may have come just outside:
# five sigma of making scatter, beside which the clock's and the gate's errors are small.
GUARD_S = 120
# A shift beyond the window is believed only when this many channels vote for it: one
# lamp flashed at one sensor must not pass for a turn of the body.
FEWEST_CHANNELS = 3

_US = 1_000_000
_WHOLE_VOTE = 1_000_000


@dataclass(frozen=True)
class Measured:
    """Crossings as logged, in UTC: arrays of equal length, in any order.

    channel, threshold (0, 1, 2 for lit fraction 0.25, 0.50, 0.75) and rise as in
    crossing.Crossings; utc_us in microseconds of Unix UTC; sigma_s the clock's standard
    uncertainty in seconds.
    """

    channel: Ints
    threshold: Ints
    rise: NDArray[np.bool_]
    utc_us: Ints
    sigma_s: Floats


@dataclass(frozen=True)
class Comparison:
    """What became of each crossing.

    kind: shape (predicted,), see KINDS. predicted_index, measured_index: the matched
    pairs in the order of the predicted crossings. unexpected: indices of measured
    crossings that nothing was predicted for. residual_s: measured minus predicted in
    seconds, one a pair, the common shift included. shift_s: the shift about which pairs
    were matched; None where no shift is supported (nothing is matched then).
    observed_hours: hours of direct sun.
    """

    predicted: Crossings
    measured: Measured
    kind: NDArray[np.int8]
    predicted_index: Ints
    measured_index: Ints
    unexpected: Ints
    residual_s: Floats
    shift_s: float | None
    observed_hours: float

    @property
    def counts(self) -> dict[str, int]:
        """How many crossings were predicted and measured, and how many are of each kind."""
        return {
            "predicted": len(self.kind),
            "measured": len(self.measured.utc_us),
            **{name: int(np.sum(self.kind == code)) for code, name in enumerate(KINDS)},
            "unexpected": len(self.unexpected),
        }

    @property
    def residual(self) -> dict[str, float | None]:
        """Figures of the residuals in seconds, None without a match.

        median: of measured minus predicted; p95: 95th percentile of its size, both with
        the common shift in them; scatter_p95: 95th percentile of the distance from the
        median.
        """
        return _figures(self.residual_s)

    def by_channel(self) -> list[dict[str, Any]]:
        """One row a channel, in order: channel, the five kinds' counts, residual_s."""
        p, m = self.predicted.channel, self.measured.channel
        rows: list[dict[str, Any]] = []
        paired = p[self.predicted_index]
        for channel in np.union1d(p, m):
            kinds = self.kind[p == channel]
            rows.append(
                {
                    "channel": int(channel),
                    "predicted": len(kinds),
                    **{name: int(np.sum(kinds == code)) for code, name in enumerate(KINDS)},
                    "unexpected": int(np.sum(m[self.unexpected] == channel)),
                    "residual_s": _figures(self.residual_s[paired == channel]),
                }
            )
        return rows

    def as_dict(self) -> dict[str, Any]:
        """Everything a file or a reader needs, as JSON's own types; SCHEMA names its form."""
        return {
            "schema": SCHEMA,
            "observed_hours": self.observed_hours,
            "shift_s": self.shift_s,
            "crossings": self.counts,
            "residual_s": self.residual,
            "channels": self.by_channel(),
            "missed": _listed(self.predicted, np.flatnonzero(self.kind == MISSED)),
            "unexpected": _listed(self.measured, self.unexpected),
        }


def compare(
    predicted: Crossings,
    measured: Measured,
    observed: Iterable[Interval],
    unlogged: Mapping[int, Iterable[Interval]] | None = None,
) -> Comparison:
    """Say of each predicted and each measured crossing what became of it.

    observed: intervals (start_us, end_us) in which the open-sky sensor saw direct sun, in
    any order. unlogged: by threshold, those of them in which its crossings were not to be
    logged: unmatched there, one is unobserved. Within one channel, threshold and direction the matching keeps the order of
    time and is the best there is: each pair earns the more the nearer it lies to the
    common shift (WINDOW_S less its distance), and the sum is greatest. An unmatched
    predicted crossing is missed if the shifted instant lies in observed time, at least
    GUARD_S from its edges; else it is unobserved. A match counts wherever it lies.
    """
    spans = merged(observed)
    groups = list(_groups(predicted, measured))
    shift_us = _voted_shift(groups, predicted, measured)
    pairs = _match(groups, predicted, measured, shift_us)
    # The vote is as coarse as its slot; the median of the pairs it leads to is not.
    for _ in range(5):
        if shift_us is None or not len(pairs):
            break
        finer = _low_median(measured.utc_us[pairs[:, 1]] - predicted.utc_us[pairs[:, 0]])
        if finer == shift_us:
            break
        shift_us = finer
        pairs = _match(groups, predicted, measured, shift_us)

    kind = np.full(len(predicted.utc_us), UNOBSERVED, np.int8)
    instants = predicted.utc_us + (shift_us or 0)
    kind[_inside(instants, spans, GUARD_S * _US)] = MISSED
    for threshold, intervals in (unlogged or {}).items():
        silent = _inside(instants, merged(intervals), -GUARD_S * _US)
        kind[silent & (predicted.threshold == threshold)] = UNOBSERVED
    kind[pairs[:, 0]] = MATCHED
    left = np.ones(len(measured.utc_us), bool)
    left[pairs[:, 1]] = False
    return Comparison(
        predicted=predicted,
        measured=measured,
        kind=kind,
        predicted_index=pairs[:, 0],
        measured_index=pairs[:, 1],
        unexpected=np.flatnonzero(left),
        residual_s=(measured.utc_us[pairs[:, 1]] - predicted.utc_us[pairs[:, 0]]) / _US,
        shift_s=None if shift_us is None else shift_us / _US,
        observed_hours=float((spans[:, 1] - spans[:, 0]).sum()) / 3600 / _US,
    )


def merged(intervals: Iterable[Interval]) -> Ints:
    """The intervals in order, those that touch run together, empty ones dropped: shape (n, 2)."""
    out: list[list[int]] = []
    for start, end in sorted((int(start), int(end)) for start, end in intervals):
        if end <= start:
            continue
        if out and start <= out[-1][1]:
            out[-1][1] = max(out[-1][1], end)
        else:
            out.append([start, end])
    return np.array(out, np.int64).reshape(-1, 2)


def _groups(predicted: Crossings, measured: Measured) -> Iterator[tuple[Ints, Ints]]:
    """Indices of the predicted and the measured crossings of each key both have, by time."""
    keys, orders = [], []
    for one in (predicted, measured):
        key = (one.channel.astype(np.int64) * 3 + one.threshold) * 2 + one.rise
        order = np.lexsort((one.utc_us, key))
        keys.append(key[order])
        orders.append(order)
    for key in np.intersect1d(keys[0], keys[1]):
        p, m = (
            order[np.searchsorted(k, key) : np.searchsorted(k, key, "right")]
            for k, order in zip(keys, orders, strict=True)
        )
        yield p, m


def _low_median(values: Ints) -> int:
    """The median, of two middle values the lower: exact in integers."""
    middle = (len(values) - 1) // 2
    return int(np.partition(values, middle)[middle])


def _voted_shift(
    groups: list[tuple[Ints, Ints]], predicted: Crossings, measured: Measured
) -> int | None:
    """The shift in microseconds that most crossings have in common, None without any.

    Every difference up to FARTHEST_S between crossings of one key votes. A predicted
    crossing has one vote for one place: differences of its own that crowd within VOTE_S
    (a sensor that flickers) share it.
    """
    lags, votes, channels = [np.empty(0, np.int64)], [np.empty(0, np.int64)], [np.empty(0, int)]
    for p_index, m_index in groups:
        p, m = predicted.utc_us[p_index], measured.utc_us[m_index]
        lo = np.searchsorted(m, p - FARTHEST_S * _US)
        many = np.searchsorted(m, p + FARTHEST_S * _US, "right") - lo
        one = np.repeat(np.arange(len(p)), many)
        other = np.arange(many.sum()) - np.repeat(np.cumsum(many) - many - lo, many)
        lags.append(m[other] - p[one])
        crowd = np.searchsorted(m, m + VOTE_S * _US, "right") - np.searchsorted(m, m - VOTE_S * _US)
        votes.append(_WHOLE_VOTE // crowd[other])
        channels.append(np.full(len(one), predicted.channel[p_index[0]]))
    return _densest(np.concatenate(lags), np.concatenate(votes), np.concatenate(channels))


def _densest(lags: Ints, votes: Ints, channels: NDArray[np.int_]) -> int | None:
    """The median lag of the slot with most votes; of equals the one nearest to no shift."""
    if not len(lags):
        return None
    order = np.argsort(lags, kind="stable")
    lags, votes, channels = lags[order], votes[order], channels[order]
    ends = np.searchsorted(lags, lags + 2 * VOTE_S * _US, "right")
    total = np.concatenate(([0], np.cumsum(votes)))
    score = total[ends] - total[:-1]
    starts = np.flatnonzero(score == score.max())
    centres = lags[(starts + ends[starts] - 1) // 2]
    best = int(np.argmin(abs(centres)))
    centre = int(centres[best])
    support = np.unique(channels[starts[best] : ends[starts[best]]])
    if abs(centre) > WINDOW_S * _US and len(support) < FEWEST_CHANNELS:
        near = abs(lags) <= WINDOW_S * _US
        return _densest(lags[near], votes[near], channels[near])
    return centre


def _match(
    groups: list[tuple[Ints, Ints]],
    predicted: Crossings,
    measured: Measured,
    shift_us: int | None,
) -> Ints:
    """Pairs (predicted index, measured index) about a shift, by predicted index: (n, 2)."""
    if shift_us is None:
        return np.empty((0, 2), np.int64)
    found = [np.empty((0, 2), np.int64)]
    for p_index, m_index in groups:
        ours, theirs = _assign(predicted.utc_us[p_index] + shift_us, measured.utc_us[m_index])
        found.append(np.column_stack((p_index[ours], m_index[theirs])))
    pairs = np.concatenate(found)
    return pairs[np.argsort(pairs[:, 0])]


def _assign(p: Ints, m: Ints) -> tuple[Ints, Ints]:
    """Best order-keeping pairs of two sorted rows of instants, as indices into each."""
    lo = np.searchsorted(m, p - WINDOW_S * _US)
    hi = np.searchsorted(m, p + WINDOW_S * _US, "right")
    # Neighbours that reach for the same measured crossing must be settled together; one
    # alone takes the nearest, which is what the sum asks for.
    linked = np.concatenate(([False], lo[1:] < hi[:-1], [False]))
    alone = np.flatnonzero(~linked[:-1] & ~linked[1:] & (hi > lo))
    after = np.searchsorted(m, p[alone])
    before, after = (np.clip(k, lo[alone], hi[alone] - 1) for k in (after - 1, after))
    nearer = abs(p[alone] - m[before]) <= abs(m[after] - p[alone])
    ours, theirs = [alone], [np.where(nearer, before, after)]
    firsts = np.flatnonzero(~linked[:-1] & linked[1:])
    lasts = np.flatnonzero(linked[:-1] & ~linked[1:])
    for first, last in zip(firsts, lasts, strict=True):
        a, b = _chain(p[first : last + 1], m[lo[first] : hi[last]])
        ours.append(a + first)
        theirs.append(b + lo[first])
    return np.concatenate(ours), np.concatenate(theirs)


def _chain(p: Ints, m: Ints) -> tuple[Ints, Ints]:
    """_assign() by dynamic programming: best[i, j] is what the first i and j can earn."""
    best = np.zeros((len(p) + 1, len(m) + 1), np.int64)
    for i, instant in enumerate(p):
        gain = np.maximum(WINDOW_S * _US + 1 - abs(m - instant), 0)
        best[i + 1, 1:] = np.maximum(best[i, 1:], best[i, :-1] + gain)
        np.maximum.accumulate(best[i + 1], out=best[i + 1])
    pairs = []
    i, j = len(p), len(m)
    while i and j:
        if best[i, j] == best[i - 1, j]:
            i -= 1
        elif best[i, j] == best[i, j - 1]:
            j -= 1
        else:
            i, j = i - 1, j - 1
            pairs.append((i, j))
    ends = np.array(pairs[::-1], np.int64).reshape(-1, 2)
    return ends[:, 0], ends[:, 1]


def _inside(utc_us: Ints, spans: Ints, guard_us: int) -> NDArray[np.bool_]:
    """Which instants lie in one of the merged spans, a guard away from both its ends."""
    if not len(spans):
        return np.zeros(len(utc_us), bool)
    at = np.maximum(np.searchsorted(spans[:, 0], utc_us, "right") - 1, 0)
    inside: NDArray[np.bool_] = (utc_us >= spans[at, 0] + guard_us) & (
        utc_us <= spans[at, 1] - guard_us
    )
    return inside


def _figures(residual_s: Floats) -> dict[str, float | None]:
    if not len(residual_s):
        return {"median": None, "p95": None, "scatter_p95": None}
    median = float(np.median(residual_s))
    return {
        "median": median,
        "p95": float(np.percentile(abs(residual_s), 95)),
        "scatter_p95": float(np.percentile(abs(residual_s - median), 95)),
    }


def _listed(crossings: Crossings | Measured, index: Ints) -> list[dict[str, Any]]:
    """The crossings of an index, by time, as JSON's own types."""
    rows = zip(
        *(
            getattr(crossings, name)[index].tolist()
            for name in ("utc_us", "channel", "threshold", "rise")
        ),
        strict=True,
    )
    return [
        {"utc_us": utc, "channel": channel, "threshold": threshold, "rise": bool(rise)}
        for utc, channel, threshold, rise in sorted(rows)
    ]
